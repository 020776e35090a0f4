"""Positions and the replies that lead from one to another, transpositions merged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

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
    fen: str  # en passant square only where a capture is legal
    path: tuple[chess.Move, ...]

    @property
    def white_to_move(self) -> bool:
        """Whether it is White's move."""
        return len(self.path) % 2 == 0


# Boards are heavy: only positions from which the walk goes on have one at hand.
_Front = Sequence[tuple[Position, chess.Board]]

_START = Position(START_KEY, chess.STARTING_FEN, ())


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
    start = [(_START, chess.Board())] if START_KEY in replies.at else []
    _follow_all(start, replies, found, children)
    strays = replies.at.keys() - found.keys()
    if strays:
        ways = sorted(ways_of(strays).items(), key=lambda item: (len(item[1]), item[0]))
        strays_front = [_after(key, _START, chess.Board(), way) for key, way in ways]
        _follow_all(strays_front, replies, found, children)
    place = {key: number for number, key in enumerate(found)}
    child = np.fromiter((place.get(key, _NOWHERE) for key in children), dtype=np.int64, count=len(keys))
    return Graph(tuple(found.values()), child)


def _places(keys: npt.NDArray[np.uint64]) -> dict[int, range]:
    starts = np.flatnonzero(np.r_[True, keys[1:] != keys[:-1]][: len(keys)])
    ends = np.r_[starts[1:], len(keys)][: len(starts)]
    return {int(keys[start]): range(int(start), int(end)) for start, end in zip(starts, ends, strict=True)}


def _follow_all(front: _Front, replies: _Replies, found: dict[int, Position], children: list[int]) -> None:
    """Add to `found` what can be reached from `front`, ply by ply, and note where each reply leads."""
    while front:
        new = [(one, board) for one, board in front if found.setdefault(one.key, one) is one]
        best: dict[int, tuple[int, Position, chess.Board, chess.Move]] = {}
        for position, board in new:
            for number, move, key in _follow(position.key, board, replies):
                children[number] = key
                played = int(replies.games[number])
                if key in replies.at and key not in found and (key not in best or played > best[key][0]):
                    best[key] = (played, position, board, move)
        front = [_after(key, position, board, (move,)) for key, (_, position, board, move) in best.items()]


def _after(
    key: int, position: Position, board: chess.Board, way: Sequence[chess.Move]
) -> tuple[Position, chess.Board]:
    """The position with that key, some moves on."""
    board = board.copy(stack=False)
    for move in way:
        board.push(move)
    board.clear_stack()
    return Position(key, board.fen(en_passant="legal"), (*position.path, *way)), board


def _follow(key: int, board: chess.Board, replies: _Replies) -> Iterator[tuple[int, chess.Move, int]]:
    for number in replies.at[key]:
        move = known_move(int(replies.moves[number]))
        board.push(move)
        yield number, move, chess.polyglot.zobrist_hash(board)
        board.pop()


known_move = cache(unpack_move)
"""`unpack_move` that makes each move but once: millions of paths share some thousands of moves."""
