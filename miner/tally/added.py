"""A tally of files that came after another tally: only what they change is counted.

The sums of a reply (games, points, ratings) are what they were, and what the new rows add. Distinct players,
and each player's games squared, are not sums. But they change only for players who are in the new rows, so
the rows are counted twice over: those that these players had at the same positions before, alone and with the
new ones. The difference is what the new rows add, to every column alike.

Positions that were below the floor are counted from all their rows, which the earlier files are gone through
for, once. Nothing is rounded on the way, so that the numbers are those of a tally of all files.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags, Ints, Keys
from miner.graph.walk import Walked, Ways
from miner.schema import MOVES
from miner.settings import TallySettings
from miner.store import Manifest, Store
from miner.store.query import movers_sql
from miner.tally import replies as counting
from miner.tally.evidence import table_of, ways_of
from miner.tally.rates import Choices
from miner.terms import BandScheme

WRITTEN = ("replies", "positions", "reach", "edges", "strays", "tags")
"""The tables of a tally; of the last three only the next tally has need."""

MOST_ADDED = 0.1
"""Share of the rows counted before that the new ones may be; more are faster counted with all others."""

_SUMS_THERE = ("players_at_position", "games_squared_at_position")
_TOLD = ("games", "players", "games_unknown", "games_squared", "score_sum", *_SUMS_THERE)
_SUMS = (*_TOLD[:-2], "rating_sum")

Columns = dict[str, npt.NDArray[Any]]
_LEADING_BITS = 22


@dataclass(frozen=True, slots=True)
class Before:
    """What an earlier tally left."""

    replies: pa.Table
    positions: pa.Table
    edges: pa.Table  # with columns key and leads_to for place and change
    strays: pa.Table
    tags: pa.Table  # with a column key for row

    @classmethod
    def of(cls, store: Store) -> Before:
        """The tables in the store. Raises StoreError if one is missing or damaged."""
        replies = store.read_table("replies", ["key", "band", "move", "mean_rating", *_TOLD])
        positions = store.read_table("positions", ["key", "fen", "path", "eco", "opening"])
        strays = store.read_table("strays")
        tags = store.read_table("tags")
        return cls(
            replies,
            positions,
            _by_keys(store.read_table("edges"), positions["key"].to_numpy(), strays["key"].to_numpy()),
            strays,
            tags.set_column(0, "key", positions["key"].take(tags["row"])),
        )

    @property
    def keys(self) -> Keys:
        """Of the positions with a way, in order; only their replies are in `replies`."""
        keys: Keys = self.positions["key"].to_numpy()
        return keys

    def counted(self, bands: BandScheme) -> Columns:
        """The columns of `count_rows`, of the positions with a way."""
        games = self.replies["games"].to_numpy()
        # The mean came from whole sums far below 2^53: times the games it is next to nothing off the sum.
        rating_sum = np.rint(pc.fill_null(self.replies["mean_rating"], 0.0).to_numpy() * games)
        band = pc.index_in(self.replies["band"], value_set=pa.array(bands.names)).to_numpy()
        told = {name: self.replies[name].to_numpy() for name in ("key", "move", *_TOLD)}
        return told | {"band": band.astype(np.uint8), "rating_sum": rating_sum.astype(np.int64)}


@dataclass(frozen=True, slots=True)
class Additions:
    """Files that came after a tally of the same settings, of which all files are still as they were."""

    old_files: tuple[str, ...]  # of moves, by their paths in the store
    new_files: tuple[str, ...]

    @classmethod
    def to(
        cls, store: Store, read: Manifest, settings: dict[str, Any], inputs: dict[str, Any], min_games: int
    ) -> Additions | None:
        """Those to the store's tally; None where all must be counted: much is new, or something changed.

        `min_games` is what positions need now, which grows with the data if the settings do not say it.
        """
        tally = store.manifest("tally")
        if tally is None or not tally.rows.get("replies") or not {"files", "moves"} <= tally.facts.keys():
            return None
        was = tally.facts["files"]
        is_like = (
            tally.facts.get("min_games") == min_games
            and store.is_current("tally", settings, tally.inputs)
            and _apart(tally.inputs) == _apart(inputs)
        )
        if not is_like or any(read.digests.get(name) != digest for name, digest in was.items()):
            return None
        # Its tables tell of each other by place: one that was put in place of another would lead astray.
        if any(store.changed_files(tally)):
            return None
        old, new = (
            tuple(name for name in store.files("moves") if (name in was) == told) for told in (True, False)
        )
        counted, rows = tally.facts["moves"], read.rows["moves"]
        if not new or rows - counted > min(MOST_ADDED * counted, counting.ROWS_PER_RANGE):
            return None
        return cls(old, new)

    def evidence(self, connection: duckdb.DuckDBPyConnection, store: Store, settings: TallySettings) -> Added:
        """What the files and the store's tally tell together."""
        return Added(connection, store, self, settings)


def _apart(inputs: dict[str, Any]) -> dict[str, Any]:
    """The inputs but for what was read."""
    return {name: value for name, value in inputs.items() if name != "read"}


class Added:
    """The evidence of files that were counted before and of new ones, as that of all files together."""

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        store: Store,
        files: Additions,
        settings: TallySettings,
    ) -> None:
        self._connection = connection
        self._store = store
        self._before = Before.of(store)
        self._old_files = files.old_files
        self._bands = settings.bands
        self._min_games = settings.min_games
        self._new = pa.concat_tables([store.read_file(name, MOVES.names) for name in files.new_files])
        self._fresh = MOVES.empty_table()  # rows of the earlier files at positions that had no reply told

    @property
    def parts(self) -> int:
        """The new rows are one."""
        return 1

    def counted(self, advance: Callable[[], None]) -> pa.Table:
        """What was counted before and what the new rows change."""
        keys = self._new["key"].to_numpy()
        is_known = _is_in(keys, self._before.keys)
        new_there, new_fresh = self._new.filter(pa.array(is_known)), self._new.filter(pa.array(~is_known))
        self._connection.register("new_there", new_there)
        self._connection.execute(
            f"""create temp table pairs as
                select distinct key, player from ({movers_sql("new_there")}) where player <> 0"""  # noqa: S608
        )
        fresh_keys = np.union1d(new_fresh["key"].to_numpy(), self._without_a_way)
        old_there, self._fresh = self._scan(_Wanted.of(fresh_keys), self._pairs_before())
        self._connection.register("old_there", old_there)
        self._connection.register(
            "fresh_rows", _supported(pa.concat_tables([self._fresh, new_fresh]), self._min_games)
        )
        old = f"{_counted_columns(movers_sql('old_there'))} semi join pairs using (key, player)"
        new = _counted_columns(movers_sql("new_there"))
        before = self._count(old)
        after = self._count(f"{old} union all {new}")
        fresh = self._count(_counted_columns(movers_sql("fresh_rows")))
        advance()
        return _merged(self._before.counted(self._bands), before, after, fresh)

    def walked(self, choices: Choices) -> Walked:
        """What the earlier walk found out of these replies."""
        edges = self._before.edges.filter(pc.is_valid(self._before.edges["leads_to"]))
        row = _rows_of_replies(choices, edges["key"].to_numpy(), edges["move"].to_numpy())
        child_keys = np.zeros(len(choices.keys), dtype=np.uint64)
        child_keys[row] = edges["leads_to"].to_numpy()
        is_known = np.zeros(len(choices.keys), dtype=np.bool_)
        is_known[row] = True
        positions = self._before.positions
        return Walked(
            child_keys,
            is_known,
            self._before.keys,
            positions["fen"].combine_chunks(),
            positions["path"].combine_chunks(),
        )

    def ways(self, strays: Keys) -> tuple[Ways, Ints]:
        """A way to each of these positions, as far as one is known; and the game that took it."""
        was_stray = _is_in(strays, self._before.strays["key"].to_numpy())
        self._connection.register("new_rows", self._new)
        found = [
            self._old_ways(strays),
            ways_of(counting.ways_to(self._connection, table_of(strays[was_stray]), "new_rows")),
        ]
        if not was_stray.all():
            found.append(ways_of(counting.ways_to(self._connection, table_of(strays[~was_stray]))))
        return _shortest(found)

    def tags(self, found: Keys) -> tuple[pa.Table, pa.Table]:
        """Those from before with what the new rows add, at the positions that they touch."""
        self._connection.register("rows_to_tag", pa.concat_tables([self._fresh, self._new]))
        new = counting.count_tags(self._connection, table_of(found), "rows_to_tag")
        keys = first_of_each(new["key"].to_numpy())
        same, touched = _parted(self._before.tags, keys)
        self._connection.register("tags", pa.concat_tables([touched, new.cast(touched.schema)]))
        changed = self._connection.sql(
            "select key, eco, opening, sum(games)::bigint as games from tags group by all order by all"
        ).to_arrow_table()
        names = self._before.positions.select(["key", "eco", "opening"])
        same_names, _ = _parted(names.filter(_is_named(names)), keys)
        changed_names = counting.commonest_tags(self._connection, changed)
        return by_key([same, changed.cast(same.schema)]), by_key(
            [same_names, changed_names.cast(names.schema)]
        )

    @property
    def _without_a_way(self) -> Keys:
        """Positions above the floor of which the earlier tally knew no way: their replies are not told."""
        of_all = first_of_each(self._before.edges["key"].to_numpy())
        return of_all[~_is_in(of_all, self._before.keys)]

    def _old_ways(self, strays: Keys) -> tuple[Ways, Ints]:
        """The ways that strays had before; each is the path of its position."""
        before = self._before.strays.filter(pc.is_valid(self._before.strays["game"]))
        before = before.filter(pa.array(_is_in(before["key"].to_numpy(), strays)))
        keys = before["key"].to_numpy()
        paths = self._before.positions["path"].take(pa.array(np.searchsorted(self._before.keys, keys)))
        return Ways.along(keys, paths.combine_chunks()), before["game"].to_numpy().astype(np.int64)

    def _count(self, by_mover: str) -> pa.Table:
        return counting.count_rows(self._connection, by_mover, self._bands)

    def _pairs_before(self) -> _Pairs | None:
        """The pairs of position and player in the new rows, if any of the players has games from before."""
        self._connection.register("new_games", pa.table({"game": self._new["game"].unique()}))
        found = self._connection.sql(
            """
            with players as (select distinct player from pairs),
            old as (from games anti join new_games using (game)),
            sides as (
                select game::bigint * 2 as side, white_player as player from old
                union all select game::bigint * 2 + 1, black_player from old
            )
            select side, player from sides semi join players using (player)
            """
        ).fetchnumpy()
        if not len(found["side"]):
            return None
        pairs = self._connection.sql("from pairs").fetchnumpy()
        return _Pairs.of(found["side"].astype(np.int64), found["player"], pairs["key"], pairs["player"])

    def _scan(self, fresh: _Wanted, pairs: _Pairs | None) -> tuple[pa.Table, pa.Table]:
        """Rows of the earlier files: those that may be of the pairs, and those at the fresh positions."""
        there, at_fresh = [MOVES.empty_table()], [MOVES.empty_table()]
        for file in self._old_files:
            rows = self._store.read_file(file, MOVES.names)
            told = {name: rows[name].to_numpy() for name in MOVES.names}
            at_fresh.append(_chosen(told, fresh.rows_in(told["key"])))
            if pairs is not None:
                there.append(_chosen(told, pairs.rows_in(told["key"], told["game"], told["ply"])))
        return pa.concat_tables(there), pa.concat_tables(at_fresh)


def _by_keys(edges: pa.Table, positions: Keys, strays: Keys) -> pa.Table:
    """The edges with the keys that they lead from and to."""
    key = pa.array(np.union1d(positions, strays)[edges["place"].to_numpy()])
    leads_to = pc.bit_wise_xor(key, edges["change"].combine_chunks())
    return pa.table({"key": key, "move": edges["move"], "leads_to": leads_to})


def first_of_each(ordered: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The different values of an ordered array."""
    found: npt.NDArray[Any] = ordered[np.r_[True, ordered[1:] != ordered[:-1]][: len(ordered)]]
    return found


def by_key(tables: Sequence[pa.Table]) -> pa.Table:
    """The rows of tables that have no key in common and are ordered by it, in that order."""
    joined = pa.concat_tables(tables)
    return joined.take(pa.array(np.argsort(joined["key"].to_numpy(), kind="stable")))


def _parted(table: pa.Table, keys: Keys) -> tuple[pa.Table, pa.Table]:
    """The rows that have none of the keys, and those that have one."""
    has_one = pa.array(_is_in(table["key"].to_numpy(), keys))
    return table.filter(pc.invert(has_one)), table.filter(has_one)


def _is_named(positions: pa.Table) -> pa.ChunkedArray:
    return pc.or_(pc.not_equal(positions["eco"], ""), pc.not_equal(positions["opening"], ""))


def _chosen(rows: Columns, at: Ints) -> pa.Table:
    return pa.table({name: column[at] for name, column in rows.items()}, schema=MOVES)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Keys that rows are looked for by."""

    keys: Keys  # in order
    leading: Flags  # for each value of the leading bits, whether a key begins with them

    @classmethod
    def of(cls, keys: Keys) -> _Wanted:
        leading = np.zeros(1 << _LEADING_BITS, dtype=np.bool_)
        leading[_leading(keys)] = True
        return cls(keys, leading)

    def rows_in(self, keys: Keys) -> Ints:
        """The rows that have one of the keys."""
        rows = np.flatnonzero(self.leading.take(_leading(keys)))
        return rows[_is_in(keys[rows], self.keys)]


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Pairs of position and player that rows are looked for by."""

    player_of: npt.NDArray[np.uint32]  # by twice the game, plus one for Black; 0: not one of the pairs'
    mixed: Flags  # for each value of the leading bits of key and player mixed, whether a pair has it

    @classmethod
    def of(
        cls, sides: Ints, players: npt.NDArray[np.uint32], keys: Keys, players_there: npt.NDArray[np.uint32]
    ) -> _Pairs:
        player_of = np.zeros(int(sides.max()) + 2, dtype=np.uint32)
        player_of[sides] = players
        mixed = np.zeros(1 << _LEADING_BITS, dtype=np.bool_)
        mixed[_leading(_mix(keys, players_there))] = True
        return cls(player_of, mixed)

    def rows_in(self, keys: Keys, games: npt.NDArray[np.uint32], plies: npt.NDArray[np.uint8]) -> Ints:
        """The rows that have one of the pairs, and a few others."""
        sides = np.minimum(games.astype(np.intp) * 2 + (plies & 1), len(self.player_of) - 1)
        players = self.player_of.take(sides)
        rows = np.flatnonzero(players)
        return rows[self.mixed[_leading(_mix(keys[rows], players[rows]))]]


def _shortest(found: Sequence[tuple[Ways, Ints]]) -> tuple[Ways, Ints]:
    """The shortest way to each position; of equal ones that of the first game."""
    lengths = np.concatenate([ways.lengths for ways, _ in found])
    all_ways = Ways(
        np.concatenate([ways.keys for ways, _ in found]),
        np.r_[0, np.cumsum(lengths)],
        np.concatenate([ways.moves for ways, _ in found]),
    )
    games = np.concatenate([game for _, game in found])
    order = np.lexsort((games, lengths, all_ways.keys))
    _, firsts = np.unique(all_ways.keys[order], return_index=True)
    best = order[firsts]
    return all_ways.take(best), games[best]


def _counted_columns(movers: str) -> str:
    return f"select key, move, player, rating, score from ({movers})"  # noqa: S608 - text of our own


def _is_in(keys: npt.NDArray[Any], ordered: npt.NDArray[Any]) -> Flags:
    if not len(ordered):
        return np.zeros(len(keys), dtype=np.bool_)
    found: Flags = ordered[np.minimum(np.searchsorted(ordered, keys), len(ordered) - 1)] == keys
    return found


def _leading(keys: Keys) -> Ints:
    return (keys >> np.uint64(64 - _LEADING_BITS)).astype(np.intp)


def _mix(keys: Keys, players: npt.NDArray[np.uint32]) -> Keys:
    return keys ^ (players.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15))


def _supported(rows: pa.Table, min_games: int) -> pa.Table:
    """The rows at positions that have so many of them."""
    _, place, games = np.unique(rows["key"].to_numpy(), return_inverse=True, return_counts=True)
    return rows.filter(pa.array(games[place] >= min_games))


def _rows_of_replies(choices: Choices, keys: Keys, moves: npt.NDArray[np.uint16]) -> Ints:
    """The places of replies among the choices, which must hold them."""
    positions = first_of_each(choices.keys)
    ours = np.searchsorted(positions, choices.keys) << 16 | choices.moves
    return np.searchsorted(ours, np.searchsorted(positions, keys) << 16 | moves)


def _merged(earlier: Columns, before: pa.Table, after: pa.Table, fresh: pa.Table) -> pa.Table:
    """The earlier counts with what is in `after` beyond `before`, and with the positions in `fresh`."""
    names = ["key", "move", "band", *_SUMS, *_SUMS_THERE]
    more, less = ({name: table[name].to_numpy().copy() for name in names} for table in (after, before))
    new = {name: fresh[name].to_numpy() for name in names}
    keys = np.union1d(first_of_each(earlier["key"]), new["key"])
    of_reply, of_cell = (
        [_number(keys, told, with_move=with_move) for told in (earlier, more, less)]
        for with_move in (True, False)
    )
    # Each row of `less` has its like in `more`, whose players it is about.
    at = np.searchsorted(of_reply[1], of_reply[2])
    for name in _SUMS:
        more[name][at] -= less[name]
    cells, firsts = np.unique(of_cell[1], return_index=True)
    cells_less, firsts_less = np.unique(of_cell[2], return_index=True)
    is_new = ~_is_in(of_reply[1], of_reply[0])
    rows = np.searchsorted(of_reply[0], of_reply[1][~is_new])
    told = {name: earlier[name].copy() for name in names}
    for name in _SUMS:
        told[name][rows] += more[name][~is_new]
    told = {name: np.concatenate([told[name], more[name][is_new]]) for name in names}
    number = np.concatenate([of_reply[0], of_reply[1][is_new]])
    cell = np.concatenate([of_cell[0], of_cell[1][is_new]])
    touched = np.flatnonzero(_is_in(cell, cells))
    old_cells, old_firsts = np.unique(of_cell[0][touched[touched < len(of_cell[0])]], return_index=True)
    old_firsts = touched[old_firsts]
    for name in _SUMS_THERE:
        sums = more[name][firsts]
        sums[np.searchsorted(cells, cells_less)] -= less[name][firsts_less]
        there = _is_in(cells, old_cells)
        sums[there] += earlier[name][old_firsts[np.searchsorted(old_cells, cells[there])]]
        told[name][touched] = sums[np.searchsorted(cells, cell[touched])]
    order = np.argsort(np.r_[number, _number(keys, new, with_move=True)], kind="stable")
    return pa.table(
        {name: np.concatenate([column, new[name]])[order] for name, column in told.items()},
        schema=after.select(names).schema,
    )


def _number(keys: Keys, told: Columns, *, with_move: bool) -> Ints:
    """A number for each reply in a band, or for each position and band, in the order of the rows."""
    place = np.searchsorted(keys, told["key"])
    number: Ints = (place << 16 | (told["move"] if with_move else 0)) << 8 | told["band"]
    return number
