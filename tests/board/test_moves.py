"""Lines between UCI, SAN and 16 bits."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import after, line_san, pack, parse_uci_line, unpack_move

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
