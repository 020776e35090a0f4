"""Tests of `--cluster`: what comes out is what one machine finds, byte for byte."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest

from miner.store import FOLDERS, Store
from tests.cli.conftest import CLUB, QUICK, command, in_process
from tests.clusters import Local, free_port
from tests.conftest import ROOT

ALONE = QUICK[: QUICK.index("--processes")]
TABLES = (
    "replies",
    "positions",
    "reach",
    "judged",
    "findings",
    "answers",
    "afterwards",
    "lasted",
    "model_games",
    "plans",
)


def findings_of(store: Path, to: Path) -> bytes:
    told = in_process("export", "--store", store, "--to", to)
    assert (told.code, told.err) == (0, "")
    return to.read_bytes()


@pytest.mark.engine
@pytest.mark.slow
def test_a_run_on_a_cluster_finds_the_same(workers: Local, club: Path, games: Path, tmp_path: Path) -> None:
    """All tables and the list, as one machine makes them; steering on the cluster goes on from there."""
    options = ("--cache", tmp_path / "cache", "--cluster", workers.address)

    told = in_process("run", games, "--store", tmp_path / "store", *options, *ALONE)
    steered = in_process(
        "steer",
        "--store",
        tmp_path / "store",
        "--side",
        "white",
        "--band",
        "800-999",
        "--nodes",
        500,
        *options,
    )

    assert (told.code, told.err) == (0, "")
    assert findings_of(tmp_path / "store", tmp_path / "there.csv") == findings_of(club, tmp_path / "here.csv")
    here, there = Store.open(club), Store.open(tmp_path / "store")
    assert [there.read_table(name) for name in TABLES] == [here.read_table(name) for name in TABLES]
    assert (steered.code, steered.err) == (0, "")


@pytest.mark.slow
def test_games_are_added_by_a_cluster(workers: Local, games: Path, tmp_path: Path) -> None:
    """Behind those that one machine has read, as that machine would have done it."""
    more = tmp_path / "more.pgn"
    more.write_text(games.read_text(encoding="utf-8").replace("Club", "Other club").replace("2024", "2025"))
    for store, options in {"here": (), "there": ("--cluster", workers.address)}.items():
        Store.create(tmp_path / store)
        (tmp_path / store / "salt").write_bytes(b"the same" * 4)
        first = in_process("read", games, "--store", tmp_path / store)

        added = in_process("add", more, "--store", tmp_path / store, *options)

        assert (first.code, added.code, added.err) == (0, 0, "")

    here, there = Store.open(tmp_path / "here"), Store.open(tmp_path / "there")
    assert there.require("read").rows["games"] == 2 * len(CLUB)
    assert [there.read_table(name) for name in FOLDERS] == [here.read_table(name) for name in FOLDERS]


@pytest.mark.posix
@pytest.mark.slow
@pytest.mark.engine
def test_a_run_survives_its_workers_and_is_resumed_after_its_scheduler(
    own_cluster: Local, games: Path, engine: Path, tmp_path: Path
) -> None:
    """A worker that is killed costs nothing but time; without a scheduler the run ends, and goes on later."""
    store, longer = tmp_path / "store", [*ALONE]
    longer[longer.index("--nodes") + 1] = "200000,800000"
    common = (games, "--engine", engine, *longer)
    here = in_process("run", *common, "--store", tmp_path / "here", "--cache", tmp_path / "cache here")
    own_cluster.start_worker("--resources", "engine=1")
    victim = own_cluster.start_worker("--resources", "engine=1")
    run = command(
        "run", *common, "--store", store, "--cache", tmp_path / "cache", "--cluster", own_cluster.address
    )

    with subprocess.Popen(run, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as first:
        wait_for(store / "tally.json")
        os.killpg(victim.pid, signal.SIGKILL)
        time.sleep(2.0)  # the other one has the whole work now
        own_cluster.kill_scheduler()
        _, said = first.communicate()
    own_cluster.start_scheduler()
    own_cluster.start_worker("--resources", "engine=1")
    second = subprocess.run(run, cwd=ROOT, capture_output=True, text=True, check=False)

    assert first.returncode == 1
    assert "the scheduler of the cluster is lost; see that it runs, and run it again" in said
    assert "Traceback" not in said
    assert (here.code, second.returncode, second.stderr) == (0, 0, "")
    assert findings_of(store, tmp_path / "there.csv") == findings_of(tmp_path / "here", tmp_path / "here.csv")


def wait_for(file: Path) -> None:
    deadline = time.monotonic() + 120.0
    while not file.exists():
        assert time.monotonic() < deadline, f"{file} was never written"
        time.sleep(0.05)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (
            ("--cluster", "tcp://127.0.0.1:{port}"),
            "no scheduler answers there; start one with `dask scheduler`",
        ),
        (("--cluster", "somewhere"), "'somewhere' is no address of a scheduler"),
        (("--cluster", "tcp://127.0.0.1:{port}", "--processes", "2"), "--processes is for this machine"),
    ],
)
def test_what_cannot_be_is_told_at_once(
    options: tuple[str, ...], said: str, games: Path, tmp_path: Path
) -> None:
    """In one line, and no store is made."""
    there = [option.format(port=free_port()) for option in options]

    told = in_process("read", games, "--store", tmp_path / "store", *there)

    assert told.code in (1, 2)
    assert said in told.err
    assert told.err.count("\n") == 1
    assert not (tmp_path / "store").exists()
