"""Material, and what is left of it when the captures have settled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import chess

VALUES = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
"""Standard piece values in pawns (common practice, no source)."""

MATED = 200
"""What checkmate counts when captures settle: more than all pieces that can ever stand on a board."""

_ALL_CAPTURES = 4  # plies in which any capture is tried; deeper only on the square of the last one
_ALL_EVASIONS = 3  # plies in which every way out of check is tried; deeper only captures
_PLIES = 16


@dataclass(frozen=True, slots=True)
class Settled:
    """Balance for the side to move when the captures have settled, and the captures that lead there.

    A balance of -`MATED` or `MATED` means that the captures end in checkmate.
    """

    balance: int
    line: tuple[chess.Move, ...] = ()


def material_balance(board: chess.Board, color: chess.Color) -> int:
    """Material of `color` less that of the other side, in pawns."""
    return sum(
        value * (len(board.pieces(kind, color)) - len(board.pieces(kind, not color)))
        for kind, value in VALUES.items()
    )


def settled_balance(board: chess.Board, color: chess.Color) -> int:
    """Material balance of `color`, in pawns, when both sides have made the captures that pay.

    It is the same for both colours with the sign turned. See `settle`.
    """
    balance = settle(board).balance
    return balance if board.turn == color else -balance


def settle(board: chess.Board) -> Settled:
    """Play out the captures and promotions that pay, the side to move being free to make none.

    Only legal moves count, so that a pinned defender defends nothing. A side in check cannot decline:
    it must find the best way out.
    Source: quiescence search with alpha-beta bounds (common practice of chess programs).
    """
    return _search(board.copy(stack=False), -MATED, MATED, 0, None)


def _search(board: chess.Board, alpha: int, beta: int, ply: int, target: chess.Square | None) -> Settled:
    in_check = board.is_check()
    if in_check and not any(board.generate_legal_moves()):
        return Settled(-MATED)
    must_move = in_check and ply < _ALL_EVASIONS
    best = Settled(-MATED) if must_move else Settled(material_balance(board, board.turn))
    if ply >= _PLIES:
        return best
    alpha = max(alpha, best.balance)
    for move in _evasions(board) if must_move else _captures(board, target if ply >= _ALL_CAPTURES else None):
        if alpha >= beta:
            break
        board.push(move)
        found = _search(board, -beta, -alpha, ply + 1, move.to_square)
        board.pop()
        if -found.balance > best.balance:
            best = Settled(-found.balance, (move, *found.line))
            alpha = max(alpha, best.balance)
    return best


def _captures(board: chess.Board, target: chess.Square | None) -> Iterator[chess.Move]:
    onto = chess.BB_ALL if target is None else chess.BB_SQUARES[target]
    moves = list(board.generate_legal_captures(to_mask=onto))
    moves += [move for move in _promotions(board) if not board.is_capture(move)]
    yield from sorted(moves, key=lambda move: _prospect(board, move), reverse=True)


def _promotions(board: chess.Board) -> Iterator[chess.Move]:
    last_ranks = chess.BB_RANK_1 | chess.BB_RANK_8
    for move in board.generate_legal_moves(from_mask=board.pawns, to_mask=last_ranks):
        if move.promotion == chess.QUEEN:
            yield move


def _evasions(board: chess.Board) -> list[chess.Move]:
    return sorted(board.generate_legal_moves(), key=lambda move: _prospect(board, move), reverse=True)


def _prospect(board: chess.Board, move: chess.Move) -> int:
    # The most valuable victim first, by the least valuable attacker: good moves early make the bounds bite.
    victim = board.piece_type_at(move.to_square)
    attacker = board.piece_type_at(move.from_square) or chess.PAWN
    promoted = VALUES[move.promotion] if move.promotion else 0
    return 10 * (promoted + (VALUES[victim] if victim else 0)) - VALUES[attacker]
