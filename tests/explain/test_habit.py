"""What a reply does at once, on boards that every coach knows."""

from __future__ import annotations

import pytest

from miner.explain.habit import explain_habit
from tests.judge.tables import board_after


@pytest.mark.parametrize(
    ("path", "reply", "told"),
    [
        ("e4 e5 Nf3", "Qf6", "brings the queen out before most of the other pieces"),
        ("e4 e5 Bc4", "Qe7", "shuts in its own bishop on f8"),
        ("e4 e5 Nf3 Nc6", "Qe2", "shuts in its own bishop on f1"),
        ("e4 e5 Nf3 Nc6 Bc4 g6 d3", "Qe7", ""),  # the bishop can go to g7
        ("e4 d5 exd5", "Qxd5", ""),  # it takes back
        ("e4 e5 Nf3 Nc6 Bc4 Nf6 Nc3 Bc5 d3 d6 Bg5", "Qe7", ""),  # the pieces are out
        ("d4 e5 dxe5", "Bd6", "shuts in its own d-pawn"),
        ("e4 e5 d4 d6 Nf3", "Be7", ""),
        ("e4 d5", "f3", "moves the f-pawn, which covers the king"),
        ("e4 e5 Nf3", "f6", "moves the f-pawn, which covers the king"),
        ("e4", "g5", "advances the g-pawn, which covers a king that castles short"),
        ("e4 e5 Nf3 Nc6", "g3", ""),
        ("e4 e5 Nc3 Nc6 Bc4 Nf6 Nge2 Be7 O-O d6", "f4", ""),  # the king has castled
        ("e4 e5 Nf3", "c6", "takes the square c6 from its own knight"),
        ("e4 e5 Nf3 Nc6 Bc4 Na5 Nxe5", "c6", ""),  # the knight has left
        ("e4 e5 Nf3 Nc6 d4 exd4 Bc4", "h6", "moves a pawn on the edge while most of the pieces are at home"),
        ("e4 e5 Nf3 Nc6 Bc4 Nf6 d3 Bc5 O-O", "h6", ""),
        ("e4 e5 Nf3", "d6", ""),
    ],
)
def test_advice_that_a_reply_goes_against(path: str, reply: str, told: str) -> None:
    """Queen, central pawn, f- and g-pawn, knight's square, edge; common practice, no source."""
    board = board_after(path)

    assert explain_habit(board, board.parse_san(reply)) == told
