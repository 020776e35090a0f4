"""The one reason that a coach would give."""

from __future__ import annotations

import chess

from miner.board.lines import numbered
from miner.explain import Reason, explain
from tests.explain.positions import evidence


def test_knight_sent_home_is_a_tempo() -> None:
    """1.e4 e5 2.Nc3 Nf6 3.f4 exf4? 4.e5 and the knight must go back (common practice, no source)."""
    known = evidence(
        "e4 e5 Nc3 Nf6 f4",
        reply="exf4 e5 Ng8 Nf3 g5",
        best="d5 fxe5 Nxe4",
        best_cp=10,
        reply_cp=-60,
        retreat="Ng8",
        retreat_loss=0.12,
    )

    found = explain(known)

    assert found.reason is Reason.TEMPO
    assert found.detail == "the knight must go back from f6 to g8"
    assert numbered(known.after_reply(1), found.refutation) == "4.e5 Ng8"
    assert found.refutation[0] == chess.Move.from_uci("e4e5")
