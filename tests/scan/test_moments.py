"""The moves that may be mistakes, and what is known of the move before."""

from __future__ import annotations

import chess
import numpy as np
import pytest

from miner.board.moves import pack
from miner.scan.moments import suspects_of
from miner.scan.walk import walked
from miner.settings import ScanSettings
from tests.explain.positions import san_line


@pytest.mark.parametrize(("moves", "square"), [("e4 d5 exd5 a6", chess.D5), ("e4 d5 e5 a6", None)])
def test_square_of_the_capture_before(moves: str, square: chess.Square | None) -> None:
    """Only who has just lost something there can miss to take back."""
    line = san_line(chess.Board(), moves)
    packed = np.array([pack(move) for move in line], dtype=np.uint16)
    walk = walked(np.zeros(4, dtype=np.uint32), np.arange(4, dtype=np.uint8), packed, first=0, most=30)
    expected = np.full(len(walk.fens), 0.5)
    expected[walk.after[3]] = 0.9

    [suspect] = suspects_of(walk, expected, ScanSettings())

    assert suspect.taken_on == square
