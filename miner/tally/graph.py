"""Positions and the replies that lead from one to another, transpositions merged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt

from miner.board.lines import unpack_move

START_KEY = chess.polyglot.zobrist_hash(chess.Board())

_NOWHERE = -1

Ways = Mapping[int, Sequence[chess.Move]]


@dataclass(frozen=True, slots=True)
class Position:
    """A tallied position and a shortest way to it."""

    key: int
    board: chess.Board
    path: tuple[chess.Move, ...]

    def after(self, key: int, way: Sequence[chess.Move]) -> Position:
        """The position with that key, some moves on."""
        board = self.board.copy(stack=False)
        for move in way:
            board.push(move)
        board.clear_stack()
        return Position(key, board, (*self.path, *way))


_START = Position(START_KEY, chess.Board(), ())


@dataclass(frozen=True, slots=True)
class Graph:
    """Tallied positions and the tallied replies between them.

    `child` has one number for each reply handed to `walk`: the place in `positions` of the position
    that it leads to, or -1 where that is not tallied.
    """

    positions: tuple[Position, ...]
    child: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Replies:
    """The replies, one entry each, and where those of each position stand."""

    moves: npt.NDArray[np.uint16]
    games: npt.NDArray[np.int64]
    at: Mapping[int, range]


def walk(
    keys: npt.NDArray[np.uint64],
    moves: npt.NDArray[np.uint16],
    games: npt.NDArray[np.int64],
    ways_of: Callable[[set[int]], Ways],
) -> Graph:
    """Follow the replies from the start position: shortest ways, and of those the most played.

    `keys`, `moves` and `games` tell of one reply each, ordered by key. No chain of tallied replies leads
    to some positions (each of their games came by a way of its own); `ways_of` is asked for a way to
    each of these. Where it knows none the position is left out.
    """
    replies = _Replies(moves, games, _places(keys))
    found: dict[int, Position] = {}
    children = [_NOWHERE] * len(keys)
    _follow_all([_START] if START_KEY in replies.at else [], replies, found, children)
    strays = replies.at.keys() - found.keys()
    if strays:
        ways = sorted(ways_of(strays).items(), key=lambda item: (len(item[1]), item[0]))
        _follow_all([_START.after(key, way) for key, way in ways], replies, found, children)
    place = {key: number for number, key in enumerate(found)}
    child = np.fromiter((place.get(key, _NOWHERE) for key in children), dtype=np.int64, count=len(keys))
    return Graph(tuple(found.values()), child)


def _places(keys: npt.NDArray[np.uint64]) -> dict[int, range]:
    starts = np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]][: len(keys)])
    ends = np.r_[starts[1:], len(keys)][: len(starts)]
    return {int(keys[start]): range(int(start), int(end)) for start, end in zip(starts, ends, strict=True)}


def _follow_all(
    front: Sequence[Position], replies: _Replies, found: dict[int, Position], children: list[int]
) -> None:
    """Add to `found` what can be reached from `front`, ply by ply, and note where each reply leads."""
    while front:
        new = [found.setdefault(one.key, one) for one in front if one.key not in found]
        best: dict[int, tuple[int, Position, chess.Move]] = {}
        for position in new:
            for number, move, key in _follow(position, replies):
                children[number] = key
                played = int(replies.games[number])
                if key in replies.at and key not in found and (key not in best or played > best[key][0]):
                    best[key] = (played, position, move)
        front = [position.after(key, (move,)) for key, (_, position, move) in best.items()]


def _follow(position: Position, replies: _Replies) -> Iterator[tuple[int, chess.Move, int]]:
    board = position.board.copy(stack=False)
    for number in replies.at[position.key]:
        move = unpack_move(int(replies.moves[number]))
        board.push(move)
        yield number, move, chess.polyglot.zobrist_hash(board)
        board.pop()
