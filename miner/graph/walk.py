"""Positions and the replies that lead from one to another, transpositions merged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Ints, Keys, Moves, begins_run
from miner.board.moves import unpack_move
from miner.board.play import Boards

START_KEY = chess.polyglot.zobrist_hash(chess.Board())

_NOWHERE = -1
_BLOCK = 1 << 15  # boards at a time, so that memory does not grow with the width of a level


@dataclass(frozen=True, slots=True)
class Ways:
    """Ways from the start position to positions, the shortest first."""

    keys: Keys  # (ways,): where each ends
    firsts: Ints  # (ways + 1,): the first move of each, and the end
    moves: Moves  # (moves,): of one way after the other

    @property
    def lengths(self) -> Ints:
        """Moves of each way."""
        return np.diff(self.firsts)

    def paths(self) -> Any:
        """UCI, space-separated, as Arrow strings."""
        lists = pa.ListArray.from_arrays(pa.array(self.firsts, pa.int32()), _ucis(self.moves))
        return pc.binary_join(lists, " ")

    def boards(self) -> Boards:
        """The boards at the ends."""
        boards, ended = Boards.start().take(np.zeros_like(self.lengths)), []
        for ply in range(self.lengths.max(initial=0)):
            ends = int(np.sum(self.lengths == ply))  # they are the first of the boards
            ended.append(boards.take(np.arange(ends)))
            moves = self.moves[self.firsts[:-1][self.lengths > ply] + ply]
            boards = boards.take(np.arange(ends, len(boards))).after(moves)
        return Boards.joined([*ended, boards])


@dataclass(frozen=True, slots=True)
class Graph:
    """Tallied positions that a way is known to, ordered by key, and the tallied replies between them.

    `parent` and `child` have one number for each reply handed to `walk`: the place of the position that it
    was played in, and of the one that it leads to; -1 where that is not among the positions.
    """

    keys: Keys  # (positions,)
    plies: Ints  # (positions,): of a shortest way
    fens: Any  # Arrow strings; en passant square only where a capture is legal
    paths: Any  # Arrow strings: a shortest way, UCI, space-separated
    parent: Ints  # (replies,)
    child: Ints  # (replies,)
    child_keys: Keys  # (replies,): of the position that each leads to, tallied or not; 0: its own has no way


@dataclass(frozen=True, slots=True)
class _Replies:
    """The replies, ordered by key, and where those of each position stand."""

    keys: Keys  # (positions,)
    firsts: Ints  # (positions + 1,): the first reply of each position, and the end
    moves: Moves  # (replies,)
    games: Ints  # (replies,)

    def places(self, keys: Keys) -> Ints:
        """The places of positions by key, -1 for those that are not tallied."""
        places = np.minimum(np.searchsorted(self.keys, keys), len(self.keys) - 1)
        return np.where(self.keys[places] == keys, places, _NOWHERE)


@dataclass(frozen=True, slots=True)
class _Level:
    """Positions that are met at once for the first time; from the start they are all of one ply."""

    places: Ints  # in `_Replies.keys`
    plies: Ints
    paths: Any  # Arrow strings
    boards: Boards

    def fens(self) -> Any:
        """FENs of the positions, as Arrow strings."""
        return pa.concat_arrays([self.boards.take(rows).fens() for rows in _blocks(len(self.places))])


@dataclass(frozen=True, slots=True)
class _Found:
    """The positions that the walk has met so far, and where their replies lead."""

    is_met: npt.NDArray[np.bool_]  # (positions,)
    child_keys: Keys  # (replies,)
    child: Ints  # (replies,): place of the position that it leads to
    levels: list[tuple[Ints, Ints, Any, Any]]  # places, plies, FENs, paths


def walk(keys: Keys, moves: Moves, games: Ints, ways_of: Callable[[Keys], Ways]) -> Graph:
    """Follow the replies from the start position: shortest ways, and of those the most played.

    `keys`, `moves` and `games` tell of one reply each, ordered by key. No chain of tallied replies leads
    to some positions (each of their games came by a way of its own); `ways_of` is asked for a way to
    each of these, the shortest first. Where it knows none the position is left out.
    """
    firsts = np.flatnonzero(begins_run(keys))
    replies = _Replies(keys[firsts], np.r_[firsts, len(keys)], moves, games)
    no_numbers, no_texts = np.empty(0, dtype=np.int64), pa.array([], pa.string())
    found = _Found(
        np.zeros(len(firsts), dtype=np.bool_),
        np.zeros(len(keys), dtype=np.uint64),
        np.full(len(keys), _NOWHERE),
        [(no_numbers, no_numbers, no_texts, no_texts)],  # a level of no positions
    )
    start = np.flatnonzero(replies.keys == START_KEY)
    _follow(_Level(start, np.zeros_like(start), pa.array([""]), Boards.start()), replies, found)
    if not found.is_met.all():
        ways = ways_of(replies.keys[~found.is_met])
        ends = _Level(replies.places(ways.keys), ways.lengths, ways.paths(), ways.boards())
        _follow(ends, replies, found)
    return _graph(replies, found)


def _graph(replies: _Replies, found: _Found) -> Graph:
    places, plies, fens, paths = zip(*found.levels, strict=True)
    order = np.argsort(np.concatenate(places))
    found.levels.clear()  # they and the ordered ones together would be the most that the walk holds
    # Positions without a way have no place of their own; the last entry is for replies that lead nowhere.
    places_in_graph = np.r_[np.where(found.is_met, np.cumsum(found.is_met) - 1, _NOWHERE), _NOWHERE]
    return Graph(
        replies.keys[found.is_met],
        np.concatenate(plies)[order],
        pa.concat_arrays(fens).take(pa.array(order)),
        pa.concat_arrays(paths).take(pa.array(order)),
        np.repeat(places_in_graph[:-1], np.diff(replies.firsts)),
        places_in_graph[found.child],
        found.child_keys,
    )


def _follow(level: _Level, replies: _Replies, found: _Found) -> None:
    """Add to `found` the positions of `level` and all that replies lead to from there, ply by ply."""
    while len(level.places):
        found.is_met[level.places] = True
        found.levels.append((level.places, level.plies, level.fens(), level.paths))
        level = _next(level, replies, found)


def _next(level: _Level, replies: _Replies, found: _Found) -> _Level:
    """The positions one reply on that were not met before, each by the most played of its replies."""
    numbers, rows = spans(replies.firsts, level.places)
    for block in _blocks(len(numbers)):
        after = level.boards.take(rows[block]).after(replies.moves[numbers[block]])
        found.child_keys[numbers[block]] = after.keys
    child = replies.places(found.child_keys[numbers])
    found.child[numbers] = child
    is_new = (child != _NOWHERE) & ~found.is_met[child]
    numbers, rows, child = numbers[is_new], rows[is_new], child[is_new]
    # Stable: of equally played replies the first is taken, and positions keep the order they were met in.
    by_child = np.lexsort((-replies.games[numbers], child))
    places, met = np.unique(child, return_index=True)
    best = by_child[np.searchsorted(child[by_child], places)][np.argsort(met)]
    moves = replies.moves[numbers[best]]
    paths = pc.binary_join_element_wise(level.paths.take(pa.array(rows[best])), _ucis(moves), " ")
    return _Level(
        child[best],
        level.plies[rows[best]] + 1,
        pc.ascii_ltrim_whitespace(paths),
        level.boards.take(rows[best]).after(moves),
    )


def spans(firsts: Ints, places: Ints) -> tuple[Ints, Ints]:
    """The numbers from `firsts[place]` to before `firsts[place + 1]`, for each of the places in turn; and for
    each number, which of the places it is from.
    """
    counts = firsts[places + 1] - firsts[places]
    rows = np.repeat(np.arange(len(places)), counts)
    return np.arange(len(rows)) + (firsts[places] - np.cumsum(counts) + counts)[rows], rows


def _blocks(rows: int) -> list[Ints]:
    return np.split(np.arange(rows), range(_BLOCK, rows, _BLOCK))


def _ucis(moves: Moves) -> Any:
    """The moves in UCI; few different ones make up millions."""
    different, which = np.unique(moves, return_inverse=True)
    ucis = [unpack_move(move).uci() for move in different.tolist()]
    return pa.array(ucis, pa.string()).take(pa.array(which))


@dataclass(frozen=True, slots=True)
class Edges:
    """Positions in the order of their keys, and one edge for each reply, whatever band chose it."""

    keys: Keys  # (positions,)
    white_to_move: npt.NDArray[np.bool_]  # (positions,)
    parent: Ints  # (replies,): places of positions
    child: Ints  # (replies,): likewise; -1: it leads to no tallied position
    key: Keys  # (replies,): that of the parent
    move: Moves  # (replies,): packed; ordered by key and move
    games: Ints  # (replies,): all bands together

    @property
    def start(self) -> int:
        """The place of the start position."""
        return int(np.searchsorted(self.keys, np.uint64(START_KEY)))

    def rows(self, keys: Keys, moves: Moves) -> Ints:
        """The number of each reply, given by key and move; -1 where there is none."""
        numbers = pd.Series(np.arange(len(self.key)), pd.MultiIndex.from_arrays([self.key, self.move]))
        found = numbers.reindex(pd.MultiIndex.from_arrays([keys, moves])).fillna(-1)
        return found.to_numpy().astype(np.int64)


def edges_of(positions: pa.Table, replies: pa.Table, edges: pa.Table) -> Edges:
    """The edges of the tables `positions` (key, ply), `replies` (key, move, games) and `edges`.

    They have the same replies, but for those in `edges` at positions that no way to is known.
    """
    edges = edges.filter(pc.is_valid(edges["change"]))
    _, parent = np.unique(edges["place"].to_numpy(), return_inverse=True)
    keys, plies = positions["key"].to_numpy(), positions["ply"].to_numpy()
    key = keys[parent]
    after = pa.array(key ^ edges["change"].to_numpy())
    child = pc.fill_null(pc.index_in(after, value_set=positions["key"]), -1).to_numpy().astype(np.int64)
    games = replies.group_by(["key", "move"]).aggregate([("games", "sum")])
    games = games.sort_by([("key", "ascending"), ("move", "ascending")])["games_sum"].to_numpy()
    return Edges(keys, plies % 2 == 0, parent, child, key, edges["move"].to_numpy(), games)
