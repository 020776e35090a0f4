"""Home squares and development."""

from __future__ import annotations

import chess
import pytest

from miner.board.moves import develops, goes_home, home_squares, is_developed


def test_home_of_a_knight_is_either_start_square() -> None:
    """Black's knights are at home on b8 and g8, White's on b1 and g1."""
    assert set(home_squares(chess.Piece.from_symbol("n"))) == {chess.B8, chess.G8}
    assert set(home_squares(chess.Piece.from_symbol("N"))) == {chess.B1, chess.G1}


def test_developed_is_an_officer_off_its_home() -> None:
    """A knight on f6 is developed; a rook at home, a pawn, a king and an empty square are not."""
    board = chess.Board("rnbq1bnr/ppppkppp/5n2/4p3/4P3/8/PPPPKPPP/RNBQ1BNR w - - 0 1")

    developed = [square for square in chess.SQUARES if is_developed(board, square)]

    assert developed == [chess.F6]


@pytest.mark.parametrize(
    ("fen", "uci", "home"),
    [
        ("rnbqkb1r/pppp1ppp/5n2/4P3/5p2/2N5/PPPP2PP/R1BQKBNR b KQkq - 0 4", "f6g8", True),
        ("rnbqkb1r/pppp1ppp/5n2/4P3/5p2/2N5/PPPP2PP/R1BQKBNR b KQkq - 0 4", "f6e4", False),
        ("rnbqkb1r/pppp1ppp/5n2/4P3/5p2/2N5/PPPP2PP/R1BQKBNR b KQkq - 0 4", "f8e7", False),
    ],
)
def test_knight_goes_home(fen: str, uci: str, home: bool) -> None:
    """Only a developed piece that returns to a square of its kind goes home."""
    assert goes_home(chess.Board(fen), chess.Move.from_uci(uci)) is home


@pytest.mark.parametrize(
    ("uci", "expected"), [("g1f3", True), ("e2e4", False), ("e1g1", True), ("f1a6", True), ("e1f1", False)]
)
def test_developing_move(uci: str, expected: bool) -> None:
    """A piece that leaves its home develops, and so does castling; a pawn does not."""
    board = chess.Board("rnbqkbnr/pppppppp/8/8/8/4B3/PPPPPPPP/RN1QK2R w KQkq - 0 1")
    if uci in ("g1f3", "f1a6"):
        board = chess.Board()

    assert develops(board, chess.Move.from_uci(uci)) is expected
