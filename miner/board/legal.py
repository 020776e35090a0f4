"""All legal moves of many boards at once, and what the men cover.

Every board is seen by its side to move, as if that were White: own men stand at the bottom. So whatever is
learnt of one colour's moves holds for the other's. python-chess, and published perft counts, are what this is
tested against.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import chess
import numpy as np
import numpy.typing as npt

from miner.arrays import Flags, Ints, Moves, Squares
from miner.board.play import Boards

PAWN, KNIGHT, BISHOP, ROOK, QUEEN, KING = range(1, 7)
THEIRS = 6
"""The men of the side to move are 1 to 6, from pawn to king; those of the other side so many more."""

_OFF = 64  # a square beside the board, where a wall stands
_WALL = 13
_WIDTH = 65
_UP, _DOWN = (4, 5), (6, 7)  # directions of a pawn's captures, own ones and theirs
_TURN = 56  # the square across the middle of the board differs by it


@dataclass(frozen=True, slots=True)
class Sight:
    """`n` boards as their sides to move see them."""

    men: Squares  # (n, 65): 0 empty, 1 to 6 own, 7 to 12 theirs; the last one is a wall
    is_turned: Flags  # (n,): Black is to move
    castling: Flags  # (n, 2): own rights, short and long
    passing: Ints  # (n,): where a pawn that has just moved two squares can be taken, or 64

    @classmethod
    def of(cls, boards: Boards) -> Sight:
        """What the sides to move see."""
        is_turned = ~boards.white_to_move
        men = np.full((len(boards), _WIDTH), _WALL, dtype=np.uint8)
        men[:, :_OFF] = boards.squares
        turned = boards.squares[is_turned].reshape(-1, 8, 8)[:, ::-1].reshape(-1, _OFF)
        men[is_turned, :_OFF] = _other_colour()[turned]
        castling = np.where(is_turned[:, None], boards.castling[:, 2:], boards.castling[:, :2])
        passing = np.where(boards.en_passant >= 0, chess.A6 + boards.en_passant, _OFF)
        return cls(men, is_turned, castling, passing.astype(np.int64))

    def kings(self, *, own: bool) -> Ints:
        """The squares of one side's kings, (n,)."""
        return np.asarray(np.argmax(self.men == (KING if own else KING + THEIRS), axis=1))


@dataclass(frozen=True, slots=True)
class Covers:
    """Squares that men attack or, where their own stand, defend: one entry for each man and square."""

    row: Ints  # the board
    origin: Ints
    to: Ints
    kind: Ints  # of the man, 1 to 6


@dataclass(frozen=True, slots=True)
class LegalMoves:
    """All legal moves of `n` boards, in the order of the boards, then of `packed`."""

    row: Ints  # the board of each move
    origin: Ints  # as the side to move sees it
    to: Ints
    kind: Ints  # of the man that moves, 1 to 6
    taken: Ints  # kind of the man that is taken, 0 none
    promotion: Ints  # kind that a pawn becomes, 0 none
    packed: Moves  # as in the tables, seen by nobody
    men: Squares  # (moves, 65): after each move, still seen by the side that made it


def covers(men: Squares, *, own: bool) -> Covers:
    """What one side's men cover; `men` as in `Sight`."""
    first = 0 if own else THEIRS
    row, at = np.nonzero((men[:, :_OFF] > first) & (men[:, :_OFF] <= first + THEIRS))
    kind = men[row, at].astype(np.int64) - first
    man, to = covered_from(men, row, at, kind, own=own)
    return Covers(row[man], at[man], to, kind[man])


def covered_from(men: Squares, row: Ints, at: Ints, kind: Ints, *, own: bool) -> tuple[Ints, Ints]:
    """The squares that a man of `kind` covers from `at` on the board `row`: the number of each man, a square.

    The men are given one by one, all of one side. What stands on their own squares does not matter.
    """
    rays, squares = _rays(), men.reshape(-1)
    parts = []
    jumpers = np.flatnonzero(kind == KNIGHT)
    parts.append((jumpers, _knight_squares()[at[jumpers]]))
    kings = np.flatnonzero(kind == KING)
    parts.append((kings, rays[at[kings], :, 0]))
    pawns = np.flatnonzero(kind == PAWN)
    parts.append((pawns, rays[at[pawns]][:, _UP if own else _DOWN, 0]))
    who, which = np.nonzero(_slides()[kind])
    along = rays[at[who], which]
    content = squares.take(row[who, None] * _WIDTH + along)
    is_open = np.ones(content.shape, dtype=np.bool_)
    np.logical_and.accumulate(content[:, :-1] == 0, axis=1, out=is_open[:, 1:])
    parts.append((who, np.where(is_open, along, _OFF)))
    found = [_flat(man, to) for man, to in parts]
    return np.concatenate([man for man, _ in found]), np.concatenate([to for _, to in found])


def _flat(man: Ints, to: Ints) -> tuple[Ints, Ints]:
    place, which = np.nonzero(to != _OFF)
    return man[place], to[place, which].astype(np.int64)


def counted(row: Ints, square: Ints, boards: int) -> Ints:
    """How many entries each square of each board has, (boards, 64)."""
    return np.bincount(row * _OFF + square, minlength=boards * _OFF).reshape(boards, _OFF)


def legal_moves(sight: Sight, own: Covers, theirs: Covers) -> LegalMoves:
    """The legal moves; `own` and `theirs` are what both sides' men cover."""
    boards = len(sight.men)
    attacked = counted(theirs.row, theirs.to, boards) > 0
    pieces = (own.kind != PAWN) & ~_is_own(sight.men[own.row, own.to])
    parts = [
        np.stack([own.row[pieces], own.origin[pieces], own.to[pieces], own.kind[pieces]]),
        _pawn_moves(sight, own),
        _castling_moves(sight, attacked),
    ]
    row, origin, to, kind = np.concatenate(parts, axis=1)
    row, origin, to, kind, promotion = _promoted(row, origin, to, kind)
    taken = sight.men[row, to].astype(np.int64)
    is_passing = (kind == PAWN) & (to == sight.passing[row])
    taken = np.where(is_passing, PAWN, np.where(taken > 0, taken - THEIRS, 0))
    after = _after(sight.men[row], origin, to, np.where(promotion > 0, promotion, kind), is_passing)
    king = sight.kings(own=True)
    exposed = attacked[np.arange(boards), king][row] | (kind == KING) | is_passing
    exposed |= _aligned()[origin, king[row]]
    asked = np.flatnonzero(exposed)
    where = np.where(kind == KING, to, king[row])[asked]
    is_legal = np.ones(len(row), dtype=np.bool_)
    is_legal[asked] = ~is_covered(after[asked], where, by_own=False)
    packed = _packed(origin, to, promotion, sight.is_turned[row])
    order = np.lexsort((packed, row))
    order = order[is_legal[order]]
    row, origin, to, kind, taken, promotion = (
        column[order] for column in (row, origin, to, kind, taken, promotion)
    )
    return LegalMoves(row, origin, to, kind, taken, promotion, packed[order], after[order])


def is_covered(men: Squares, square: Ints, *, by_own: bool) -> Flags:
    """Whether a man of one side covers the square of each board, `men` as in `Sight`; what stands there does
    not matter.
    """
    first = 0 if by_own else THEIRS
    at = np.arange(len(men))[:, None]
    flat = men.reshape(-1)
    found = (flat.take(at * _WIDTH + _knight_squares()[square]) == first + KNIGHT).any(axis=1)
    content = flat.take(at[:, :, None] * _WIDTH + _rays()[square])
    nearest = np.argmax(content != 0, axis=2)
    kind = np.take_along_axis(content, nearest[:, :, None], axis=2)[:, :, 0].astype(np.int64) - first
    kind = np.where((kind >= PAWN) & (kind <= KING), kind, 0)
    hits = _hits()[int(by_own), kind, np.arange(8), (nearest == 0).astype(np.int64)]
    return np.asarray(found | hits.any(axis=1))


def _is_own(men: Squares) -> Flags:
    return np.asarray((men > 0) & (men <= THEIRS))


def _pawn_moves(sight: Sight, own: Covers) -> Ints:
    """Rows, origins, targets and kinds of pawns' moves, promotions once."""
    target = sight.men[own.row, own.to]
    captures = (own.kind == PAWN) & ((target > THEIRS) | (own.to == sight.passing[own.row]))
    row, at = np.nonzero(sight.men[:, :_OFF] == PAWN)
    once = sight.men[row, at + 8] == 0
    row, at = row[once], at[once]
    home = at < chess.A3
    twice = home & (sight.men[row, np.where(home, at + 16, at)] == 0)
    origin = np.concatenate([own.origin[captures], at, at[twice]])
    to = np.concatenate([own.to[captures], at + 8, at[twice] + 16])
    return np.stack(
        [np.concatenate([own.row[captures], row, row[twice]]), origin, to, np.full(len(to), PAWN)]
    )


def _castling_moves(sight: Sight, attacked: Flags) -> Ints:
    parts = []
    for right, (king_to, empty, safe) in enumerate(
        (
            (chess.G1, (chess.F1, chess.G1), (chess.E1, chess.F1, chess.G1)),
            (chess.C1, (chess.B1, chess.C1, chess.D1), (chess.E1, chess.D1, chess.C1)),
        )
    ):
        can = sight.castling[:, right] & (sight.men[:, empty] == 0).all(axis=1)
        row = np.flatnonzero(can & ~attacked[:, safe].any(axis=1))
        parts.append(np.stack([row, *(np.full(len(row), value) for value in (chess.E1, king_to, KING))]))
    return np.concatenate(parts, axis=1)


def _promoted(row: Ints, origin: Ints, to: Ints, kind: Ints) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """The same moves with four in the place of each one that brings a pawn to the last rank."""
    is_last = (kind == PAWN) & (to >= chess.A8)
    times = np.where(is_last, 4, 1)
    number = np.arange(times.sum()) - np.repeat(np.cumsum(times) - times, times)
    repeated = [np.repeat(column, times) for column in (row, origin, to, kind)]
    promotion = np.where(np.repeat(is_last, times), KNIGHT + number, 0)
    return repeated[0], repeated[1], repeated[2], repeated[3], promotion


def _after(men: Squares, origin: Ints, to: Ints, becomes: Ints, is_passing: Flags) -> Squares:
    at = np.arange(len(men))
    men[at, origin] = 0
    men[at, to] = becomes
    passing = at[is_passing]
    men[passing, to[passing] - 8] = 0
    for king_to, rook_from, rook_to in ((chess.G1, chess.H1, chess.F1), (chess.C1, chess.A1, chess.D1)):
        castles = at[(becomes == KING) & (origin == chess.E1) & (to == king_to)]
        men[castles, rook_to] = ROOK
        men[castles, rook_from] = 0
    return men


def _packed(origin: Ints, to: Ints, promotion: Ints, is_turned: Flags) -> Moves:
    turn = np.where(is_turned, _TURN, 0)
    return ((to ^ turn) | (origin ^ turn) << 6 | promotion << 12).astype(np.uint16)


@cache
def _other_colour() -> Squares:
    return np.array([0, *range(7, 13), *range(1, 7)], dtype=np.uint8)


_STEPS = ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (-1, 1), (1, -1), (-1, -1))  # files, ranks


@cache
def _rays() -> npt.NDArray[np.intp]:
    """The squares from each square on in each direction, the nearest first, (64, 8, 7)."""
    rays = np.full((_OFF, 8, 7), _OFF, dtype=np.intp)
    for square in range(_OFF):
        for direction, (files, ranks) in enumerate(_STEPS):
            for step in range(1, 8):
                file, rank = square % 8 + step * files, square // 8 + step * ranks
                if 0 <= file < 8 and 0 <= rank < 8:
                    rays[square, direction, step - 1] = 8 * rank + file
    return rays


@cache
def _knight_squares() -> npt.NDArray[np.intp]:
    squares = np.full((_OFF, 8), _OFF, dtype=np.intp)
    for square in range(_OFF):
        to = list(chess.SquareSet(chess.BB_KNIGHT_ATTACKS[square]))
        squares[square, : len(to)] = to
    return squares


@cache
def _aligned() -> Flags:
    """Whether a queen on an empty board would go from one square to the other, (64, 64)."""
    aligned = np.zeros((_OFF, _WIDTH), dtype=np.bool_)
    aligned[np.arange(_OFF)[:, None], _rays().reshape(_OFF, -1)] = True
    return aligned[:, :_OFF]


@cache
def _slides() -> Flags:
    """Whether a kind slides in a direction, (7, 8)."""
    slides = np.zeros((7, 8), dtype=np.bool_)
    slides[[ROOK, QUEEN], :4] = slides[[BISHOP, QUEEN], 4:] = True
    return slides


@cache
def _hits() -> npt.NDArray[Any]:
    """Whether a man covers a square that sees it as the nearest in a direction, (theirs or own, kind,
    direction, whether beside it).
    """
    hits = np.zeros((2, 7, 8, 2), dtype=np.bool_)
    hits[:, :, :, :] = _slides()[None, :, :, None]
    hits[:, KING, :, 1] = True
    # Seen from the square, a man of theirs that covers it stands above, one's own below.
    hits[0, PAWN, list(_UP), 1] = hits[1, PAWN, list(_DOWN), 1] = True
    return hits
