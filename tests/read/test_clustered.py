"""Tests of reading by the workers of a real cluster: the same rows, whatever happens to them."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
import zstandard

from miner.cluster import connected
from miner.pgn import batches
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import Numbering
from miner.pgn.sources import find_sources
from miner.read.clustered import _looks, read_on_cluster
from miner.read.workers import BatchAccount, BatchJob, read_batches
from miner.settings import ReadSettings
from tests.clusters import Local
from tests.pgn.test_batches import framed
from tests.reading import game_text

Tables = dict[str, list[dict[str, Any]]]

# Every tenth game is one that was there before; some end at an illegal move, some are no games.
GAMES = [
    game_text(
        "1. e4 e5 2. Nf3 Nc6 3. Bb5 a6" if number % 7 else "1. d4 d5 2. Ke3",
        White=f"Player {number % 90}",
        Date=f"2024.01.{1 + number % 28:02}",
        Site=sha256(bytes(number)).hexdigest(),
    )
    for number in range(1_800)
]
TEXT = "Some words before.\n\n" + "".join(GAMES)


@pytest.fixture
def sources(tmp_path: Path) -> list[str]:
    """A large file, a small compressed one, one of many frames, one of one frame and one that breaks off."""
    folder = tmp_path / "sources"
    folder.mkdir()
    text = TEXT.encode()
    (folder / "a.pgn").write_bytes(text)
    (folder / "b.pgn.zst").write_bytes(zstandard.compress("".join(GAMES[:40]).encode()))
    (folder / "c.pgn.zst").write_bytes(framed(text))
    (folder / "d.pgn.zst").write_bytes(zstandard.compress(text))
    (folder / "e.pgn.zst").write_bytes(framed(text)[:-20])
    return [str(folder)]


@pytest.fixture(autouse=True)
def small_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that these files are cut into many."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 64 << 10)
    monkeypatch.setattr(batches, "STORED_BYTES", 32 << 10)


def job_in(folder: Path) -> BatchJob:
    for table in ("games", "moves"):
        (folder / table).mkdir(parents=True)
    return BatchJob(ReadSettings(), b"salt", "auto", folder)


def tables_in(folder: Path) -> Tables:
    return {
        name: sorted(pq.read_table(folder / name).to_pylist(), key=lambda row: [row[one] for one in order])
        for name, order in {"games": ["game"], "moves": ["game", "ply"]}.items()
    }


def read_here(folder: Path, sources: list[str]) -> Tables:
    list(read_batches(cut_batches(find_sources(sources), lambda _: None), job_in(folder), 1, Numbering()))
    return tables_in(folder)


def read_there(
    folder: Path,
    sources: list[str],
    workers: Local,
    disturb: Callable[[list[BatchAccount]], None] = lambda _: None,
) -> tuple[Tables, list[BatchAccount], int]:
    """The tables, what was told of each batch, and how many stored bytes."""
    outcomes: list[BatchAccount] = []
    told: list[int] = []
    with connected(workers.address) as cluster:
        found, job = find_sources(sources), job_in(folder)
        for outcome in read_on_cluster(found, job, cluster, told.append, Numbering()):
            outcomes.append(outcome)
            disturb(outcomes)
    return tables_in(folder), outcomes, sum(told)


def test_rows_are_those_of_a_reading_here(workers: Local, sources: list[str], tmp_path: Path) -> None:
    """Numbers, places, states, duplicates and moves, from whatever kind of source."""
    here = read_here(tmp_path / "here", sources)

    there, outcomes, told = read_there(tmp_path / "there", sources, workers)

    assert there == here
    assert {"kept", "duplicate", "kept to illegal move", "unreadable"} <= {
        row["state"] for row in there["games"]
    }
    assert sorted(outcome.number for outcome in outcomes) == list(range(len(outcomes)))
    assert len(outcomes) >= 10
    assert told == sum(source.size_bytes or 0 for source in find_sources(sources))


@pytest.mark.posix
def test_killed_worker_changes_nothing(own_cluster: Local, sources: list[str], tmp_path: Path) -> None:
    """What it held is read again, and written once more to the same files."""
    here = read_here(tmp_path / "here", sources)
    victim, _ = own_cluster.start_worker(), own_cluster.start_worker()

    def kill(outcomes: list[BatchAccount]) -> None:
        if len(outcomes) == 5:
            os.killpg(victim.pid, signal.SIGKILL)

    there, outcomes, _ = read_there(tmp_path / "there", sources, own_cluster, kill)

    assert victim.wait() == -signal.SIGKILL
    assert there == here
    assert sorted(outcome.number for outcome in outcomes) == list(range(len(outcomes)))


def test_an_older_copy_does_not_look_like_the_file(tmp_path: Path) -> None:
    """Workers read a file only if it is of the same size and time there; what cannot be looked at is none."""
    file, older, copy = (tmp_path / name / "club.pgn" for name in ("here", "older", "copy"))
    for one, result in ((file, "1-0"), (older, "0-1"), (copy, "1-0")):
        one.parent.mkdir()
        one.write_text(game_text("1. e4 e5", result))
        os.utime(one, ns=(0, 1_700_000_000_123_456_789 - 60_000_000_000 * (one == older)))

    here, there, same, folder, too_long = _looks([file, older, copy, tmp_path, tmp_path / ("a" * 300)])

    assert here is not None
    assert here == same != there
    assert folder is None
    assert too_long is None
