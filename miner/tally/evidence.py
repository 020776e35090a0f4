"""What a tally rests on: all rows, or an earlier tally and the rows that came after it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import duckdb
import numpy as np
import pyarrow as pa

from miner.arrays import Ints, Keys
from miner.cluster import Cluster
from miner.graph.walk import Walked, Ways
from miner.tally import replies as counting
from miner.tally.ranges import Counting
from miner.tally.rates import Choices


class Evidence(Protocol):
    """The games, as far as a tally asks for them; the answers do not depend on how they are found."""

    @property
    def parts(self) -> int:
        """Parts that the counting has."""

    def counted(self, advance: Callable[[], None]) -> pa.Table:
        """The replies at all positions above the floor, as `count_rows` tells them.

        `advance` is called after each part.
        """

    def walked(self, choices: Choices) -> Walked | None:
        """What an earlier walk found out of these replies, if there was one."""

    def ways(self, strays: Keys) -> tuple[Ways, Ints]:
        """A way to each of these positions, as far as there is one, and the game that took it."""

    def tags(self, found: Keys) -> tuple[pa.Table, pa.Table]:
        """How many games through each of these positions carry which tags, as `count_tags` tells it; and the
        commonest, as `commonest_tags` does.
        """


class Whole:
    """All rows of the store."""

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        counting_ranges: Counting,
        rows: int,
        cluster: Cluster | None,
    ) -> None:
        self._connection = connection
        self._counting = counting_ranges
        self._ranges = counting.key_ranges(rows, counting_ranges.resources.rows_per_range)
        self._cluster = cluster

    @property
    def parts(self) -> int:
        """Key ranges."""
        return len(self._ranges)

    def counted(self, advance: Callable[[], None]) -> pa.Table:
        """Counted range by range."""
        parts = []
        for part in self._counting.count(self._connection, self._ranges, self._cluster):
            parts.append(part)
            advance()
        return pa.concat_tables(parts)

    def walked(self, choices: Choices) -> Walked | None:  # noqa: ARG002 - the interface's names
        """Nothing."""
        return None

    def ways(self, strays: Keys) -> tuple[Ways, Ints]:
        """The shortest games'."""
        return ways_of(counting.ways_to(self._connection, table_of(strays)))

    def tags(self, found: Keys) -> tuple[pa.Table, pa.Table]:
        """Counted over all rows."""
        tags = counting.count_tags(self._connection, table_of(found))
        return tags, counting.commonest_tags(self._connection, tags)


def ways_of(moves: pa.Table) -> tuple[Ways, Ints]:
    """The ways that `ways_to` found, and the game that took each."""
    keys, firsts = np.unique(moves["key"].to_numpy(), return_index=True)
    ways = Ways(keys, np.r_[firsts, moves.num_rows].astype(np.int64), moves["move"].to_numpy())
    return ways, moves["game"].to_numpy()[firsts].astype(np.int64)


def table_of(keys: Keys) -> pa.Table:
    """Keys as DuckDB is asked for them."""
    return pa.table({"key": pa.array(keys, pa.uint64())})
