"""Positions and the replies that lead from one to another, transpositions merged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Ints, Keys, Moves
from miner.board.moves import pack, unpack_move
from miner.board.play import Boards

START_KEY = chess.polyglot.zobrist_hash(chess.Board())

_NOWHERE = -1
_BLOCK = 1 << 15  # boards at a time, so that memory does not grow with the width of a level


@dataclass(frozen=True, slots=True)
class Ways:
    """Ways from the start position to positions."""

    keys: Keys  # (ways,): where each ends
    firsts: Ints  # (ways + 1,): the first move of each, and the end
    moves: Moves  # (moves,): of one way after the other

    @classmethod
    def along(cls, keys: Keys, paths: Any) -> Ways:
        """Those of paths as Arrow strings: UCI, space-separated."""
        lists = pc.split_pattern(paths, " ")
        ucis = lists.flatten().dictionary_encode()
        # The path to the start position is empty, which splits into one empty move.
        coded = [pack(chess.Move.from_uci(uci)) if uci else 0 for uci in ucis.dictionary.to_pylist()]
        moves = np.array(coded, dtype=np.uint16)[ucis.indices.to_numpy()]
        lengths = pc.list_value_length(lists).to_numpy().astype(np.int64)
        is_start = np.asarray(pc.equal(paths, "").to_numpy(zero_copy_only=False), dtype=np.bool_)
        return cls(
            keys, np.r_[0, np.cumsum(np.where(is_start, 0, lengths))], moves[~np.repeat(is_start, lengths)]
        )

    @property
    def lengths(self) -> Ints:
        """Moves of each way."""
        return np.diff(self.firsts)

    def take(self, rows: Ints) -> Ways:
        """These ways, in this order."""
        lengths = self.lengths[rows]
        firsts = np.r_[0, np.cumsum(lengths)]
        moves = np.arange(firsts[-1]) + np.repeat(self.firsts[rows] - firsts[:-1], lengths)
        return Ways(self.keys[rows], firsts, self.moves[moves])

    def paths(self) -> Any:
        """UCI, space-separated, as Arrow strings."""
        lists = pa.ListArray.from_arrays(pa.array(self.firsts, pa.int32()), _ucis(self.moves))
        return pc.binary_join(lists, " ")

    def boards(self) -> Boards:
        """The boards at the ends, in the order of the ways."""
        order = np.argsort(self.lengths, kind="stable")
        firsts, lengths = self.firsts[order], self.lengths[order]
        boards, parts = Boards.start().take(np.zeros(len(order), dtype=np.int64)), []
        for ply in range(int(lengths[-1]) if len(lengths) else 0):
            ended = int(np.searchsorted(lengths, ply, side="right"))
            here = ended - (len(order) - len(boards))
            parts.append(boards.take(np.arange(here)))
            boards = boards.take(np.arange(here, len(boards))).after(self.moves[firsts[ended:] + ply])
        return Boards.joined([*parts, boards]).take(np.argsort(order))


@dataclass(frozen=True, slots=True)
class Walked:
    """What an earlier walk found out, so that it need not be found out again."""

    child_keys: Keys  # (replies,): of those handed to `walk`, the key of the position that each leads to
    is_known: npt.NDArray[np.bool_]  # (replies,): whether that is known
    keys: Keys  # (positions before,), in order
    fens: Any  # Arrow strings, one for each of `keys`
    paths: Any  # likewise


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
    strays: Keys  # positions that no chain of tallied replies leads to from the start, in order


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
    plies: Ints
    paths: Any  # Arrow strings
    boards: Boards | None  # None: made from the paths where they are wanted

    def boards_at(self, rows: Ints) -> Boards:
        if self.boards is not None:
            return self.boards.take(rows)
        wanted, which = np.unique(rows, return_inverse=True)
        paths = self.paths.take(pa.array(wanted))
        return Ways.along(np.zeros(len(wanted), dtype=np.uint64), paths).boards().take(which)


@dataclass(slots=True)
class _Found:
    """What the walk has met so far."""

    is_met: npt.NDArray[np.bool_]  # (positions,)
    child_keys: Keys  # (replies,)
    is_known: npt.NDArray[np.bool_]  # (replies,): whether the key of the child is known
    child: Ints  # (replies,): place of the position that it leads to
    levels: list[tuple[Ints, Ints, Any, Any]]  # places, plies, FENs, paths


def walk(
    keys: Keys, moves: Moves, games: Ints, ways_of: Callable[[Keys], Ways], walked: Walked | None = None
) -> Graph:
    """Follow the replies from the start position: shortest ways, and of those the most played.

    `keys`, `moves` and `games` tell of one reply each, ordered by key. No chain of tallied replies leads
    to some positions (each of their games came by a way of its own); `ways_of` is asked for a way to
    each of these. Where it knows none the position is left out. With what an earlier walk found out
    boards are set up only where something is new; the graph is the same.
    """
    firsts = np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]][: len(keys)])
    replies = _Replies(keys[firsts], np.r_[firsts, len(keys)], moves, games)
    found = _Found(
        np.zeros(len(firsts), dtype=np.bool_),
        np.zeros(len(keys), dtype=np.uint64) if walked is None else walked.child_keys.copy(),
        np.zeros(len(keys), dtype=np.bool_) if walked is None else walked.is_known,
        np.full(len(keys), _NOWHERE),
        [],
    )
    start = np.flatnonzero(replies.keys == START_KEY)
    if len(start):
        boards = Boards.start() if walked is None else None
        _follow_all(
            _Level(start, np.zeros(1, dtype=np.int64), pa.array([""]), boards), replies, found, walked
        )
    strays = replies.keys[~found.is_met]
    if len(strays):
        ways = ways_of(strays)
        if len(ways.keys):
            _follow_all(_ends(ways, replies, walked), replies, found, walked)
    return _graph(replies, found, strays)


def _graph(replies: _Replies, found: _Found, strays: Keys) -> Graph:
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
        found.child_keys,
        strays,
    )


def _follow_all(level: _Level, replies: _Replies, found: _Found, walked: Walked | None) -> None:
    """Add to `found` what can be reached from `level`, ply by ply, and note where each reply leads."""
    while len(level.places):
        found.is_met[level.places] = True
        found.levels.append((level.places, level.plies, _fens(level, replies, walked), level.paths))
        level = _next(level, replies, found)


def _next(level: _Level, replies: _Replies, found: _Found) -> _Level:
    """The positions one reply on that were not met before, each by the most played of its replies."""
    numbers, rows = replies.at(level.places)
    unknown = np.flatnonzero(~found.is_known[numbers])
    for block in _blocks(len(unknown)):
        which = numbers[unknown[block]]
        found.child_keys[which] = level.boards_at(rows[unknown[block]]).after(replies.moves[which]).keys
    child = replies.places(found.child_keys[numbers])
    found.child[numbers] = child
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
    return _Level(
        places,
        level.plies[rows[best]] + 1,
        pc.ascii_ltrim_whitespace(paths),
        None if level.boards is None else level.boards.take(rows[best]).after(moves),
    )


def _ends(ways: Ways, replies: _Replies, walked: Walked | None) -> _Level:
    """The positions at the ends of ways from the start, the shortest first."""
    ways = ways.take(np.lexsort((ways.keys, ways.lengths)))
    return _Level(
        replies.places(ways.keys), ways.lengths, ways.paths(), ways.boards() if walked is None else None
    )


def _blocks(rows: int) -> list[slice]:
    return [slice(first, first + _BLOCK) for first in range(0, rows, _BLOCK)]


def _fens(level: _Level, replies: _Replies, walked: Walked | None) -> Any:
    """FENs of a level; those of positions whose way is the one they had before are told again."""
    if walked is None or not len(walked.keys):
        return _fens_at(level, np.arange(len(level.places)))
    keys = replies.keys[level.places]
    before = np.minimum(np.searchsorted(walked.keys, keys), len(walked.keys) - 1)
    is_same = pc.equal(walked.paths.take(pa.array(before)), level.paths).to_numpy(zero_copy_only=False)
    is_new = (walked.keys[before] != keys) | ~is_same
    fens = walked.fens.take(pa.array(before))
    return pc.replace_with_mask(fens, pa.array(is_new), _fens_at(level, np.flatnonzero(is_new)))


def _fens_at(level: _Level, rows: Ints) -> Any:
    made = [level.boards_at(rows[block]).fens() for block in _blocks(len(rows))]
    return pa.concat_arrays([pa.array([], pa.string()), *made])


def _ucis(moves: Moves) -> Any:
    """The moves in UCI; few different ones make up millions."""
    different, which = np.unique(moves, return_inverse=True)
    ucis = [unpack_move(move).uci() for move in different.tolist()]
    return pa.array(ucis, pa.string()).take(pa.array(which))
