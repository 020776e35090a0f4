"""Lost time as a reason."""

from __future__ import annotations

import chess
import pytest

from miner.explain.tempo import TempoLost, explain_tempo
from tests.explain.positions import evidence

VIENNA = "e4 e5 Nc3 Nf6 f4"


@pytest.mark.parametrize(("loss", "forced"), [(0.14, True), (0.10, True), (0.09, False), (None, False)])
def test_retreat_counts_only_if_forced(loss: float | None, forced: bool) -> None:
    """Every move that takes no piece home must be clearly worse."""
    known = evidence(VIENNA, reply="exf4 e5 Ng8 Nf3", best="d5", retreat="Ng8", retreat_loss=loss)

    found = explain_tempo(known, forced_loss=0.10)

    expected = TempoLost(chess.KNIGHT, (chess.F6, chess.G8), plies=3, home=True)
    assert found == (expected if forced else None)


def test_detour_home_is_told_from_the_retreat() -> None:
    """4...Qe7 5.Qe2 sends the knight home all the same; the queen's move itself takes nothing home."""
    known = evidence(VIENNA, reply="exf4 e5 Qe7 Qe2 Ng8", best="d5", retreat="Qe7", retreat_loss=0.14)

    assert explain_tempo(known) is None


def test_knight_chased_by_pawns() -> None:
    """In Alekhine's defence the knight that goes forward is hunted from square to square."""
    known = evidence("e4 Nf6 e5", reply="Ne4 d3 Nc5 b4 Ne6 d4", best="Nd5 d4 d6")

    found = explain_tempo(known)

    assert found is not None
    assert found.path == (chess.F6, chess.E4, chess.C5, chess.E6)
    assert found.detail == "the knight is chased: f6-e4-c5-e6"


@pytest.mark.parametrize(
    "reply",
    [
        "Ne4 d3 Nc5 Nf3 d6 Nc3 e6",  # hunted once only
        "Ne4 d3 Nxf2 Kxf2 d6 d4 dxe5",  # it takes something
        "Ne4 h3 Nc5 h4 Ne6 d4",  # it moves of its own will
    ],
)
def test_no_chase(reply: str) -> None:
    """A piece that is not hunted all the way, or that takes something, is not chased."""
    assert explain_tempo(evidence("e4 Nf6 e5", reply=reply, best="Nd5 d4 d6")) is None
