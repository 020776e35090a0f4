"""By what a blow can be seen coming."""

from __future__ import annotations

import chess
import pytest

from miner.explain.sign import Sign, signs_of

BEFORE_QXF7 = "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3"


@pytest.mark.parametrize(
    ("fen", "blow", "signs"),
    [
        (BEFORE_QXF7, "h5f7", {Sign.AIMED, Sign.KING_ALONE, Sign.UNCASTLED}),
        # The rook on h8 is not aimed at yet, and the bishop guards nothing there.
        (
            "rnbqkbnr/pppp1ppp/8/4p2Q/4P3/8/PPPP1PPP/RNB1KBNR b KQkq - 1 2",
            "h5h8",
            {Sign.UNGUARDED, Sign.UNCASTLED},
        ),
        # Castled, f7 is guarded by king and rook.
        ("r1bq1rk1/ppppbppp/2n2n2/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQ - 0 6", "h5f7", {Sign.AIMED}),
    ],
)
def test_signs(fen: str, blow: str, signs: set[Sign]) -> None:
    """What stands on the board before the mistake."""
    assert signs_of(chess.Board(fen), chess.Move.from_uci(blow)) == signs
