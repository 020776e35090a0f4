from __future__ import annotations

from typing import Any

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt
from hypothesis import example, given

from miner.board.keys import position_keys
from tests import strategies

Arrays = tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]

CODES = {piece: code for code, piece in enumerate("PNBRQKpnbrqk", start=1)}


def arrays_of(boards: list[chess.Board]) -> Arrays:
    squares = np.zeros((len(boards), 64), dtype=np.uint8)
    for row, board in enumerate(boards):
        for square, piece in board.piece_map().items():
            squares[row, square] = CODES[piece.symbol()]
    castling = [
        [
            board.has_kingside_castling_rights(chess.WHITE),
            board.has_queenside_castling_rights(chess.WHITE),
            board.has_kingside_castling_rights(chess.BLACK),
            board.has_queenside_castling_rights(chess.BLACK),
        ]
        for board in boards
    ]
    files = [-1 if board.ep_square is None else chess.square_file(board.ep_square) for board in boards]
    turns = [board.turn for board in boards]
    return (
        squares,
        np.array(castling, dtype=np.bool_).reshape(-1, 4),
        np.array(files, dtype=np.int8),
        np.array(turns, dtype=np.bool_),
    )


def keys_of(boards: list[chess.Board]) -> list[int]:
    return [int(key) for key in position_keys(*arrays_of(boards))]


def positions_of(game: strategies.Played) -> list[chess.Board]:
    board = chess.Board()
    boards = [board.copy()]
    for move in game.moves:
        board.push(move)
        boards.append(board.copy())
    return boards


@given(game=strategies.games())
@example(
    game=strategies.Played(tuple(map(chess.Move.from_uci, ["e2e4", "a7a6", "e4e5", "d7d5", "e5d6"])), "1-0")
)
@example(game=strategies.Played(tuple(map(chess.Move.from_uci, ["a2a4", "h7h6", "a4a5", "b7b5"])), "1-0"))
@example(game=strategies.Played(tuple(map(chess.Move.from_uci, ["h2h4", "a7a6", "h4h5", "g7g5"])), "1-0"))
def test_keys_are_those_of_python_chess(game: strategies.Played) -> None:
    """Every position of every game has the key that python-chess gives it."""
    boards = positions_of(game)

    assert keys_of(boards) == [chess.polyglot.zobrist_hash(board) for board in boards]


def test_castling_en_passant_and_promotion() -> None:
    """Each right to castle, a capture en passant at the board's edge, and a new queen are in the key."""
    fens = [
        "r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1",
        "r3k2r/8/8/8/8/8/8/R3K2R b Kq - 0 1",
        "4k3/8/8/pP6/8/8/8/4K3 w - a6 0 1",
        "4k3/8/8/8/6pP/8/8/4K3 b - h3 0 1",
        "4k3/8/8/8/P6p/8/8/4K3 b - a3 0 1",
        "Q3k3/8/8/8/8/8/8/4K3 b - - 0 1",
    ]
    boards = [chess.Board(fen) for fen in fens]

    assert keys_of(boards) == [chess.polyglot.zobrist_hash(board) for board in boards]


def test_no_positions() -> None:
    """No positions have no keys."""
    assert keys_of([]) == []
