"""The moves that give check."""

from __future__ import annotations

from collections.abc import Iterator

import chess


def checks_of(board: chess.Board) -> list[chess.Move]:
    """The legal moves that give check, in no particular order.

    >>> [move.uci() for move in checks_of(chess.Board("7k/8/8/8/8/8/8/R6K w - - 0 1"))]
    ['a1a8']
    """
    return [move for move in _may_check(board) if board.is_legal(move) and board.gives_check(move)]


def _may_check(board: chess.Board) -> Iterator[chess.Move]:
    """Pseudo-legal moves, each once, among which are all that give check.

    A man gives check from where its kind attacks the king's square; or it leaves a line between the king and
    a line piece; or it promotes, castles or takes en passant. To play each move and look, as python-chess
    does, takes many times as long.
    """
    king = board.king(not board.turn)
    if king is None:
        return
    ours, occupied = board.occupied_co[board.turn], board.occupied
    straight = chess.BB_RANK_ATTACKS[king][chess.BB_RANK_MASKS[king] & occupied]
    straight |= chess.BB_FILE_ATTACKS[king][chess.BB_FILE_MASKS[king] & occupied]
    slanted = chess.BB_DIAG_ATTACKS[king][chess.BB_DIAG_MASKS[king] & occupied]
    promoting = board.pawns & (chess.BB_RANK_7 if board.turn == chess.WHITE else chess.BB_RANK_2)
    special = ours & (straight | slanted | board.kings | promoting)
    for men, strikes in (
        (board.pawns, chess.BB_PAWN_ATTACKS[not board.turn][king]),
        (board.knights, chess.BB_KNIGHT_ATTACKS[king]),
        (board.bishops, slanted),
        (board.rooks, straight),
        (board.queens, straight | slanted),
    ):
        yield from board.generate_pseudo_legal_moves(men & ours & ~special, strikes)
    yield from board.generate_pseudo_legal_moves(special)
    yield from board.generate_pseudo_legal_ep(board.pawns & ours & ~special)
