"""Lines of moves between UCI, SAN and the 16 bits of the tables."""

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


def after(board: chess.Board, moves: Iterable[chess.Move]) -> chess.Board:
    """The board that legal `moves` lead to; `board` itself stays as it is."""
    board = board.copy(stack=False)
    for move in moves:
        board.push(move)
    return board


def line_san(board: chess.Board, moves: Iterable[chess.Move]) -> str:
    """SAN of a line of legal moves, with a space between each two.

    >>> line_san(chess.Board(), [chess.Move.from_uci("e2e4"), chess.Move.from_uci("e7e5")])
    'e4 e5'
    """
    board = board.copy(stack=False)
    return " ".join([board.san_and_push(move) for move in moves])


def pack(move: chess.Move) -> int:
    """A move as the 16 bits of the tables: see `miner.terms.pack_move`."""
    return pack_move(move.from_square, move.to_square, move.promotion)


def unpack_move(packed: int) -> chess.Move:
    """The move that 16 bits of a table stand for: the inverse of `pack`."""
    return chess.Move(packed >> 6 & 0x3F, packed & 0x3F, (packed >> 12 & 0x7) or None)
