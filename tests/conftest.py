"""Fixtures that several stages' tests share."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import hypothesis
import pytest

from miner.errors import EngineNotFound
from miner.judge.engines import find_engine
from tests import buckets, clusters

# Started in the background, a shell has these tests ignore Ctrl-C, and the programs that they start as well.
signal.signal(signal.SIGINT, signal.default_int_handler)
# Told to end, they end as by Ctrl-C: servers and temporary files are cleared away.
signal.signal(signal.SIGTERM, signal.default_int_handler)

# Nothing asserts on time: a busy machine is no failure.
hypothesis.settings.register_profile(
    "miner", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow]
)
hypothesis.settings.load_profile("miner")

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real games and published lists; tests that need it are skipped where it is absent."""
    folder = Path(os.environ.get("MINER_SHARED", ROOT.parent / "shared"))
    if not (folder / "data").is_dir():
        pytest.skip("no folder of real games (MINER_SHARED, or ../shared beside the project)")
    return folder


@pytest.fixture(scope="session")
def engine() -> Path:
    """A real UCI engine; tests that need it are skipped where there is none."""
    try:
        return find_engine()
    except EngineNotFound as error:
        pytest.skip(str(error))


@pytest.fixture(scope="session")
def workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[clusters.Local]:
    """A real cluster of two workers that may run an engine each; not to be harmed."""
    if find_spec("distributed") is None:
        pytest.skip("Dask is not installed (the extra `cluster`)")
    with clusters.local(tmp_path_factory.mktemp("cluster")) as cluster:
        for _ in range(2):
            cluster.start_worker("--resources", "engine=1")
        yield cluster


@pytest.fixture
def own_cluster(tmp_path: Path) -> Iterator[clusters.Local]:
    """A real scheduler without workers yet, for one test to do with as it likes."""
    if find_spec("distributed") is None:
        pytest.skip("Dask is not installed (the extra `cluster`)")
    with clusters.local(tmp_path / "cluster") as cluster:
        yield cluster


@pytest.fixture(scope="session")
def s3(tmp_path_factory: pytest.TempPathFactory) -> Iterator[buckets.Line]:
    """The line to a real S3-compatible server with the bucket `club`; a test that cuts it must mend it."""
    for module in ("s3fs", "moto"):
        if find_spec(module) is None:
            pytest.skip(f"{module} is not installed (the extras `remote` and `dev`)")
    fsspec = pytest.importorskip("fsspec")
    with buckets.served(tmp_path_factory.mktemp("s3") / "log") as line, pytest.MonkeyPatch.context() as patch:
        for name, value in buckets.environment(line).items():
            patch.setenv(name, value)
        fsspec.filesystem("s3").mkdir(buckets.BUCKET)
        yield line


@pytest.fixture
def bucket(s3: buckets.Line, tmp_path: Path) -> Iterator[str]:
    """A place of a test's own in the bucket, as a URL."""
    yield f"s3://{buckets.BUCKET}/{tmp_path.name}"
    s3.mend()
