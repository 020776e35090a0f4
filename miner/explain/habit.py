"""What a reply does on the board at once, where nothing that follows says more: advice that pupils know.

That it is the reason is common practice, no source; that it is so can be seen.
"""

from __future__ import annotations

import chess

from miner.board.moves import is_developed
from miner.explain.evidence import rank_of

_AT_HOME = 3  # knights and bishops of its own side, from which on a move of another man comes too soon
_OUT = 2  # ranks from its own back rank on, which is 0: on e7 a black queen is not out yet
_KNIGHT_BEHIND = {
    chess.C3: chess.B1,
    chess.F3: chess.G1,
    chess.C6: chess.B8,
    chess.F6: chess.G8,
}  # the square to which each knight would be developed


def explain_habit(board: chess.Board, reply: chess.Move) -> str:
    """The advice that a reply goes against, as what its side does; empty if it goes against none.

    >>> board = chess.Board("rnbqkbnr/pppp1ppp/8/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R b KQkq - 1 2")
    >>> explain_habit(board, board.parse_san("Qf6"))
    'brings the queen out before most of the other pieces'
    """
    kind, color = board.piece_type_at(reply.from_square), board.turn
    minor = (board.knights | board.bishops) & board.occupied_co[color]
    comes_too_soon = sum(not is_developed(board, square) for square in chess.SquareSet(minor)) >= _AT_HOME
    is_out = rank_of(reply.to_square, color) >= _OUT
    if kind == chess.QUEEN and is_out and comes_too_soon and not board.is_capture(reply):
        return "brings the queen out before most of the other pieces"
    if kind == chess.QUEEN and _shuts_in_bishop(board, reply.to_square):
        return f"shuts in its own bishop on {chess.square_name(_kings_bishop(color))}"
    if kind == chess.BISHOP and _stands_before_pawn(board, reply.to_square):
        return f"shuts in its own {chess.FILE_NAMES[chess.square_file(reply.to_square)]}-pawn"
    if kind != chess.PAWN:
        return ""
    file = chess.square_file(reply.from_square)
    king = board.king(color)
    if file == chess.square_file(chess.F1) and king is not None and chess.square_file(king) == 4:
        return "moves the f-pawn, which covers the king"
    if file == chess.square_file(chess.G1) and abs(reply.to_square - reply.from_square) == 16:
        return "advances the g-pawn, which covers a king that castles short"
    if (knight := _KNIGHT_BEHIND.get(reply.to_square)) is not None and _is_own_knight(board, knight):
        return f"takes the square {chess.square_name(reply.to_square)} from its own knight"
    if file in (0, 7) and comes_too_soon and not board.is_capture(reply):
        return "moves a pawn on the edge while most of the pieces are at home"
    return ""


def _kings_bishop(color: chess.Color) -> chess.Square:
    return chess.F1 if color == chess.WHITE else chess.F8


def _shuts_in_bishop(board: chess.Board, square: chess.Square) -> bool:
    """Whether a man on this square, before the king, and the g-pawn leave the king's bishop no way out."""
    bishop = chess.Piece(chess.BISHOP, board.turn)
    ways = (chess.E2, chess.G2) if board.turn == chess.WHITE else (chess.E7, chess.G7)
    pawn = chess.Piece(chess.PAWN, board.turn)
    return (
        board.piece_at(_kings_bishop(board.turn)) == bishop
        and square == ways[0]
        and board.piece_at(ways[1]) == pawn
    )


def _stands_before_pawn(board: chess.Board, square: chess.Square) -> bool:
    """Whether one of the two central pawns has not moved and could not, with a man on this square."""
    rank, file = chess.square_rank(square), chess.square_file(square)
    behind = chess.square(file, 1 if board.turn == chess.WHITE else 6)
    is_before = rank == (2 if board.turn == chess.WHITE else 5)
    return is_before and file in (3, 4) and board.piece_at(behind) == chess.Piece(chess.PAWN, board.turn)


def _is_own_knight(board: chess.Board, square: chess.Square) -> bool:
    return board.piece_at(square) == chess.Piece(chess.KNIGHT, board.turn)
