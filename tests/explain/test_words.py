"""Facts in plain English."""

from __future__ import annotations

import chess
import pytest

from miner.explain.evidence import exchange, pieces


@pytest.mark.parametrize(
    ("net", "text"),
    [
        ({chess.KNIGHT: 1, chess.PAWN: -1}, "a knight for a pawn"),
        ({chess.ROOK: 1, chess.KNIGHT: 1, chess.PAWN: 2}, "a rook, a knight and two pawns"),
        ({chess.QUEEN: 1, chess.ROOK: -2}, "a queen for two rooks"),
        ({chess.PAWN: 1}, "a pawn"),
    ],
)
def test_exchange(net: dict[int, int], text: str) -> None:
    """What is gained comes first, the most valuable first, then what is given for it."""
    assert exchange(net) == text


def test_nothing_is_nothing() -> None:
    """No pieces give no words."""
    assert pieces({}) == ""
