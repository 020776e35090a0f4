"""Kill -9 at any moment of a run: the next run ends with the same list, byte for byte."""

from __future__ import annotations

import random
import subprocess
import time
from pathlib import Path

import pytest

from tests.cli.conftest import QUICK, command, in_process
from tests.conftest import ROOT

SAMPLE = ROOT / "data" / "sample" / "club.pgn"


def arguments(source: Path, folder: Path, engine: Path, *options: str) -> list[object]:
    return [
        "run",
        source,
        "--store",
        folder / "store",
        "--cache",
        folder / "cache",
        "--engine",
        engine,
        *options,
    ]


def run_to_the_end(source: Path, folder: Path, engine: Path, *options: str) -> bytes:
    """The CSV list after an undisturbed run."""
    for told in (
        in_process(*arguments(source, folder, engine, *options)),
        in_process("export", "--store", folder / "store", "--to", folder / "list.csv"),
    ):
        assert (told.code, told.err) == (0, "")
    return (folder / "list.csv").read_bytes()


def kill_after(seconds: float, source: Path, folder: Path, engine: Path, *options: str) -> bool:
    """Begin the run and kill it; whether it was still at work then."""
    running = subprocess.Popen(
        command(*arguments(source, folder, engine, *options)),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    time.sleep(seconds)
    running.kill()
    return running.wait() != 0


def check_killed_runs(seed: int, kills: int, source: Path, folder: Path, engine: Path, *options: str) -> None:
    """Kill runs at moments of a run's length, seeded; then compare the list with an undisturbed one's."""
    moments = random.Random(seed)
    began = time.monotonic()
    undisturbed = run_to_the_end(source, folder / "one", engine, *options)
    length = time.monotonic() - began

    killed = [
        kill_after(length * moments.uniform(0.1, 0.7), source, folder / "other", engine, *options)
        for _ in range(kills)
    ]

    assert undisturbed.count(b"\n") > 2
    assert any(killed)
    assert run_to_the_end(source, folder / "other", engine, *options) == undisturbed


def test_killed_runs_end_in_the_same_list(games: Path, engine: Path, tmp_path: Path) -> None:
    """Three kills, then a run to the end, in another store with another cache."""
    check_killed_runs(11, 3, games, tmp_path, engine, *QUICK)


@pytest.mark.slow
def test_killed_runs_over_the_sample(engine: Path, tmp_path: Path) -> None:
    """Ten kills over the sample's games, with several processes reading and several engines."""
    if not SAMPLE.exists():
        pytest.skip("the sample's games are not here; make them by data/sample/make_sample.py")

    check_killed_runs(12, 10, SAMPLE, tmp_path, engine, "--nodes", "2000,10000", "--min-games", "20")
