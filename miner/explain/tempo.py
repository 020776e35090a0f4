"""Lost time as the reason why a reply loses."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from miner.board.moves import after, develops, goes_home, is_developed
from miner.explain.evidence import Evidence

_CHASE_MOVES = 4  # moves of the side that errs, the reply included
_CHASED_AT_LEAST = 3  # of them, by one piece


@dataclass(frozen=True, slots=True)
class TempoLost:
    """A developed piece that must go home, or that is chased from square to square."""

    piece: chess.PieceType
    path: tuple[chess.Square, ...]  # squares it goes through; the last is its home if `home`
    plies: int  # moves of the reply's line until it has happened
    home: bool

    @property
    def detail(self) -> str:
        """The reason in words, such as `the knight must go back from f6 to g8`."""
        squares = [chess.square_name(square) for square in self.path]
        if self.home:
            return f"the {chess.piece_name(self.piece)} must go back from {squares[-2]} to {squares[-1]}"
        return f"the {chess.piece_name(self.piece)} is chased: {'-'.join(squares)}"


def explain_tempo(evidence: Evidence, *, forced_loss: float = 0.10) -> TempoLost | None:
    """A tempo lost by force.

    Either a retreat that the engine has verified: after the first punishing move a developed piece goes
    home, and every move that takes no piece home costs `forced_loss` of expected score or more. Or a chase
    that the line shows: one piece makes three of its side's next four moves, the reply included, takes
    nothing, and is attacked each time by a pawn move or by a piece that leaves its home.
    """
    return _verified_retreat(evidence, forced_loss) or _chase(evidence)


def _verified_retreat(evidence: Evidence, forced_loss: float) -> TempoLost | None:
    move, loss = evidence.retreat, evidence.retreat_loss
    if move is None or loss is None or loss < forced_loss or len(evidence.reply_line) < 2:
        return None
    board = evidence.after_reply(2)
    piece = board.piece_type_at(move.from_square)
    if piece is None or not board.is_legal(move) or not goes_home(board, move):
        return None
    # Where the line puts the retreat off by a move or two, it is shown up to there.
    line = evidence.reply_line[: 2 * _CHASE_MOVES - 1]
    plies = line.index(move) + 1 if move in line[2::2] else min(3, len(line))
    return TempoLost(piece, (move.from_square, move.to_square), plies, home=True)


def _chase(evidence: Evidence) -> TempoLost | None:
    board = evidence.after_reply(1)
    square = evidence.reply_line[0].to_square
    piece = board.piece_type_at(square)
    if piece is None or not is_developed(board, square) or evidence.board.is_capture(evidence.reply_line[0]):
        return None
    path = [evidence.reply_line[0].from_square, square]
    line = evidence.reply_line[: 2 * _CHASE_MOVES - 1]
    for moves, (hunting, moving) in enumerate(zip(line[1::2], line[2::2], strict=False), 1):
        hunted = _attacks_with_tempo(board, hunting, square)
        board.push(hunting)
        if moving.from_square == square:
            if not hunted or board.is_capture(moving):
                return None
            square = moving.to_square
            path.append(square)
        board.push(moving)
        if len(path) > _CHASED_AT_LEAST:
            return TempoLost(piece, tuple(path), 2 * moves + 1, home=False)
    return None


def _attacks_with_tempo(board: chess.Board, move: chess.Move, square: chess.Square) -> bool:
    """Whether a pawn move, or a piece that leaves its home, brings a new attack on `square`."""
    if board.piece_type_at(move.from_square) != chess.PAWN and not develops(board, move):
        return False
    attackers = after(board, (move,)).attackers(board.turn, square)
    return bool(attackers - board.attackers(board.turn, square) - chess.SquareSet([move.from_square]))
