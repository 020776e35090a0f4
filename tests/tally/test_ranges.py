"""Tests of counting key ranges: by the workers of a real cluster as on this machine."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from miner.cluster import connected
from miner.errors import StoreError
from miner.settings import TallySettings
from miner.store import Store
from miner.store.query import FAILURES, Resources, connected_to_games
from miner.tally.ranges import Counting, count_range
from miner.tally.replies import key_ranges
from tests.clusters import Local
from tests.stores import Game, read_store

GAMES = [
    Game(moves=moves, white=name, white_rating=rating)
    for moves in ("e4 e5 Nf3 Nc6 Bb5", "e4 c5 Nf3 d6 d4", "d4 d5 c4 e6 Nc3")
    for name, rating in (("Anna", 900), ("Bert", 1100), ("Carl", 1900))
]


def counting_of(store: Store, folder: Path) -> Counting:
    return Counting(
        moves=store.path("moves"),
        games=store.path("games"),
        movers=folder / "spill" / "movers",
        bands=TallySettings().bands,
        min_games=1,
        resources=Resources(memory_mb=256, threads=1),
    )


def test_ranges_counted_by_a_cluster_are_those_counted_here(workers: Local, tmp_path: Path) -> None:
    """Range by range the same rows in the same order."""
    store = read_store(tmp_path / "store", GAMES)
    counting, ranges = counting_of(store, tmp_path), key_ranges(8, rows_per_range=1)

    with (
        connected_to_games(
            store.path("moves"), store.path("games"), tmp_path / "spill", Resources()
        ) as connection,
        connected(workers.address) as cluster,
    ):
        here = list(counting.count(connection, ranges, None))
        there = list(counting.count(connection, ranges, cluster))

    assert here == there
    assert len(there) == 8
    assert sum(part["games"].to_numpy().sum() for part in there) == 5 * len(GAMES)


def test_worker_says_why_it_cannot_count(tmp_path: Path) -> None:
    """A damaged file is an error with advice, not DuckDB's own."""
    store = read_store(tmp_path / "store", GAMES)
    counting = counting_of(store, tmp_path)
    with connected_to_games(
        store.path("moves"), store.path("games"), tmp_path / "spill", Resources()
    ) as connection:
        next(counting.count(connection, key_ranges(1), None))
        assert isinstance(counting.moves, Path)
        for file in counting.moves.glob("*.parquet"):
            file.write_bytes(file.read_bytes()[:-40])

        with pytest.raises(StoreError, match=r"a worker's part of the tally failed: .*; check the space"):
            count_range(key_ranges(1)[0], counting)


def test_failures_of_duckdb_are_expected_ones() -> None:
    """A wrong statement is no failure of the disk."""
    assert not issubclass(duckdb.ParserException, FAILURES)
