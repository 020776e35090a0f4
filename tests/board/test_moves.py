"""Moves between UCI, SAN and 16 bits, home squares and development."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import (
    after,
    develops,
    goes_home,
    is_developed,
    is_home,
    line_san,
    pack,
    parse_uci_line,
    unpack_move,
)

VIENNA = ["e2e4", "e7e5", "b1c3", "g8f6", "f2f4", "e5f4", "e4e5", "f6g8"]


def test_line_is_parsed_and_written() -> None:
    """UCI moves become legal moves, and these become SAN."""
    moves = parse_uci_line(chess.Board(), VIENNA)

    assert line_san(chess.Board(), moves) == "e4 e5 Nc3 Nf6 f4 exf4 e5 Ng8"


def test_board_stays_as_it_is() -> None:
    """Reading and writing a line changes nothing on the board it begins at."""
    board = chess.Board()

    moves = parse_uci_line(board, VIENNA)
    line_san(board, moves)
    after(board, moves)

    assert board == chess.Board()


@pytest.mark.parametrize("line", [["e2e5"], ["e2e4", "e2e4"], ["castle"], ["0000", "e7e5", "e1e8"]])
def test_illegal_move_is_refused(line: list[str]) -> None:
    """A line stops with an error at a move that cannot be played, and names it."""
    with pytest.raises(ValueError, match="cannot be played"):
        parse_uci_line(chess.Board(), line)


@given(
    start=st.integers(0, 63),
    to=st.integers(0, 63),
    promotion=st.sampled_from([None, chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN]),
)
def test_packing_loses_nothing(start: int, to: int, promotion: int | None) -> None:
    """A move comes back from its 16 bits as it was."""
    move = chess.Move(start, to, promotion)

    packed = pack(move)

    assert 0 <= packed < 1 << 16
    assert unpack_move(packed) == move


def test_home_of_a_knight_is_either_start_square() -> None:
    """Black's knights are at home on b8 and g8, White's on b1 and g1."""
    black, white = chess.Piece.from_symbol("n"), chess.Piece.from_symbol("N")

    assert [square for square in chess.SQUARES if is_home(black, square)] == [chess.B8, chess.G8]
    assert [square for square in chess.SQUARES if is_home(white, square)] == [chess.B1, chess.G1]


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
