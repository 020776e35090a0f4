"""The moves that may be mistakes, and what is known of the move before."""

from __future__ import annotations

import chess
import numpy as np
import pytest

from miner.board.moves import pack
from miner.scan.inquiry import Mistake, Suspect
from miner.scan.moments import suspects_of, told_of
from miner.scan.walk import walked
from miner.settings import ScanSettings
from miner.terms import Score, Side
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


@pytest.mark.parametrize(
    ("answers", "pattern"), [(("d1a4", "e5g4"), "too few defenders"), (("d1a4",), "position")]
)
def test_every_answer_counts_for_the_name(answers: tuple[str, ...], pattern: str) -> None:
    """The line begins with 10.Qa4+ and wins nothing that is easily told; 10.Nxg4 simply takes a bishop."""
    board = chess.Board("r2qkb1r/pp2pppp/5n2/4N3/2Bn2b1/2N5/PP3PPP/R1BQK2R b KQkq - 1 9")
    lines = [
        "Be6 Qa4+ Nd7 Bxe6 Nxe6 Be3 f6 Nf3",
        "e6 Qa4+ Nd7 Nxg4 h5 Ne3 Qh4 Bb5 O-O-O Bxd7+ Rxd7",
        "e6 Qa4+ Ke7 Qb4+ Qd6 Qxb7+ Nd7 Nxd7 Qxd7 Qxa8 Nc2+ Kf1 Qc7 Bb5 Nxa1",
    ]
    best, reply, defence = (tuple(move.uci() for move in san_line(board, line)) for line in lines)
    scores = (Score(Side.BLACK, cp=-104), Score(Side.BLACK, cp=-322))
    mistake = Mistake(*scores, best, reply, defence, answers, (1.0,) * len(answers))
    suspect = Suspect(0, pack(chess.Move.from_uci("e7e6")), board.fen(), ())

    assert told_of((suspect, mistake), ScanSettings())["pattern"] == pattern
