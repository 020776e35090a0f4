"""Fixtures that several stages' tests share."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path

import hypothesis
import pytest

from miner.engine.identity import find_engine
from miner.errors import EngineNotFound
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


LONGEST = (
    "test_notebooks",
    "test_remote",
    "test_upkeep",
    "test_store_faults",
    "test_engine_faults",
    "test_docs",
    "test_stage",
    "test_browser",
    "test_check_value",
)
"""Modules that take longest. They come first, so that of several processes none has one left at the end."""


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest first; leave out on Windows what needs signals or shells as POSIX has them."""
    items.sort(key=lambda item: item.path.stem not in LONGEST)
    for item in items:
        if os.name == "nt" and item.get_closest_marker("posix"):
            item.add_marker(pytest.mark.skip(reason="needs signals or shells as POSIX has them"))


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


FAKE = Path(__file__).with_name("engine") / "fake_engine.py"


@pytest.fixture
def recorded_engine(engine: Path, tmp_path: Path) -> Path:
    """The real engine behind a script that writes the process ids to `pids` beside it."""
    return _script(tmp_path / "recorded", f'#!/bin/sh\necho $$ >> "{tmp_path}/pids"\nexec "{engine}"\n')


@pytest.fixture
def fake_engine(tmp_path: Path) -> Callable[[str], Path]:
    """A scripted engine with the flaw that is named; the folder `tmp_path` is its memory."""

    def make(flaw: str) -> Path:
        command = f'exec "{sys.executable}" "{FAKE}" {flaw} "{tmp_path}"'
        return _script(tmp_path / f"fake-{flaw}", f"#!/bin/sh\n{command}\n")

    return make


@pytest.fixture
def scripted_engine(tmp_path: Path) -> Callable[..., Path]:
    """An engine that answers `uci` and `go` with given lines, `go` also with a command of the shell.

    What it is told is written to `told` beside it.
    """

    def make(*answers: str, greeting: Sequence[str] = (), command: str = ":") -> Path:
        (tmp_path / "greeting").write_text("".join(f"{line}\n" for line in greeting), encoding="latin-1")
        (tmp_path / "answers").write_text("".join(f"{line}\n" for line in answers), encoding="utf-8")
        return _script(tmp_path / "scripted", _SCRIPT.format(folder=tmp_path, command=command))

    return make


_SCRIPT = """#!/bin/sh
while read -r line; do
    echo "$line" >> "{folder}/told"
    case "$line" in
        uci) cat "{folder}/greeting"; echo uciok ;;
        isready) echo readyok ;;
        go*) {command}; cat "{folder}/answers" ;;
        quit) exit ;;
    esac
done
"""


def _script(path: Path, text: str) -> Path:
    if os.name == "nt":
        pytest.skip("scripted engines are programs of a POSIX shell")
    path.write_text(text, encoding="utf-8")
    path.chmod(0o755)
    return path
