"""Mate as a reason."""

from __future__ import annotations

import pytest

from miner.explain.explanation import Mate, explain_mate
from tests.explain.positions import evidence

RETI = "e4 c6 d4 d5 Nc3 dxe4 Nxe4 Nf6 Qd3 e5 dxe5 Qa5+ Bd2 Qxe5 O-O-O"
LEGAL = "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5"


@pytest.mark.parametrize(
    ("moves", "reply", "best", "moves_to_mate"),
    [
        ("f3 e5", "g4 Qh4#", "Nc3", 1),
        (LEGAL, "Bxd1 Bxf7+ Ke7 Nd5#", "dxe5", 2),
        (RETI, "Nxe4 Qd8+ Kxd8 Bg5+ Kc7 Bd8#", "Be7", 3),
    ],
    ids=["Fool's mate", "Légal's mate", "Réti's double check"],
)
def test_line_that_ends_in_mate(moves: str, reply: str, best: str, moves_to_mate: int) -> None:
    """A line that ends in checkmate is mate in as many moves, whatever the score says."""
    found = explain_mate(evidence(moves, reply=reply, best=best))

    assert found == Mate(moves_to_mate)
    assert found.detail == f"mate in {moves_to_mate}"


def test_score_knows_of_a_mate_beyond_the_line() -> None:
    """The engine's mate in 7 counts although its line stops before the end."""
    found = explain_mate(evidence("f3 e5", reply="g4 d5", best="Nc3", reply_mate=-7))

    assert found == Mate(7)


def test_mate_that_comes_anyway_is_no_reason() -> None:
    """Where the best move is mated too, the reply has not caused it."""
    found = explain_mate(evidence("f3 e5", reply="g4 Qh4#", best="Nc3", best_mate=-4, reply_mate=-1))

    assert found is None


def test_missed_mate() -> None:
    """A reply that lets mate in one go misses it."""
    moves = "e4 e5 Bc4 Nc6 Qh5 Nf6"

    found = explain_mate(evidence(moves, reply="Qf3 d6", best="Qxf7#", best_mate=1, reply_cp=20))
    mates_later = explain_mate(evidence(moves, reply="Qf3 d6", best="Qxf7#", best_mate=1, reply_mate=4))

    assert found == Mate(1, missed=True)
    assert found.detail == "misses mate in 1"
    assert mates_later is None


def test_no_mate() -> None:
    """An ordinary loss is not mate."""
    assert explain_mate(evidence("e4 e5 f4 d5", reply="fxe5 Qh4+", best="exd5")) is None
