"""The replies of one key range after the other: counted here, or by the workers of a cluster."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import pyarrow as pa

from miner.cluster import Cluster
from miner.errors import StoreError
from miner.store.change import UNFINISHED
from miner.store.places import Location, brought_near
from miner.store.query import FAILURES, Movers, Resources, connected_to_games
from miner.tally.replies import count_replies
from miner.terms import BandScheme


@dataclass(frozen=True, kw_only=True, slots=True)
class Counting:
    """How to count the replies of any key range, here or on a worker, who must see the same folders."""

    moves: Location
    games: Location
    movers: Location  # a file of this machine that is filled first of all
    bands: BandScheme
    min_games: int
    resources: Resources

    def count(
        self,
        connection: duckdb.DuckDBPyConnection,
        ranges: Sequence[tuple[int, int]],
        cluster: Cluster | None,
    ) -> Iterator[pa.Table]:
        """The replies of each range, in order; see `count_replies`.

        A `connection` counts here, by the resources that it was made with. Of a `cluster` each thread counts
        a range at a time, with a connection of its own.
        """
        assert isinstance(self.movers, Path)
        movers = Movers.fill(connection, self.movers)
        if cluster is None:
            for keys in ranges:
                yield count_replies(connection, keys, self.bands, self.min_games, movers)
            return
        with cluster.cluster_tasks() as cluster_tasks, self._with_movers_for_all(self.movers) as counting:
            yield from cluster_tasks.in_order(count_range, ranges, counting, about="the tally")

    @contextmanager
    def _with_movers_for_all(self, filled: Path) -> Iterator[Counting]:
        """The same with the movers' file where every worker sees it: beside the moves."""
        if isinstance(self.moves, Path):
            yield self
            return
        there = self.moves.parent / f".movers{UNFINISHED}"
        there.put(filled)
        try:
            yield replace(self, movers=there)
        finally:
            there.unlink(missing_ok=True)


def count_range(keys: tuple[int, int], counting: Counting) -> pa.Table:
    """The replies of a key range, counted by one thread of a worker.

    Raises StoreError if that fails.
    """
    try:
        with (
            tempfile.TemporaryDirectory(prefix="miner-") as spill,
            connected_to_games(
                counting.moves, counting.games, Path(spill), replace(counting.resources, threads=1)
            ) as connection,
        ):
            movers = Movers(brought_near(counting.movers, Path(spill)))
            return count_replies(connection, keys, counting.bands, counting.min_games, movers)
    except (*FAILURES, OSError) as error:
        raise StoreError(
            f"a worker's part of the tally failed: {error}",
            advice="check the space on its disk, or give it more memory (--memory)",
        ) from error
