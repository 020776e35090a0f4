"""Replies counted per position, band and move by DuckDB, one key range at a time, here or on a cluster."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa

from miner.arrays import Keys
from miner.cluster import Cluster
from miner.errors import StoreError
from miner.graph.walk import Ways
from miner.store.change import UNFINISHED
from miner.store.places import Location, brought_near
from miner.store.query import (
    FAILURES,
    UNPACKED_SQL,
    Movers,
    Resources,
    band_sql,
    connected_to_games,
    parquet,
)
from miner.terms import BandScheme

ROWS_PER_RANGE = 8_000_000
"""Move rows that are grouped at once in 1 GB; more rows mean more key ranges, not more memory."""

_RANGE_MB = 1024  # in which so many are grouped without spilling much

KEY_SPACE = 1 << 64

# Of rows with a player's games each; those of players who are not known stand under one player, 0.
_PLAYERS = "count(*) filter (player <> 0)"
_SQUARED = "sum(case when player = 0 then games else games * games end)::double"


def rows_per_range(memory_mb: int) -> int:
    """Move rows that are grouped at once: twice as many in twice the memory.

    Each range looks into all files, so that many ranges of many files take longer than the rows do.
    """
    return ROWS_PER_RANGE * max(1, memory_mb // _RANGE_MB)


def key_ranges(rows: int, rows_per_range: int = ROWS_PER_RANGE) -> list[tuple[int, int]]:
    """Equal ranges of keys, first and last key included, each of about `rows_per_range` of the rows.

    >>> [hex(low) for low, high in key_ranges(30, rows_per_range=8)]
    ['0x0', '0x4000000000000000', '0x8000000000000000', '0xc000000000000000']
    """
    wanted = max(1, -(-rows // rows_per_range))
    ranges = 1 << (wanted - 1).bit_length()
    width = KEY_SPACE // ranges
    return [(number * width, (number + 1) * width - 1) for number in range(ranges)]


def count_replies(
    connection: duckdb.DuckDBPyConnection,
    keys: tuple[int, int],
    bands: BandScheme,
    min_games: int,
    movers: Movers,
    known: Location | None = None,
) -> pa.Table:
    """Replies at the positions of a key range with `min_games` games or more, all bands together.

    Positions of the table `known` (of another store) count with fewer games, too.

    Columns: key, move, band (place in `bands.names`), games, players, games_unknown, games_squared,
    score_sum, rating_sum, players_at_position, games_squared_at_position; ordered by key, move, band.
    A game of a player who is not known counts as one of another player in the squares.
    """
    also = ""
    if known is not None:
        parquet(connection, known).create_view("known", replace=True)
        also = "union all select key from known where key between $low and $high"
    rows = connection.sql(
        f"""
        with inside as (select key, move, game, ply from moves where key between $low and $high),
        supported as (select key from inside group by key having count(*) >= $min_games {also})
        select * from inside semi join supported using (key)
        """,  # noqa: S608 - text of our own
        params={"low": keys[0], "high": keys[1], "min_games": min_games},
    ).to_arrow_table()
    mover = movers.of(rows["game"].to_numpy(), rows["ply"].to_numpy())
    connection.register("chosen_moves", rows.select(["key", "move"]).append_column("mover", pa.array(mover)))
    return _grouped(connection, bands)


def _grouped(connection: duckdb.DuckDBPyConnection, bands: BandScheme) -> pa.Table:
    """The rows of the view `chosen_moves` (key, move, mover), counted by reply and band."""
    # Grouped by player first: distinct players are then counted by rows, which can spill, not by sets, which
    # cannot.
    return connection.sql(
        f"""
        with by_mover as (select key, move, {UNPACKED_SQL} from chosen_moves),
        by_player as (
            select key, move, ({band_sql(bands)})::utinyint as band, player, count(*) as games,
                   sum(score)::bigint as half_points, sum(rating)::bigint as rating_sum
            from by_mover group by all
        ),
        chosen as (
            select key, band, move, {_PLAYERS} as players, {_SQUARED} as games_squared,
                   sum(games)::bigint as games,
                   coalesce(sum(games) filter (player = 0), 0)::bigint as games_unknown,
                   sum(half_points)::bigint / 2.0 as score_sum, sum(rating_sum)::bigint as rating_sum
            from by_player group by key, move, band
        ),
        present as (select key, band, player, sum(games) as games from by_player group by all),
        there as (
            select key, band, {_PLAYERS} as players_at_position, {_SQUARED} as games_squared_at_position
            from present group by key, band
        )
        select * from chosen join there using (key, band) order by key, move, band
        """  # noqa: S608 - built from numbers of our own
    ).to_arrow_table()


def games_per_band(connection: duckdb.DuckDBPyConnection, bands: BandScheme) -> pa.Table:
    """Games of each band with each colour: columns ply (0 White, 1 Black), band (place), games."""
    return connection.sql(
        f"""
        with sides as (
            select 0 as ply, white_rating as rating from games where plies > 0
            union all select 1, black_rating from games where plies > 1
        )
        select ply, ({band_sql(bands)})::utinyint as band, count(*) as games from sides group by all
        """  # noqa: S608 - built from numbers of our own
    ).to_arrow_table()


def commonest_names(connection: duckdb.DuckDBPyConnection, keys: Keys) -> pa.Table:
    """The commonest ECO tag and opening name of the games through each of these positions.

    Columns: key, eco, opening; ordered by key. Of equally common ones the first by alphabet is taken.
    Positions whose games carry neither are left out.
    """
    connection.register("wanted", pa.table({"key": keys}))
    # By number: of few names, and millions of rows.
    connection.execute(
        """
        create or replace temp table names as
            select row_number() over (order by eco, opening) as name, eco, opening
            from (select distinct eco, opening from games where eco <> '' or opening <> '');
        create or replace temp table named as select game, name from games join names using (eco, opening)
        """
    )
    commonest = """select key, {0} from counted where {0} <> '' group by key, {0}
                   qualify row_number() over (partition by key order by sum(games) desc, {0}) = 1"""
    # All positions at once: range by range, the games would be gone through again for each.
    return connection.sql(
        f"""
        with by_number as (
            select key, name, count(*) as games
            from moves semi join wanted using (key) join named using (game) group by key, name
        ),
        counted as materialized (
            select key, eco, opening, games from by_number join names using (name)
        ),
        by_eco as ({commonest.format("eco")}),
        by_opening as ({commonest.format("opening")})
        select key, coalesce(eco, '') as eco, coalesce(opening, '') as opening
        from by_eco full join by_opening using (key) order by key
        """  # noqa: S608 - built from columns of our own
    ).to_arrow_table()


def ways_to(connection: duckdb.DuckDBPyConnection, keys: Keys) -> Ways:
    """A way to each of these positions, the shortest first: that of a shortest game that came there.

    A game that met a position twice on its way lacks a row for the second visit; such games are passed over,
    and positions that have no others are left out.
    """
    connection.register("wanted", pa.table({"key": keys}))
    found = connection.sql(
        """
        with passing as (select key, game, ply from moves semi join wanted using (key)),
        whole as (
            select p.key, p.game, p.ply from passing p join moves m on m.game = p.game and m.ply < p.ply
            group by all having count(*) = p.ply
        ),
        chosen as (select key, arg_min(game, (ply, game)) as game, min(ply) as length from whole group by key)
        select c.key, m.ply, m.move
        from chosen c join moves m on m.game = c.game and m.ply < c.length
        order by c.length, c.key, m.ply
        """
    ).fetchnumpy()
    firsts = np.flatnonzero(found["ply"] == 0)
    return Ways(found["key"][firsts], np.r_[firsts, len(found["key"])], found["move"])


@dataclass(frozen=True, kw_only=True, slots=True)
class Counting:
    """How to count the replies of any key range, here or on a worker, who must see the same folders."""

    moves: Location
    games: Location
    movers: Location  # a file of this machine that is filled first of all
    bands: BandScheme
    min_games: int
    resources: Resources
    known: Location | None = None  # positions that are counted in any case

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
        with Movers.fill(connection, self.movers) as movers:
            if cluster is None:
                for keys in ranges:
                    yield count_replies(connection, keys, self.bands, self.min_games, movers, self.known)
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
            Movers(brought_near(counting.movers, Path(spill))) as movers,
        ):
            return count_replies(connection, keys, counting.bands, counting.min_games, movers, counting.known)
    except (*FAILURES, OSError) as error:
        raise StoreError(
            f"a worker's part of the tally failed: {error}",
            advice="check the space on its disk, or give it more memory (--memory)",
        ) from error
