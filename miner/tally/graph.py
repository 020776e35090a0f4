"""Positions and the replies that lead from one to another, transpositions merged."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.board.lines import pack, unpack_move
from miner.board.play import Boards

START_KEY = chess.polyglot.zobrist_hash(chess.Board())

_NOWHERE = -1
_BLOCK = 1 << 15  # boards at a time, so that memory does not grow with the width of a level

Ints = npt.NDArray[np.int64]
Moves = npt.NDArray[np.uint16]
Ways = Mapping[int, Sequence[chess.Move]]


@dataclass(frozen=True, slots=True)
class Graph:
    """Tallied positions that a way is known to, ordered by key, and the tallied replies between them.

    `parent` and `child` have one number for each reply handed to `walk`: the place of the position that it
    was played in, and of the one that it leads to; -1 where that is not among the positions.
    """

    keys: npt.NDArray[np.uint64]  # (positions,)
    plies: Ints  # (positions,): of a shortest way
    fens: Any  # Arrow strings; en passant square only where a capture is legal
    paths: Any  # Arrow strings: a shortest way, UCI, space-separated
    parent: Ints  # (replies,)
    child: Ints  # (replies,)


@dataclass(frozen=True, slots=True)
class _Replies:
    """The replies, ordered by key, and where those of each position stand."""

    keys: npt.NDArray[np.uint64]  # (positions,)
    firsts: Ints  # (positions + 1,): the first reply of each position, and the end
    moves: Moves  # (replies,)
    games: Ints  # (replies,)

    def places(self, keys: npt.NDArray[np.uint64]) -> Ints:
        """The places of positions by key, -1 for those that are not tallied."""
        places = np.minimum(np.searchsorted(self.keys, keys), len(self.keys) - 1)
        return np.where(self.keys[places] == keys, places, _NOWHERE)

    def at(self, places: Ints) -> tuple[Ints, Ints]:
        """The numbers of all replies at these places in turn, and which of the places each is from."""
        firsts, counts = self.firsts[places], self.firsts[places + 1] - self.firsts[places]
        rows = np.repeat(np.arange(len(places)), counts)
        before = np.cumsum(counts) - counts
        return np.arange(len(rows)) + (firsts - before)[rows], rows


@dataclass(frozen=True, slots=True)
class _Level:
    """Positions that are met at once for the first time; from the start they are all of one ply."""

    places: Ints  # in `_Replies.keys`
    boards: Boards
    paths: Any  # Arrow strings


@dataclass(slots=True)
class _Found:
    """What the walk has met so far."""

    is_met: npt.NDArray[np.bool_]  # (positions,)
    child: Ints  # (replies,): place of the position that it leads to
    levels: list[tuple[Ints, Ints, Any, Any]]  # places, plies, FENs, paths


def walk(
    keys: npt.NDArray[np.uint64], moves: Moves, games: Ints, ways_of: Callable[[set[int]], Ways]
) -> Graph:
    """Follow the replies from the start position: shortest ways, and of those the most played.

    `keys`, `moves` and `games` tell of one reply each, ordered by key. No chain of tallied replies leads
    to some positions (each of their games came by a way of its own); `ways_of` is asked for a way to
    each of these. Where it knows none the position is left out.
    """
    firsts = np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]][: len(keys)])
    replies = _Replies(keys[firsts], np.r_[firsts, len(keys)], moves, games)
    found = _Found(np.zeros(len(firsts), dtype=np.bool_), np.full(len(keys), _NOWHERE), [])
    start = np.flatnonzero(replies.keys == START_KEY)
    if len(start):
        _follow_all(_Level(start, Boards.start(), pa.array([""])), replies, found)
    strays = replies.keys[~found.is_met]
    ways = ways_of(set(strays.tolist())) if len(strays) else {}
    if ways:
        _follow_all(_ends(ways, replies), replies, found)
    return _graph(replies, found)


def _graph(replies: _Replies, found: _Found) -> Graph:
    """What was found, in the order of the keys."""
    empty = (np.empty(0, dtype=np.int64),) * 2 + (pa.array([], pa.string()),) * 2
    places, plies, fens, paths = zip(*(found.levels or [empty]), strict=True)
    order = np.argsort(np.concatenate(places))
    found.levels.clear()  # they and the ordered ones together would be the most that the walk holds
    # Positions without a way have no place of their own; the last entry is for what leads nowhere.
    places_in_graph = np.r_[np.where(found.is_met, np.cumsum(found.is_met) - 1, _NOWHERE), _NOWHERE]
    return Graph(
        replies.keys[found.is_met],
        np.concatenate(plies)[order],
        pa.concat_arrays(fens).take(pa.array(order)),
        pa.concat_arrays(paths).take(pa.array(order)),
        np.repeat(places_in_graph[:-1], np.diff(replies.firsts)),
        places_in_graph[found.child],
    )


def _follow_all(level: _Level, replies: _Replies, found: _Found) -> None:
    """Add to `found` what can be reached from `level`, ply by ply, and note where each reply leads."""
    while len(level.places):
        found.is_met[level.places] = True
        plies = level.boards.plies.astype(np.int64)
        found.levels.append((level.places, plies, _fens(level.boards), level.paths))
        level = _next(level, replies, found)


def _next(level: _Level, replies: _Replies, found: _Found) -> _Level:
    """The positions one reply on that were not met before, each by the most played of its replies."""
    numbers, rows = replies.at(level.places)
    for block in _blocks(len(numbers)):
        after = level.boards.take(rows[block]).after(replies.moves[numbers[block]])
        found.child[numbers[block]] = replies.places(after.keys)
    child = found.child[numbers]
    is_new = (child != _NOWHERE) & ~found.is_met[child]
    numbers, rows, child = numbers[is_new], rows[is_new], child[is_new]
    # Stable: of equally played replies the first is taken, and positions keep the order they were met in.
    by_child = np.lexsort((-replies.games[numbers], child))
    places, met = np.unique(child, return_index=True)
    best = by_child[np.searchsorted(child[by_child], places)]
    order = np.argsort(met)
    places, best = places[order], best[order]
    moves = replies.moves[numbers[best]]
    paths = pc.binary_join_element_wise(level.paths.take(pa.array(rows[best])), _ucis(moves), " ")
    boards = level.boards.take(rows[best]).after(moves)
    return _Level(places, boards, pc.ascii_ltrim_whitespace(paths))


def _ends(ways: Ways, replies: _Replies) -> _Level:
    """The positions at the ends of ways from the start, the shortest first."""
    ordered = sorted(ways.items(), key=lambda item: (len(item[1]), item[0]))
    boards, parts = Boards.start().take(np.zeros(len(ordered), dtype=np.int64)), []
    going = [[pack(move) for move in way] for _, way in ordered]
    for ply in range(len(going[-1])):
        done = sum(len(way) == ply for way in going)
        parts.append(boards.take(np.arange(done)))
        going = going[done:]
        moves = np.array([way[ply] for way in going], dtype=np.uint16)
        boards = boards.take(np.arange(done, len(boards))).after(moves)
    paths = [" ".join(move.uci() for move in way) for _, way in ordered]
    places = replies.places(np.array([key for key, _ in ordered], dtype=np.uint64))
    return _Level(places, Boards.joined([*parts, boards]), pa.array(paths, pa.string()))


def _blocks(rows: int) -> list[slice]:
    return [slice(first, first + _BLOCK) for first in range(0, rows, _BLOCK)]


def _fens(boards: Boards) -> Any:
    rows = np.arange(len(boards))
    return pa.concat_arrays([boards.take(rows[block]).fens() for block in _blocks(len(boards))])


def _ucis(moves: Moves) -> Any:
    """The moves in UCI; few different ones make up millions."""
    different, which = np.unique(moves, return_inverse=True)
    ucis = [unpack_move(move).uci() for move in different.tolist()]
    return pa.array(ucis, pa.string()).take(pa.array(which))
