"""The king's safety as the reason why a reply loses."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from miner.explain.evidence import Evidence, side_name

_HORIZON_PLIES = 12  # of either line: what happens to the king later has other causes


@dataclass(frozen=True, slots=True)
class KingExposed:
    """A king that has lost its castling, or that is driven off its back rank."""

    side: chess.Color
    castling_lost: bool
    driven_to: chess.Square | None  # where checks have driven it, if beyond its back rank
    plies: int  # moves of the reply's line until it has happened

    @property
    def detail(self) -> str:
        """In plain English."""
        parts = []
        if self.castling_lost:
            parts.append(f"{side_name(self.side)} can no longer castle")
        if self.driven_to is not None:
            king = "the king" if parts else f"{side_name(self.side)}'s king"
            parts.append(f"{king} is driven to {chess.square_name(self.driven_to)}")
        return "; ".join(parts)


def explain_king(evidence: Evidence) -> KingExposed | None:
    """Castling lost by force, where the best line keeps it; or a king driven beyond its back rank.

    By force means: the king moves out of check, takes what has just come to it, or the losing reply itself is
    the king's move. It counts only while the other side has its queen, and only beyond the best line.
    """
    in_reply = _king_walk(evidence, evidence.reply_line, evidence.errs)
    in_best = _king_walk(evidence, evidence.best_line, evidence.errs)
    castling_lost = in_reply.castling_lost and not in_best.castling_lost
    driven = in_reply.rank > max(in_best.rank, _rank(evidence.board.king(evidence.errs), evidence.errs))
    if not castling_lost and not driven:
        return None
    return KingExposed(
        side=evidence.errs,
        castling_lost=castling_lost,
        driven_to=in_reply.square if driven else None,
        plies=in_reply.plies,
    )


@dataclass(frozen=True, slots=True)
class _Walk:
    """How a line treats the king of one side, as far as the line is forcing."""

    castling_lost: bool = False
    square: chess.Square | None = None  # the farthest that checks have driven it
    rank: int = 0  # of that square, counted from the king's own back rank
    plies: int = 0


def _king_walk(evidence: Evidence, line: tuple[chess.Move, ...], errs: chess.Color) -> _Walk:
    board = evidence.board.copy(stack=False)
    walk = _Walk()
    came_to: chess.Square | None = None
    for plies, move in enumerate(line[:_HORIZON_PLIES], 1):
        moves_king = board.turn == errs and board.piece_type_at(move.from_square) == chess.KING
        forced = board.is_check() or plies == 1 or move.to_square == came_to
        if moves_king and forced and not board.is_castling(move):
            walk = _stepped(walk, board, move, plies)
        came_to = move.to_square
        board.push(move)
    return walk


def _stepped(walk: _Walk, board: chess.Board, move: chess.Move, plies: int) -> _Walk:
    color = board.turn
    queens = board.pieces(chess.QUEEN, not color)
    queens.discard(move.to_square)  # taken by this very move
    if not queens:
        return walk
    loses_castling = walk.castling_lost or board.has_castling_rights(color)
    rank = _rank(move.to_square, color)
    farther = rank > walk.rank
    return _Walk(
        castling_lost=loses_castling,
        square=move.to_square if farther else walk.square,
        rank=max(rank, walk.rank),
        plies=plies if farther or loses_castling != walk.castling_lost else walk.plies,
    )


def _rank(square: chess.Square | None, color: chess.Color) -> int:
    if square is None:
        return 0
    rank = chess.square_rank(square)
    return rank if color == chess.WHITE else 7 - rank
