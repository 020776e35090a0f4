"""A clock that is wrong, or leaps: neither what is done again nor any time limit goes by the time of day."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from miner.engine.identity import program_digest
from tests.cli.conftest import CLUB, QUICK, in_process
from tests.stores import pgn_of

DAY_S = 86_400.0
FAR_OFF_S = 10 * 365 * DAY_S


@dataclass(frozen=True, slots=True)
class Ran:
    """Games, the folder in which all was made from them, and the list that came of it."""

    games: Path
    folder: Path
    findings: bytes


@pytest.fixture(scope="module")
def steady(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    folder = tmp_path_factory.mktemp("steady")
    games = folder / "club.pgn"
    games.write_text(pgn_of(CLUB), encoding="utf-8")
    return Ran(games, folder, run(games, folder, engine)[1])


def run(games: Path, folder: Path, engine: Path, warns: str = "", **environment: str) -> tuple[str, bytes]:
    """What a run says besides a line with the warning, and the CSV list that comes of it."""
    store, cache = folder / "store", folder / "cache"
    arguments = ("run", games, "--store", store, "--cache", cache, "--engine", engine, *QUICK)
    ran = in_process(*arguments, **environment)
    exported = in_process("export", "--store", store, "--to", folder / "list.csv", **environment)
    assert (ran.code, exported.code, exported.err) == (0, 0, "")
    assert (warns in ran.err) if warns else not ran.err
    return ran.out, (folder / "list.csv").read_bytes()


@pytest.mark.slow
@pytest.mark.engine
def test_clock_that_leaps(steady: Ran, engine: Path, tmp_path: Path) -> None:
    """By 800 days forth and back, five times a second, and the list is the same."""
    games = tmp_path / "club.pgn"
    games.write_text(pgn_of(CLUB), encoding="utf-8")

    with leaping_clock(tmp_path) as environment:
        told, findings = run(games, tmp_path, engine, **environment)

    assert "inconclusive" not in told
    assert findings == steady.findings


@pytest.mark.slow
@pytest.mark.engine
def test_files_from_the_future(steady: Ran, engine: Path) -> None:
    """Files ten years ahead are up to date; games that changed are read again, however old they look."""
    games = steady.games
    for path in steady.folder.rglob("*"):
        shift(path, FAR_OFF_S)

    again, _ = run(games, steady.folder, engine)
    games.write_text(games.read_text().replace('[BlackElo "950"]', '[BlackElo "850"]'), encoding="utf-8")
    shift(games, -FAR_OFF_S)
    changed, _ = run(games, steady.folder, engine, warns="has changed since it was read")

    assert again.count("(up to date, nothing to do)") == 6
    assert changed.count("(up to date, nothing to do)") == 0


def test_engine_that_was_replaced_by_one_that_looks_alike(tmp_path: Path) -> None:
    """Of the same size and time, for the clock was set back, it is another program all the same."""
    program, other = tmp_path / "engine", tmp_path / "other"
    program.write_bytes(b"one engine")
    before = program_digest(program)
    other.write_bytes(b"an ENGINE!")
    os.utime(other, ns=(program.stat().st_atime_ns, program.stat().st_mtime_ns))
    other.replace(program)

    assert program_digest(program) != before


def shift(path: Path, seconds: float) -> None:
    """Make a file look newer, or older."""
    then = path.stat().st_mtime + seconds
    os.utime(path, (then, then))


@contextmanager
def leaping_clock(folder: Path) -> Iterator[dict[str, str]]:
    """The environment of processes whose time of day leaps; skips the test where that cannot be had."""
    libraries = sorted(Path("/usr/lib").glob("**/libfaketimeMT.so.1")) if sys.platform == "linux" else []
    if not libraries:
        pytest.skip("the time of day cannot be changed here: no libfaketime (Debian's package faketime)")
    now = folder / "now"
    environment = {
        "LD_PRELOAD": str(libraries[0]),
        "FAKETIME_TIMESTAMP_FILE": str(now),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    ended = threading.Event()

    def leap() -> None:
        days = 400
        while not ended.wait(0.2):
            days = -days
            set_clock(days)

    def set_clock(days: int) -> None:
        unfinished = now.with_suffix(".new")
        unfinished.write_text(f"{days:+}d\n", encoding="ascii")
        unfinished.replace(now)

    set_clock(400)
    assert abs(time_of_day(environment) - time_of_day({}) - 400 * DAY_S) < DAY_S
    leaper = threading.Thread(target=leap)
    leaper.start()
    try:
        yield environment
    finally:
        ended.set()
        leaper.join()


def time_of_day(environment: dict[str, str]) -> float:
    """In seconds, as a process in that environment has it."""
    code = "import time; print(time.time())"
    told = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | environment, capture_output=True, check=True
    )
    return float(told.stdout)
