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

    expected = TempoLost(chess.KNIGHT, (chess.F6, chess.G8), plies=3, how="must go back", verified=True)
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
        "Ne4 d3 Nxf2 Kxf2 d6 d4 dxe5",  # it takes something
        "Ne4 h3 Nc5 h4 Ne6 d4",  # it moves of its own will
    ],
)
def test_no_chase(reply: str) -> None:
    """A piece that is not hunted all the way, or that takes something, is not chased."""
    assert explain_tempo(evidence("e4 Nf6 e5", reply=reply, best="Nd5 d4 d6")) is None


def test_queen_that_goes_home() -> None:
    """1.e4 e6 2.d4 Qh4 3.Nc3: sooner or later the queen is back on d8, and White is developed."""
    known = evidence(
        "e4 e6 d4",
        reply="Qh4 Nc3 Nf6 Nf3 Qg4 h3 Qg6",
        best="d5 Nc3 Nf6",
    )
    home = evidence(
        "e4 e6 d4",
        reply="Qh4 Nc3 Nc6 Nf3 Qd8 d5 Nce7",
        best="d5 Nc3 Nf6",
        defences=("Qh4 Nc3 d6 Nf3 Qd8 Bd3",),
    )

    chased, found = explain_tempo(known), explain_tempo(home)

    assert chased is None or not chased.detail.startswith("the queen goes back")
    assert found is not None
    assert found.detail == "the queen goes back from h4 to d8"


def test_knight_driven_back_by_a_pawn() -> None:
    """2...Nc6 3.d5 Nce7: the pawn wins a move, whatever Black plays afterwards."""
    known = evidence(
        "e4 e5 d4",
        reply="Nc6 d5 Nce7 Ne2 d6",
        best="exd4 Qxd4 Nc6",
        defences=("Nc6 d5 Nce7 Nf3 Ng6",),
    )

    found = explain_tempo(known)

    assert found is not None
    assert found.detail == "the knight is driven back from c6 to e7"
    assert found.plies == 3


def test_piece_that_may_stay_has_lost_no_time() -> None:
    """A defence as good as the engine's own in which the piece does not move takes the claim away."""
    known = evidence(
        "e4 Nf6 e5",
        reply="Ne4 d3 Nc5 Nf3 d6 Nc3 e6",
        best="Nd5 d4 d6",
        defences=("Ne4 d3 d5 dxe4 dxe4",),
    )
    forced = evidence("e4 Nf6 e5", reply="Ne4 d3 Nc5 Nf3 d6 Nc3 e6", best="Nd5 d4 d6")

    found = explain_tempo(forced)
    assert found is not None
    assert found.detail == "the knight is driven back from e4 to c5"
    assert explain_tempo(known) is None


def test_piece_driven_sooner_than_after_the_best_move() -> None:
    """4...Ne5 5.f4 drives the knight at once; that 4...Nf6 is driven on by e5 later takes nothing away."""
    known = evidence(
        "e4 e5 Nf3 Nc6 d4 exd4 Nxd4",
        reply="Ne5 f4 Nc6 Nc3 Bb4",
        best="Nf6 Nxc6 bxc6 Bd3 d5 e5 Ng4",
        defences=("Ne5 f4 Ng6 Nc3 Bb4",),
    )
    as_soon = evidence("e4 Nf6 e5", reply="Ng4 h3 Nh6 d4 d6", best="Nd5 c4 Nb6 d4 d6")

    found = explain_tempo(known)

    assert found is not None
    assert found.detail == "the knight is driven from e5"
    assert explain_tempo(as_soon) is None


def test_queen_that_leaves_again() -> None:
    """1.e3 e5 2.Qh5: sooner or later ...Nf6 comes, to whichever square she goes then, or before."""
    known = evidence(
        "e3 e5",
        reply="Qh5 Nc6 c4 d5 cxd5 Nf6 Qd1 Nxd5",
        best="d4 exd4 exd4 d5",
        defences=("Qh5 Nc6 c4 d5 cxd5 Nf6 Qe2 Nxd5", "Qh5 Nc6 c4 d5 Qd1 d4"),
    )

    found = explain_tempo(known)

    assert found is not None
    assert found.detail == "the queen leaves h5 again"


def test_queen_that_is_driven_from_her_square() -> None:
    """2.Qh5 Nf6 attacks her at once, whatever square she takes then."""
    known = evidence(
        "e4 c6",
        reply="Qh5 Nf6 Qh4 d5 exd5",
        best="d4 d5 e5",
        defences=("Qh5 Nf6 Qe2 d5 e5",),
    )

    found = explain_tempo(known)

    assert found is not None
    assert found.detail == "the queen is driven from h5"
