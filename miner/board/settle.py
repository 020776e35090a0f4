"""Material, and what is left of it when the captures have settled."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from miner.board.checks import checks_of
from miner.board.moves import captured_square

VALUES = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
"""Standard piece values in pawns (common practice, no source)."""

MATED = 200
"""Pawns that checkmate counts when captures settle: more than all pieces that can ever stand on a board."""

_ALL_CAPTURES = 4  # plies in which any capture is tried; deeper only on the square of the last one
_ALL_EVASIONS = 3  # plies in which every way out of check is tried; deeper only captures
_PLIES = 16
_CHECKS = 3  # plies after an answer in which checks are tried too
_PUT_OFF = 1  # checks by which an answer may put the question off


@dataclass(frozen=True, slots=True)
class Settled:
    """A position when the captures have settled."""

    balance: int  # in pawns, of the side to move before; `MATED` or -`MATED`: the captures end in checkmate
    line: tuple[chess.Move, ...] = ()  # the captures that lead there


def material_balance(board: chess.Board, color: chess.Color) -> int:
    """Material of `color` less that of the other side, in pawns."""
    ours, theirs = board.occupied_co[color], board.occupied_co[not color]
    balance = 0
    for men, value in (
        (board.pawns, VALUES[chess.PAWN]),
        (board.knights, VALUES[chess.KNIGHT]),
        (board.bishops, VALUES[chess.BISHOP]),
        (board.rooks, VALUES[chess.ROOK]),
        (board.queens, VALUES[chess.QUEEN]),
    ):
        balance += value * ((men & ours).bit_count() - (men & theirs).bit_count())
    return balance


def taken_value(board: chess.Board, move: chess.Move) -> int:
    """Pawns that a move takes; 0: it takes nothing."""
    if not board.is_capture(move):
        return 0
    return VALUES[board.piece_type_at(captured_square(board, move)) or chess.PAWN]


def settled_balance(board: chess.Board, color: chess.Color) -> int:
    """Material balance of `color`, in pawns, when both sides have made all captures that pay (`settle`)."""
    balance = settle(board).balance
    return balance if board.turn == color else -balance


def settle(board: chess.Board) -> Settled:
    """Play out the captures and promotions that pay, the side to move being free to make none.

    Only legal moves count, so that a pinned defender defends nothing. A side in check cannot decline:
    it must find the best way out.
    Source: quiescence search with alpha-beta bounds (common practice of chess programs).
    """
    return _search(board.copy(stack=False), -MATED, MATED)


def settle_answer(board: chess.Board) -> Settled:
    """Play out the captures after the best answer of the side to move, which may be any legal move.

    So a threat shows that no answer parries: two pieces attacked at once, or one that cannot escape. The
    captures that follow may begin with a check. A check among the answers only puts the question off.
    Without a legal move the board is taken as it stands.
    """
    return _answer(board.copy(stack=False), -MATED, MATED, _PUT_OFF) or settle(board)


def _answer(board: chess.Board, alpha: int, beta: int, put_off: int) -> Settled | None:
    best: Settled | None = None
    for move in _evasions(board):
        board.push(move)
        if put_off and board.is_check():
            found = _after_check(board, alpha, beta, put_off)
        else:
            settled = _search(board, -beta, -alpha, checks=_CHECKS)
            found = Settled(-settled.balance, settled.line)
        board.pop()
        if best is None or found.balance > best.balance:
            best = Settled(found.balance, (move, *found.line))
            alpha = max(alpha, best.balance)
        if alpha >= beta:
            break
    return best


def _after_check(board: chess.Board, alpha: int, beta: int, put_off: int) -> Settled:
    """Balance for the side that gives check, when the other has left it in the way that suits it best."""
    worst = Settled(MATED)
    for evasion in _evasions(board):
        board.push(evasion)
        found = _answer(board, alpha, min(beta, worst.balance), put_off - 1) or settle(board)
        board.pop()
        if found.balance < worst.balance:
            worst = Settled(found.balance, (evasion, *found.line))
        if worst.balance <= alpha:
            break
    return worst


def _search(
    board: chess.Board,
    alpha: int,
    beta: int,
    ply: int = 0,
    checks: int = 0,  # plies in which a check is tried like a capture
    target: chess.Square | None = None,  # of the last capture
) -> Settled:
    in_check = board.is_check()
    if in_check and not any(board.generate_legal_moves()):
        return Settled(-MATED)
    must_move = in_check and ply < max(_ALL_EVASIONS, checks + 1)
    best = Settled(-MATED) if must_move else Settled(material_balance(board, board.turn))
    if ply >= _PLIES:
        return best
    alpha = max(alpha, best.balance)
    if alpha >= beta:
        return best
    for move in _evasions(board) if must_move else _tries(board, ply, checks, target):
        if alpha >= beta:
            break
        board.push(move)
        found = _search(board, -beta, -alpha, ply + 1, checks, move.to_square)
        board.pop()
        if -found.balance > best.balance:
            best = Settled(-found.balance, (move, *found.line))
            alpha = max(alpha, best.balance)
    return best


def _tries(board: chess.Board, ply: int, checks: int, target: chess.Square | None) -> list[chess.Move]:
    onto = chess.BB_ALL if target is None or ply < _ALL_CAPTURES else chess.BB_SQUARES[target]
    moves = list(board.generate_legal_captures(to_mask=onto))
    pawns = board.pawns & board.occupied_co[board.turn] & (chess.BB_RANK_7 if board.turn else chess.BB_RANK_2)
    if pawns:
        promotions = board.generate_legal_moves(from_mask=pawns, to_mask=chess.BB_BACKRANKS)
        moves += [move for move in promotions if move.promotion == chess.QUEEN and not board.is_capture(move)]
    moves.sort(key=lambda move: _prospect(board, move), reverse=True)
    if ply < checks:
        given = [move for move in checks_of(board) if not board.is_capture(move) and not move.promotion]
        moves += sorted(given, key=lambda move: _prospect(board, move), reverse=True)
    return moves


def _evasions(board: chess.Board) -> list[chess.Move]:
    return sorted(board.generate_legal_moves(), key=lambda move: _prospect(board, move), reverse=True)


def _prospect(board: chess.Board, move: chess.Move) -> tuple[int, int, int]:
    # The most valuable victim first, by the least valuable attacker: good moves early make the bounds bite.
    # Of equals the one that comes first as their side sees the board, so that both colours settle alike.
    victim = board.piece_type_at(move.to_square)
    attacker = board.piece_type_at(move.from_square) or chess.PAWN
    promoted = VALUES[move.promotion] if move.promotion else 0
    turned = 0 if board.turn == chess.WHITE else 56  # the square across the middle of the board
    prospect = 10 * (promoted + (VALUES[victim] if victim else 0)) - VALUES[attacker]
    return prospect, -(move.from_square ^ turned), -(move.to_square ^ turned)
