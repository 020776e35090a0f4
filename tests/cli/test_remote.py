"""Stores in a bucket: every command gives what it gives on a folder, whatever breaks on the way.

The server is a real one; see `tests/buckets.py`.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.store import digest_of
from miner.store.places import Remote, files_below, located
from tests.buckets import Line, environment
from tests.cli.conftest import QUICK, Told, command, in_process
from tests.clusters import Local
from tests.conftest import ROOT

pytestmark = pytest.mark.engine
Run = Callable[..., Told]
SAMPLE = ROOT / "data" / "sample" / "club.pgn"
SIDE = ("--side", "white", "--band", "800-999")
READING = [
    ("status",),
    ("status", "--settings"),
    ("show",),
    ("show", "1"),
    ("check",),
    ("lesson", "--out", "{out}/lesson", "--no-pdf", *SIDE),
    ("plan", "--out", "{out}/plan", "--no-pdf", "--start", "2025-09-15", *SIDE),
    ("steer", "--nodes", "500", "--cache", "{out}.cache", "--to", "{out}/advice.csv", *SIDE),
    ("pupils", "--games", "{games}", "--out", "{out}/pupils", "--no-pdf", "--lesson-date", "2025-11-01"),
    ("report", "--out", "{out}/report.html"),
    ("export", "--to", "{out}/findings.csv", "--to", "{out}/findings.pgn", "--to", "{out}/findings.epd"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, club: Path) -> Path:
    """The same store in a folder."""
    return Path(shutil.copytree(club, tmp_path_factory.mktemp("folder") / "store"))


@pytest.fixture(scope="module")
def mined(
    s3: Line, tmp_path_factory: pytest.TempPathFactory, games: Path, engine: Path, club: Path
) -> tuple[str, list[str]]:
    """A finished store in the bucket, with the salt of that in a folder, and the command that made it."""
    url = "s3://club/mined"
    Remote("s3", "club/mined/salt").put(club / "salt")
    cache = tmp_path_factory.mktemp("mined") / "cache"
    line = ["run", str(games), "--store", url, "--cache", str(cache), "--engine", str(engine), *QUICK]
    told = in_process(*line)
    assert (told.code, told.err) == (0, "")
    return url, line


def test_a_second_run_does_nothing(mined: tuple[str, list[str]], s3: Line, miner: Run) -> None:
    """Each stage is up to date; some dozens of requests tell so."""
    before = s3.requests

    told = miner(*mined[1])

    assert told.code == 0
    assert told.out.count("(up to date, nothing to do)") == 6
    assert s3.requests - before < 100


def test_tables_are_those_of_a_folder(mined: tuple[str, list[str]], folder: Path) -> None:
    """To the byte; and no other files are there."""
    here, there = folder, located(mined[0])

    assert {*files_below(there)} == {*files_below(here)} - {"lock"}
    tables = [name for name in files_below(here) if name.endswith(".parquet")]
    assert {name: digest_of(there / name) for name in tables} == {
        name: digest_of(here / name) for name in tables
    }


@pytest.mark.slow
def test_every_command_gives_what_it_gives_on_a_folder(
    mined: tuple[str, list[str]], folder: Path, games: Path, tmp_path: Path, miner: Run
) -> None:
    """Words and files are the same, to the byte; only the store's name is another."""
    for arguments in READING:
        told = []
        for name, store in (("folder", str(folder)), ("bucket", mined[0])):
            out = tmp_path / name
            given = [one.format(out=out, games=games) for one in arguments]
            done = miner(*given, "--store", store)
            assert done.code == 0, (given, done.err)
            told.append((done.out + done.err).replace(store, "STORE").replace(str(out), "OUT"))
        assert told[0] == told[1], arguments

    assert files(tmp_path / "folder") == files(tmp_path / "bucket")
    assert len(files(tmp_path / "bucket")) > 10


def files(folder: Path) -> dict[str, bytes]:
    found = {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*") if one.is_file()}
    # The page tells a number for each store, by which its reader's notes are kept apart.
    return {name: re.sub(rb'"[0-9a-f]{64}"', b'"..."', text) for name, text in found.items()}


def test_a_store_that_grows_and_shrinks(bucket: str, tmp_path: Path, games: Path, miner: Run) -> None:
    """What is added and removed again, or forgotten, leaves nothing behind."""
    more = tmp_path / "more.pgn"
    more.write_text(
        '[White "Another"]\n[Black "One"]\n[Result "1-0"]\n\n1. e4 c5 2. Nf3 1-0\n', encoding="utf-8"
    )
    for line in (
        ("read", games),
        ("add", more),
        ("remove", more, "--yes"),
        ("add", more),
        ("forget", "Another", "--yes"),
        ("check",),
    ):
        told = miner(*line, "--store", bucket)
        assert (told.code, told.err) == (0, ""), line

    told = miner("status", "--store", bucket)
    assert "1 forgotten" in told.out


def test_a_place_where_there_is_no_store(bucket: str, miner: Run) -> None:
    """The message is that for a folder."""
    told = miner("show", "--store", bucket)

    assert (told.code, told.err) == (
        1,
        f"miner: {bucket}: there is no store here; make one with `miner run SOURCE --store DIR`\n",
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, engine: Path) -> tuple[list[str], bytes]:
    """A run of some hundred games but for its store and cache, and the findings of one into a folder."""
    if not SAMPLE.exists():
        pytest.skip("the sample's games are not here; make them by data/sample/make_sample.py")
    folder = tmp_path_factory.mktemp("whole")
    (folder / "club.pgn").write_text(SAMPLE.read_text("utf-8")[:400_000], encoding="utf-8")
    line = ["run", str(folder / "club.pgn"), "--nodes", "500,2000", "--games", "20", "--engine", str(engine)]
    told = in_process(*line, "--store", folder / "store", "--cache", folder / "cache")
    assert told.code == 0, told.err
    return line, findings(str(folder / "store"), folder)


@pytest.fixture
def line(whole: tuple[list[str], bytes], bucket: str, tmp_path: Path) -> list[str]:
    """The same into the bucket, with a cache of its own."""
    return [*whole[0], "--cache", str(tmp_path / "cache"), "--store", bucket]


def findings(store: str, folder: Path) -> bytes:
    told = in_process("export", "--store", store, "--to", folder / "findings.csv")
    assert told.code == 0, told.err
    return (folder / "findings.csv").read_bytes()


@pytest.mark.posix
@pytest.mark.slow
def test_a_run_that_is_killed_goes_on(
    line: list[str], whole: tuple[list[str], bytes], bucket: str, tmp_path: Path
) -> None:
    """Six times, at moments that the seed gives, and nobody need remove its claim."""
    moments = random.Random(31)

    for _ in range(6):
        with subprocess.Popen(command(*line), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
            try:
                run.wait(moments.uniform(1.5, 8))
            except subprocess.TimeoutExpired:
                run.send_signal(signal.SIGKILL)
    told = in_process(*line)

    assert told.code == 0, told.err
    assert findings(bucket, tmp_path) == whole[1]
    assert in_process("check", "--store", bucket).code == 0


@pytest.mark.slow
def test_a_line_that_is_cut_is_told_and_the_run_goes_on(
    line: list[str], whole: tuple[list[str], bytes], s3: Line, bucket: str, tmp_path: Path
) -> None:
    """Wherever it is cut: one line that names the place and says what to do; the same command goes on."""
    cuts = 0
    for requests in (1, 20, 60, 120, 200):
        s3.cut_after = s3.requests + requests

        told = in_process(*line)

        cuts += s3.is_cut
        if s3.is_cut:
            assert told.code == 1
            *_, last = told.err.splitlines()
            assert re.match(rf"miner: {re.escape(bucket)}.*: it cannot be reached.* is kept$", last), told.err
            assert "Traceback" not in told.err
        s3.mend()
    told = in_process(*line)

    assert cuts > 2
    assert told.code == 0, told.err
    assert findings(bucket, tmp_path) == whole[1]


@pytest.mark.slow
def test_of_two_runs_at_once_one_is_refused(
    line: list[str], whole: tuple[list[str], bytes], bucket: str, tmp_path: Path
) -> None:
    """On one machine, and on two: those have temporary folders of their own."""
    for round_, elsewhere in (("same", ""), ("other", str(tmp_path))):
        store = f"{bucket}/{round_}"
        runs = [
            subprocess.Popen(
                command(*line, "--store", store),
                env=os.environ | ({"TMPDIR": elsewhere} if number and elsewhere else {}),
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            for number in range(2)
        ]
        told = [run.communicate() for run in runs]

        refused = [err for run, (_, err) in zip(runs, told, strict=True) if run.returncode]
        assert [run.returncode for run in runs].count(0) == 1, told
        assert "is at work in this store" in refused[0]
        assert findings(store, tmp_path) == whole[1]


@pytest.mark.slow
def test_the_workers_of_a_cluster_write_to_a_bucket(
    line: list[str], whole: tuple[list[str], bytes], s3: Line, bucket: str, tmp_path: Path, own_cluster: Local
) -> None:
    """They find it by the environment that they were started with."""
    for _ in range(2):
        own_cluster.start_worker("--resources", "engine=1", **environment(s3))

    told = in_process(*line, "--cluster", own_cluster.address)

    assert told.code == 0, told.err
    assert findings(bucket, tmp_path) == whole[1]
