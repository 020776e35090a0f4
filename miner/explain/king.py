"""The king's safety as the reason why a reply loses."""

from __future__ import annotations

from dataclasses import dataclass, replace

import chess

from miner.explain.evidence import DEFENCE_TURNS, Evidence, rank_of

_HORIZON_PLIES = 2 * DEFENCE_TURNS + 1  # of a line: beyond, other defences were not looked for

WINGS = (0, 1, 6, 7)  # files beside the centre


@dataclass(frozen=True, slots=True)
class KingExposed:
    """A king that has lost its castling, or that is driven off its back rank."""

    side: chess.Color
    castling_lost: bool
    driven_to: chess.Square | None  # where checks have driven it, if beyond its back rank
    plies: int  # moves of the reply's line until it has happened
    driven: bool = False  # beyond its back rank, to one square or another

    @property
    def detail(self) -> str:
        """The reason in words, such as `Black can no longer castle`.

        Drawn out and not driven: the king may have taken what came to it.
        """
        side, parts = chess.COLOR_NAMES[self.side].capitalize(), []
        if self.castling_lost:
            parts.append(f"{side} can no longer castle")
        if self.driven:
            king = "the king" if parts else f"{side}'s king"
            whither = "out" if self.driven_to is None else f"out to {chess.square_name(self.driven_to)}"
            parts.append(f"{king} is drawn {whither}")
        return "; ".join(parts)


def explain_king(evidence: Evidence) -> KingExposed | None:
    """Castling lost by force, where the best line keeps it; or a king driven beyond its back rank.

    By force means: the king moves out of check, takes what has just come to it, or the losing reply itself is
    the king's move; and so with every defence. It counts only while the other side has its queen, and only
    beyond the best line.
    """
    walks = [_king_walk(evidence.board, line) for line in evidence.reply_lines]
    in_best = _king_walk(evidence.board, evidence.best_line)
    castling_lost = all(walk.castling_lost for walk in walks) and not in_best.castling_lost
    king = evidence.board.king(evidence.errs)
    at_home = in_best.rank if king is None else max(in_best.rank, rank_of(king, evidence.errs))
    driven = all(walk.rank > at_home for walk in walks)
    if not castling_lost and not driven:
        return None
    squares = {walk.square for walk in walks} if driven else set()
    driven_to = squares.pop() if len(squares) == 1 else None
    return KingExposed(evidence.errs, castling_lost, driven_to, walks[0].plies, driven)


@dataclass(frozen=True, slots=True)
class _Walk:
    """How a line treats the king of one side, as far as the line is forcing."""

    castling_lost: bool = False
    square: chess.Square | None = None  # the farthest that checks have driven it
    rank: int = 0  # of that square, counted from the king's own back rank
    plies: int = 0


def _king_walk(start: chess.Board, line: tuple[chess.Move, ...]) -> _Walk:
    board = start.copy(stack=False)
    walk = _Walk()
    came_to: chess.Square | None = None
    for plies, move in enumerate(line[:_HORIZON_PLIES], 1):
        moves_king = board.turn == start.turn and board.piece_type_at(move.from_square) == chess.KING
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
    # Who steps up a rank beside the centre, and takes nothing, is still at home: so from g1 to h2.
    is_aside = chess.square_file(move.to_square) in WINGS and not board.is_capture(move)
    rank = rank_of(move.to_square, color)
    rank = 0 if rank == 1 and is_aside else rank
    if rank > walk.rank:
        return _Walk(loses_castling, move.to_square, rank, plies)
    plies = walk.plies if loses_castling == walk.castling_lost else plies
    return replace(walk, castling_lost=loses_castling, plies=plies)
