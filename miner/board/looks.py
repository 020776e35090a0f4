"""What a legal move looks like to a player, without an engine: classes that a model can learn habits of.

A move falls into one class of each of `KINDS`: which man goes where, what it takes and whether that is
defended, what it attacks, whether it answers what the other side has just threatened, and so on. Which man
goes where is told on its own, too, so that a move that is seen nowhere else has neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess
import numpy as np
import numpy.typing as npt

from miner.arrays import Flags, Ints, Moves
from miner.board.legal import (
    KING,
    KNIGHT,
    PAWN,
    ROOK,
    THEIRS,
    Covers,
    LegalMoves,
    Sight,
    counted,
    covered_from,
    covers,
    is_covered,
    legal_moves,
)
from miner.board.play import Boards
from miner.board.settle import VALUES

Classes = npt.NDArray[np.int32]

_VALUE = np.array([0, *(VALUES[kind] for kind in range(1, 6)), 100])  # of kinds; a king is never given up
_BOARDS_AT_ONCE = 1_024
_HOME = {KNIGHT: (chess.B1, chess.G1), chess.BISHOP: (chess.C1, chess.F1)}
_PHASES = np.array([4, 8, 12, 20])  # plies from which the next one begins
_BALANCES = np.array([-2, 0, 1, 3])  # pawns that the mover is ahead, likewise

SIZES = {
    "way": 6 * 64 * 64,  # man, from, to
    "to": 6 * 64,
    "origin": 6 * 64,
    "phase": 6 * 5,  # man, phase of the opening
    "takes": 6 * 6 * 2 * 2,  # man, taken, whether that is defended, whether it has just moved
    "retakes": 3 * 6 * 5,  # not, a man that has just moved, one that has just taken; taken, balance
    "safe": 6 * 4 * 2,  # man, how it stands there, whether it takes
    "danger": 6 * 4 * 2,  # man, how it stood, whether it will stand well
    "threat": 6 * 7,  # man, most valuable man that it attacks and might win
    "check": 6 * 2 * 2,  # man, gives check, stands well
    "saves": 7 * 5,  # most valuable man in danger; moved, attacker taken, defended, none of these
    "last": 6 * 2 * 2,  # man, attacks what has just moved, was attacked by it
    "develops": 6 * 5,  # man, knights and bishops at home
    "castles": 5 * 5,  # not, short, long, gives up a right by king or rook; phase
    "control": 6 * 5,  # man, own men that cover the square more than theirs
    "mobility": 6 * 8,  # man, squares that it covers there
    "promotes": 6,
}
"""The kinds of classes, and how many classes each has."""
CLASSES = sum(SIZES.values())


@dataclass(frozen=True, slots=True)
class Looks:
    """All legal moves of some boards, and their classes."""

    row: Ints  # the board of each move, rising
    packed: Moves  # as in the tables, rising within a board
    classes: Classes  # (moves, kinds): one of `CLASSES` for each of `SIZES`, in its order


def look(boards: Boards, last: Moves) -> Looks:
    """What every legal move looks like; `last`: the move that led to each board, 0 at the start of a game."""
    parts = [
        _look(boards.take(rows), last[rows], int(rows[0]))
        for rows in np.split(np.arange(len(boards)), range(_BOARDS_AT_ONCE, len(boards), _BOARDS_AT_ONCE))
        if len(rows)
    ]
    if not parts:
        return Looks(
            np.zeros(0, dtype=np.int64),
            np.zeros(0, dtype=np.uint16),
            np.zeros((0, len(SIZES)), dtype=np.int32),
        )
    return Looks(
        np.concatenate([part.row for part in parts]),
        np.concatenate([part.packed for part in parts]),
        np.concatenate([part.classes for part in parts]),
    )


@dataclass(frozen=True, slots=True)
class _Scene:
    """What the side to move sees before it moves, by board and square."""

    sight: Sight
    own: Covers
    theirs: Covers
    guards: Ints  # (n, 64): own men that cover the square
    attackers: Ints  # (n, 64): theirs
    least: Ints  # (n, 64): value of the least of these
    last_to: Ints  # (n,): where the other side's last move went, 64: none
    last_took: Flags  # (n,)
    phase: Ints  # (n,)


def _scene(boards: Boards, last: Moves) -> _Scene:
    sight = Sight.of(boards)
    n = len(boards)
    own, theirs = covers(sight.men, own=True), covers(sight.men, own=False)
    least = np.full(n * 64, _VALUE[KING])
    np.minimum.at(least, theirs.row * 64 + theirs.to, _VALUE[theirs.kind])
    turn = np.where(sight.is_turned, 56, 0)
    last_to = np.where(last > 0, (last & 63) ^ turn, 64).astype(np.int64)
    last_from = (last >> 6 & 63) ^ turn
    was_pawn = (sight.men[np.arange(n), last_to] == PAWN + THEIRS) | (last >> 12 > 0)
    took = (boards.halfmoves == 0) & (~was_pawn | (last_to % 8 != last_from % 8)) & (last > 0)
    return _Scene(
        sight,
        own,
        theirs,
        counted(own.row, own.to, n),
        counted(theirs.row, theirs.to, n),
        least.reshape(n, 64),
        last_to,
        took,
        np.searchsorted(_PHASES, boards.plies, side="right"),
    )


def _standing(scene: _Scene, row: Ints, square: Ints, kind: Ints, guards: Ints) -> Ints:
    """How a man stands: 0 not attacked, 1 attacked and guarded, 2 not guarded, 3 by a lesser man."""
    attacked = scene.attackers[row, square] > 0
    lesser = scene.least[row, square] < _VALUE[kind]
    return np.where(attacked, np.where(lesser, 3, np.where(guards > 0, 1, 2)), 0)


def _worst(scene: _Scene) -> tuple[Ints, Ints]:
    """The most valuable own man in danger on each board: its square and its kind; 64 and 0: none is."""
    men = scene.sight.men[:, :64].astype(np.int64)
    kind = np.where((men > 0) & (men <= KING), men, 0)
    row = np.arange(len(men))[:, None]
    square = np.broadcast_to(np.arange(64), kind.shape)
    in_danger = (kind > 0) & (_standing(scene, row, square, kind, scene.guards) >= 2)
    value = np.where(in_danger, _VALUE[kind], 0)
    worst = np.argmax(value, axis=1)
    is_any = value[row[:, 0], worst] > 0
    return np.where(is_any, worst, 64), np.where(is_any, kind[row[:, 0], worst], 0)


def _look(boards: Boards, last: Moves, first: int) -> Looks:
    scene = _scene(boards, last)
    moves = legal_moves(scene.sight, scene.own, scene.theirs)
    row, to, kind = moves.row, moves.to, moves.kind
    man = kind - 1
    covered_it = (kind != PAWN) | (moves.taken > 0)
    guards = scene.guards[row, to] - covered_it
    stands = _standing(scene, row, to, kind, guards)
    stood = _standing(scene, row, moves.origin, kind, scene.guards[row, moves.origin])
    takes = moves.taken > 0
    phase = scene.phase[row]
    last_to = scene.last_to[row]
    is_back = to == last_to
    seen = _after_the_move(scene, moves)
    hang_square, hang_kind = _worst(scene)
    saves = np.select(
        [moves.origin == hang_square[row], is_back, seen.covers(hang_square)], [1, 2, 3], default=4
    )
    hit_by_last = np.zeros((len(boards), 65), dtype=np.bool_)
    of_last = scene.theirs.origin == scene.last_to[scene.theirs.row]
    hit_by_last[scene.theirs.row[of_last], scene.theirs.to[of_last]] = True
    values = np.array([0, *_VALUE[1:6], 0, *-_VALUE[1:6], 0, 0])
    balance = np.searchsorted(_BALANCES, values[scene.sight.men].sum(axis=1), side="right")[row]
    at_home = sum(
        (scene.sight.men[:, square] == piece).astype(np.int64)
        for piece, squares in _HOME.items()
        for square in squares
    )
    check = is_covered(moves.men, scene.sight.kings(own=False)[row], by_own=True)
    found = {
        "way": man * 4096 + moves.origin * 64 + to,
        "to": man * 64 + to,
        "origin": man * 64 + moves.origin,
        "phase": man * 5 + phase,
        "takes": ((man * 6 + moves.taken) * 2 + (scene.attackers[row, to] > 0)) * 2 + is_back,
        "retakes": (np.where(is_back, 1 + scene.last_took[row], 0) * 6 + moves.taken) * 5 + balance,
        "safe": (man * 4 + stands) * 2 + takes,
        "danger": (man * 4 + stood) * 2 + (stands < 2),
        "threat": man * 7 + seen.threat,
        "check": (man * 2 + check) * 2 + (stands < 2),
        "saves": hang_kind[row] * 5 + np.where(hang_kind[row] > 0, saves, 0),
        "last": (man * 2 + seen.covers(scene.last_to)) * 2 + hit_by_last[row, moves.origin],
        "develops": man * 5 + at_home[row],
        "castles": _castles(scene, moves) * 5 + phase,
        "control": man * 5 + np.clip(guards - scene.attackers[row, to], -2, 2) + 2,
        "mobility": man * 8 + np.minimum(seen.squares // 2, 7),
        "promotes": moves.promotion,
    }
    classes = np.empty((len(row), len(SIZES)), dtype=np.int32)
    begin = 0
    for place, (name, size) in enumerate(SIZES.items()):
        classes[:, place] = found[name] + begin
        begin += size
    return Looks(row + first, moves.packed, classes)


@dataclass(frozen=True, slots=True)
class _AfterTheMove:
    """What the man that has moved covers."""

    row: Ints  # of each move: its board
    move: Ints  # of each covered square: the move
    to: Ints
    squares: Ints  # of each move
    threat: Ints  # of each move: most valuable man (kind) that is attacked and might be won

    def covers(self, square: Ints) -> Flags:
        """For each move, whether the man covers the square of its board."""
        found: Flags = np.zeros(len(self.row), dtype=np.bool_)
        found[self.move[self.to == square[self.row[self.move]]]] = True
        return found


def _after_the_move(scene: _Scene, moves: LegalMoves) -> _AfterTheMove:
    number = np.arange(len(moves.row))
    becomes = np.where(moves.promotion > 0, moves.promotion, moves.kind)
    move, to = covered_from(moves.men, number, moves.to, becomes, own=True)
    content = moves.men[move, to].astype(np.int64) - THEIRS
    is_man = (content > 0) & (content < KING)
    attacked = np.where(is_man, content, 0)
    unguarded = scene.attackers[moves.row[move], to] == 0
    wins = is_man & (unguarded | (_VALUE[attacked] > _VALUE[becomes[move]]))
    threat = np.zeros(len(number), dtype=np.int64)
    np.maximum.at(threat, move[wins], attacked[wins])
    return _AfterTheMove(moves.row, move, to, np.bincount(move, minlength=len(number)), threat)


def _castles(scene: _Scene, moves: LegalMoves) -> Ints:
    is_king = moves.kind == KING
    by_two = moves.to - moves.origin
    rights = scene.sight.castling[moves.row]
    corner = (moves.origin == chess.H1) & rights[:, 0] | (moves.origin == chess.A1) & rights[:, 1]
    return np.select(
        [
            is_king & (moves.origin == chess.E1) & (by_two == 2),
            is_king & (moves.origin == chess.E1) & (by_two == -2),
            is_king & rights.any(axis=1),
            (moves.kind == ROOK) & corner,
        ],
        [1, 2, 3, 4],
        default=0,
    )
