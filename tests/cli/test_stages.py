"""One stage at a time, Ctrl-C in the middle of judging, and going on from there."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from miner.settings import JudgeSettings
from miner.store import Store
from tests.cli.conftest import QUICK, Told, command
from tests.conftest import ROOT

Miner = Callable[..., Told]


def whole_run(games: Path, engine: Path, folder: Path) -> list[Any]:
    """What makes a store in a folder, with verdicts of its own."""
    return ["run", games, "--store", folder / "store", "--cache", folder / "cache", "--engine", engine]


def test_stage_by_stage(miner: Miner, games: Path, engine: Path, tmp_path: Path) -> None:
    """The stages one by one leave the same findings as a run at once, and tell what they did."""
    store, cache = tmp_path / "one", tmp_path / "cache"
    told = [
        miner("read", games, "--store", store, "--processes", 1),
        miner("tally", "--store", store, "--min-games-at-position", 3),
        miner(
            "judge",
            "--store",
            store,
            "--nodes",
            "500,2000",
            "--min-games",
            3,
            "--cache",
            cache,
            "--engine",
            engine,
        ),
        miner("scan", "--store", store, "--games", 40, "--cache", cache, "--engine", engine),
        miner("follow", "--store", store, "--cache", cache, "--engine", engine),
        miner("rank", "--store", store),
    ]
    at_once = miner(
        "run", games, "--store", tmp_path / "two", "--cache", cache, "--engine", engine, "--games", 40, *QUICK
    )

    lines = [one.out.splitlines()[0] for one in told]
    assert [one.code for one in told] == [0] * 6
    assert [line.split()[0] for line in lines] == ["read", "tally", "judge", "scan", "follow", "rank"]
    assert lines == at_once.out.splitlines()[:6]
    assert "26 games seen: 26 kept" in lines[0]
    findings = Store.open(store).read_table("findings")
    assert findings.num_rows > 0
    assert findings.equals(Store.open(tmp_path / "two").read_table("findings"))


def test_effort_is_for_judging_and_scanning(miner: Miner, games: Path, engine: Path, tmp_path: Path) -> None:
    """A tenth of the effort: a tenth of the nodes and of the games. None at all is a mistake."""
    arguments = whole_run(games, engine, tmp_path)

    ran = miner(*arguments, "--games", 40, "--effort", 0.1, *QUICK)
    refused = miner(*arguments, "--effort", 0)

    assert (ran.code, refused.code) == (0, 2)
    settings = Store.open(tmp_path / "store").settings()
    assert settings["scan"]["games"] == 4
    assert settings["judge"]["nodes_in_all"] == JudgeSettings().nodes_in_all // 10
    assert "effort 0.0 is none" in refused.err


def test_nothing_to_do_is_said(miner: Miner, games: Path, engine: Path, tmp_path: Path) -> None:
    """A second run with nothing changed says so for every stage, and asks no engine."""
    arguments = whole_run(games, engine, tmp_path)
    first = miner(*arguments, *QUICK)

    second = miner(*arguments, *QUICK)

    assert (first.code, second.code) == (0, 0)
    assert "up to date" not in first.out
    assert second.out.count("(up to date, nothing to do)") == 6


def test_stage_before_is_missing(miner: Miner, games: Path, engine: Path, tmp_path: Path) -> None:
    """A stage whose forerunner has not run says which, with code 1."""
    store = tmp_path / "store"
    miner("read", games, "--store", store, "--processes", 1)

    for name, before in (("judge", "tally"), ("follow", "judge"), ("rank", "judge")):
        told = miner(name, "--store", store, *(["--engine", engine] if name != "rank" else []))
        assert told.code == 1
        assert f"the stage `{before}` has not been run here" in told.err


def test_store_without_kept_games(miner: Miner, engine: Path, tmp_path: Path) -> None:
    """Games without a result go through all stages and exports, and the list says that it is empty."""
    source = tmp_path / "open.pgn"
    source.write_text('[White "A"]\n[Black "B"]\n[Result "*"]\n\n1. e4 e5 *\n', encoding="utf-8")
    store = tmp_path / "store"

    ran = miner("run", source, "--store", store, "--cache", tmp_path / "cache", "--engine", engine)
    files = [tmp_path / f"list{suffix}" for suffix in (".csv", ".parquet", ".pgn", ".epd")]
    exported = miner("export", "--store", store, *(part for file in files for part in ("--to", file)))
    shown = miner("show", "--store", store)
    status = miner("status", "--store", store)

    assert [(one.code, one.err) for one in (ran, exported, shown, status)] == [(0, "")] * 4
    assert "1 no result" in ran.out
    assert shown.out.startswith("No findings")
    assert all(file.exists() for file in files)


def is_alive(pid: int) -> bool:
    """Whether a process runs; one that has ended and waits to be fetched does not."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except OSError:
        return False
    return "State:\tZ" not in status


def wait_for(what: Callable[[], bool]) -> None:
    """Wait until it is so; a minute is enough for anything here."""
    end = time.monotonic() + 60
    while not what():
        assert time.monotonic() < end, "waited for a minute"
        time.sleep(0.02)


@pytest.mark.posix
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="looks for processes in /proc")
def test_interrupted_judge_goes_on(miner: Miner, games: Path, engine: Path, tmp_path: Path) -> None:
    """Ctrl-C ends with code 1 and one line, leaves no engine behind, and the next run finishes the work."""
    store, cache, pids = tmp_path / "store", tmp_path / "cache", tmp_path / "pids"
    recorded = tmp_path / "recorded"
    recorded.write_text(f'#!/bin/sh\necho $$ >> "{pids}"\nexec "{engine}"\n', encoding="utf-8")
    recorded.chmod(0o755)
    miner("read", games, "--store", store, "--processes", 1)
    miner("tally", "--store", store, "--min-games-at-position", 3)
    endless = command(
        *("judge", "--store", store, "--cache", cache, "--engine", recorded),
        *("--nodes", "1000000,1000000000", "--min-games", 3, "--engines", 2),
    )
    judging = subprocess.Popen(endless, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    # The first engine is asked for its name only; two more do the work.
    wait_for(lambda: pids.exists() and len(pids.read_text(encoding="utf-8").split()) >= 3)

    judging.send_signal(signal.SIGINT)
    _, complaint = judging.communicate(timeout=60)

    engines = [int(pid) for pid in pids.read_text(encoding="utf-8").split()]
    wait_for(lambda: not any(map(is_alive, engines)))
    assert judging.returncode == 130
    assert complaint.strip() == "miner: stopped; what was judged is kept, the same command goes on from there"
    assert Store.open(store).manifest("judge") is None
    again = miner(
        "judge",
        "--store",
        store,
        "--cache",
        cache,
        "--engine",
        engine,
        "--nodes",
        "500,2000",
        "--min-games",
        3,
    )
    assert again.code == 0


@pytest.mark.skipif(os.name == "nt", reason="sends a signal")
def test_interrupted_reading(tmp_path: Path) -> None:
    """Ctrl-C while games are read from standard input ends as quietly."""
    reading = subprocess.Popen(
        [*command("read", "-", "--store", tmp_path / "store", "--processes", 1)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    wait_for(lambda: (tmp_path / "store" / "moves").exists())

    reading.send_signal(signal.SIGINT)
    _, complaint = reading.communicate(timeout=60)

    assert reading.returncode == 130
    assert "stopped" in complaint
    assert "Traceback" not in complaint
