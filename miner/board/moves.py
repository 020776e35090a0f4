"""Moves: lines of them in UCI and SAN, packed into 16 bits, and whether they develop a piece."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import chess

from miner.terms import pack_move


def parse_uci_line(board: chess.Board, line: Sequence[str]) -> tuple[chess.Move, ...]:
    """The moves of an engine's line that begins at `board`; an empty line gives none.

    Raises ValueError at the first move that is malformed or illegal where it stands.
    """
    board = board.copy(stack=False)
    moves: list[chess.Move] = []
    for ply, uci in enumerate(line):
        try:
            moves.append(board.push_uci(uci))
        except ValueError as error:
            raise ValueError(
                f"move {ply + 1} of the line, {uci!r}, cannot be played in {board.fen()}"
            ) from error
    return tuple(moves)


def parse_san_line(board: chess.Board, line: Iterable[str]) -> list[chess.Move]:
    """The moves of a line in SAN that begins at `board`.

    Raises ValueError at the first move that is malformed or illegal where it stands.
    """
    board = board.copy(stack=False)
    return [board.push_san(san) for san in line]


def after(board: chess.Board, moves: Iterable[chess.Move]) -> chess.Board:
    """The board that legal `moves` lead to; `board` itself stays as it is."""
    board = board.copy(stack=False)
    for move in moves:
        board.push(move)
    return board


def sans_of(board: chess.Board, moves: Iterable[chess.Move]) -> tuple[str, ...]:
    """SAN of a line of legal moves that begins at `board`."""
    board = board.copy(stack=False)
    return tuple([board.san_and_push(move) for move in moves])


def line_san(board: chess.Board, moves: Iterable[chess.Move]) -> str:
    """SAN of a line of legal moves, with a space between each two.

    >>> line_san(chess.Board(), [chess.Move.from_uci("e2e4"), chess.Move.from_uci("e7e5")])
    'e4 e5'
    """
    return " ".join(sans_of(board, moves))


def pack(move: chess.Move) -> int:
    """A move as the 16 bits of the tables: see `miner.terms.pack_move`."""
    return pack_move(move.from_square, move.to_square, move.promotion)


def unpack_move(packed: int) -> chess.Move:
    """The move that 16 bits of a table stand for: the inverse of `pack`."""
    return chess.Move(packed >> 6 & 0x3F, packed & 0x3F, (packed >> 12 & 0x7) or None)


def captured_square(board: chess.Board, move: chess.Move) -> chess.Square:
    """The square of what a move takes, if it takes anything: beside the target when en passant."""
    if board.is_en_passant(move):
        return chess.square(chess.square_file(move.to_square), chess.square_rank(move.from_square))
    return move.to_square


CASTLED_ROOKS = {
    chess.G1: (chess.H1, chess.F1),
    chess.C1: (chess.A1, chess.D1),
    chess.G8: (chess.H8, chess.F8),
    chess.C8: (chess.A8, chess.D8),
}
"""Where castling takes the rook from, and puts it, by the king's new square."""

_DEVELOPED = (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
_START = chess.Board()


def is_home(piece: chess.Piece, square: chess.Square) -> bool:
    """Whether a piece of this type and colour stands on `square` in the start position.

    It need not be the same piece: a knight that goes from f6 by d7 to b8 is home again.
    """
    return square in _START.pieces(piece.piece_type, piece.color)


def is_developed(board: chess.Board, square: chess.Square) -> bool:
    """Whether a knight, bishop, rook or queen stands on `square` that is not at home there."""
    piece = board.piece_at(square)
    return piece is not None and piece.piece_type in _DEVELOPED and not is_home(piece, square)


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
    return board.is_castling(move) or (piece.piece_type in _DEVELOPED and leaves_home)


def is_forcing(board: chess.Board, move: chess.Move) -> bool:
    """Whether a move takes something or gives check."""
    return board.is_capture(move) or board.gives_check(move)
