"""The king's safety as a reason."""

from __future__ import annotations

import chess
import pytest

from miner.explain.king import explain_king
from tests.explain.positions import evidence

TWO_KNIGHTS = "e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 d5 exd5"


def test_fried_liver_drives_the_king_to_the_centre() -> None:
    """After 6.Nxf7 Kxf7 7.Qf3+ the king must guard the knight from e6."""
    known = evidence(TWO_KNIGHTS, reply="Nxd5 Nxf7 Kxf7 Qf3+ Ke6 Nc3 Nb4", best="Na5 Bb5+ c6 dxc6 bxc6")

    found = explain_king(known)

    assert found is not None
    assert found.driven_to == chess.E6
    assert found.castling_lost
    assert found.detail == "Black can no longer castle; the king is drawn out to e6"


def test_castling_lost_on_the_back_rank() -> None:
    """A king that steps to f8 out of check has lost its castling and nothing more."""
    known = evidence("e4 g6 d4 Bg7 Nf3 d6 Bc4", reply="Nd7 Bxf7+ Kf8 Bb3", best="Nf6 Qe2 O-O")

    found = explain_king(known)

    assert found is not None
    assert found.driven_to is None
    assert found.detail == "Black can no longer castle"


@pytest.mark.parametrize("then", ["Kd6", "Kf7"])
def test_farthest_square_is_the_first_of_its_rank(then: str) -> None:
    """A king that steps aside to d6 or back to f7 is not driven farther: it had happened with 8...Ke6."""
    known = evidence(TWO_KNIGHTS, reply=f"Nxd5 Nxf7 Kxf7 Qf3+ Ke6 Qg4+ {then}", best="Na5 Bb5+ c6 dxc6 bxc6")

    found = explain_king(known)

    assert found is not None
    assert (found.driven_to, found.plies) == (chess.E6, 5)


def test_king_that_steps_aside_behind_its_pawns_is_at_home() -> None:
    """From g1 to h2 out of a check is no way out; a king that takes on h7 has been drawn out."""
    aside = evidence(
        "r4k2/ppN3pr/2n2q1p/2b1p3/4n3/7P/PPPP1PP1/R1BQ1RK1 w - - 1 15",
        reply="Nxa8 Bxf2+ Rxf2 Qxf2+ Kh2 Nd4",
        best="Qe2 Bxf2+ Rxf2 Nxf2 Nxa8",
    )
    takes = evidence(
        "r1bqk2r/pppp1ppp/1b6/n2nP3/8/3B1N2/P4PPP/RNBQ1RK1 b kq - 1 11",
        reply="O-O Bxh7+ Kxh7 Ng5+ Kg8 Qh5",
        best="d6 exd6 Be6 dxc7 Qxc7",
    )

    found = explain_king(takes)

    assert explain_king(aside) is None
    assert found is not None
    assert found.detail == "Black's king is drawn out to h7"


def test_castling_is_lost_once() -> None:
    """What the king does on its back rank after 5...Kf8 adds nothing: three plies are enough to see it."""
    known = evidence("e4 g6 d4 Bg7 Nf3 d6 Bc4", reply="Nd7 Bxf7+ Kf8 Bg8 Kxg8", best="Nf6 Qe2 O-O")

    found = explain_king(known)

    assert found is not None
    assert (found.driven_to, found.plies) == (None, 3)


def test_white_king_that_walks_out_by_itself() -> None:
    """In the Traxler the reply 6.Ke2 brings the king out, where 6.Kf1 keeps it at home."""
    known = evidence("e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 Bc5 Nxf7 Bxf2+", reply="Ke2 Nd4+ Kd3", best="Kf1 Qe7 Nxh8 d5")

    found = explain_king(known)

    assert found is not None
    assert not found.castling_lost  # lost either way
    assert found.detail == "White's king is drawn out to d3"


def test_king_is_in_no_danger_without_queens() -> None:
    """After an exchange of queens on d8 the king stands well in the centre."""
    known = evidence("e4 e5 Nf3 d6 d4", reply="Nf6 dxe5 dxe5 Qxd8+ Kxd8 Bc4", best="exd4 Nxd4 Nf6")

    assert explain_king(known) is None


def test_castling_that_the_best_line_loses_too() -> None:
    """What the best line costs as well is no reason against the reply."""
    known = evidence("e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 Bc5 Nxf7 Bxf2+", reply="Kf1 Qe7", best="Kxf2 Nxe4+ Kg1")

    assert explain_king(known) is None


def test_castling_itself_is_no_loss() -> None:
    """A king that castles has used its right, not lost it."""
    known = evidence("e4 e5 Nf3 Nc6 Bc4 Bc5", reply="O-O Nf6 d3 d6", best="c3 Nf6 d3 d6")

    assert explain_king(known) is None


def test_king_that_need_not_move() -> None:
    """1.e4 e5 2.f4 exf4 3.Nc3 Qh4+ drives the king to e2; after 2...Qh4+ White may play 3.g3 as well."""
    forced = evidence("e4 e5 f4 exf4", reply="Nc3 Qh4+ Ke2 d5 Nxd5 Bg4+", best="Nf3 g5 Bc4")
    free = evidence(
        "e4 e5", reply="f4 Qh4+ Ke2 exf4", best="Nf3 Nc6 Bb5", defences=("f4 Qh4+ g3 Qe7 fxe5 Qxe5",)
    )

    found = explain_king(forced)
    assert found is not None
    assert found.detail == "White can no longer castle; the king is drawn out to e2"
    assert explain_king(free) is None


def test_square_is_named_where_every_defence_ends_on_it() -> None:
    """With two squares to choose from, the king is drawn out, nobody knows where to."""
    moves, best = TWO_KNIGHTS, "Na5 Bb5+ c6 dxc6 bxc6"
    known = evidence(
        moves,
        reply="Nxd5 Nxf7 Kxf7 Qf3+ Ke6 Nc3",
        best=best,
        defences=("Nxd5 Nxf7 Kxf7 Qf3+ Ke7 Qxd5",),
    )

    found = explain_king(known)

    assert found is not None
    assert found.detail == "Black can no longer castle; the king is drawn out"
