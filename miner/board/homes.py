"""Home squares, and which pieces have left them."""

from __future__ import annotations

import chess

OFFICERS = (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
"""What is developed: every piece but the king and the pawns."""

_START = chess.Board()


def home_squares(piece: chess.Piece) -> chess.SquareSet:
    """Where pieces of this type and colour stand in the start position.

    Any of them is home to any such piece: a knight that goes from f6 by d7 to b8 is home again.
    """
    return _START.pieces(piece.piece_type, piece.color)


def is_home(piece: chess.Piece, square: chess.Square) -> bool:
    """Whether `square` belongs to the home squares of such a piece."""
    return square in home_squares(piece)


def is_developed(board: chess.Board, square: chess.Square) -> bool:
    """Whether a knight, bishop, rook or queen stands on `square` that is not at home there."""
    piece = board.piece_at(square)
    return piece is not None and piece.piece_type in OFFICERS and not is_home(piece, square)


def goes_home(board: chess.Board, move: chess.Move) -> bool:
    """Whether this move takes a developed piece back to a home square of its kind."""
    piece = board.piece_at(move.from_square)
    return piece is not None and is_developed(board, move.from_square) and is_home(piece, move.to_square)


def develops(board: chess.Board, move: chess.Move) -> bool:
    """Whether this move brings a piece off its home square, or castles."""
    piece = board.piece_at(move.from_square)
    if piece is None:
        return False
    leaves_home = is_home(piece, move.from_square) and not is_home(piece, move.to_square)
    return board.is_castling(move) or (piece.piece_type in OFFICERS and leaves_home)
