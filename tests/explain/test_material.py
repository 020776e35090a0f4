"""Material as a reason."""

from __future__ import annotations

import chess
import pytest

from miner.board.moves import line_san
from miner.explain.material import Cost, explain_material
from tests.explain.positions import evidence

ELEPHANT = "d4 d5 c4 e6 Nc3 Nf6 Bg5 Nbd7 cxd5 exd5"
NOAH = "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 d6 d4 b5 Bb3 Nxd4 Nxd4 exd4"


@pytest.mark.parametrize(
    ("moves", "reply", "best", "pawns", "detail"),
    [
        (ELEPHANT, "Nxd5 Nxd5 Bxd8 Bb4+ Qd2 Bxd2+ Kxd2 Kxd8", "e3 Be7 Bd3", 2, "wins a knight for a pawn"),
        (
            "e4 e5 f4 d5",
            "fxe5 Qh4+ g3 Qxe4+ Qe2 Qxh1",
            "exd5 exf4 Nf3",
            4,
            "wins a rook for a pawn",
        ),
        ("e4 d5 exd5 Qxd5 Nc3", "Qc6 Bb5 Bd7 Bxc6 Bxc6", "Qa5 d4 Nf6", 6, "wins a queen for a bishop"),
        (NOAH, "Qxd4 c5 Qc3 c4 a4 cxb3", "c3 dxc3 Nxc3 Nf6", 1, "wins a bishop for two pawns"),
        ("e4 e5 Nf3 d6 Bc4 Bg4 Nc3", "g6 Nxe5 dxe5 Qxg4", "Nf6 d3", 1, "wins a pawn"),
    ],
    ids=["Elephant trap", "Falkbeer", "pinned queen", "Noah's Ark", "Légal, a pawn"],
)
def test_what_is_won_when_captures_settle(moves: str, reply: str, best: str, pawns: int, detail: str) -> None:
    """The balance at the end of the forcing part, in standard values, against the best line."""
    found = explain_material(evidence(moves, reply=reply, best=best))

    assert found is not None
    assert found.pawns == pawns
    assert found.detail == detail


def test_words_and_balance_agree() -> None:
    """The pieces that are named are worth the pawns that are lost."""
    found = explain_material(
        evidence("e4 d5 exd5 Qxd5 Nc3", reply="Qc6 Bb5 Bd7 Bxc6 Bxc6", best="Qa5 d4 Nf6")
    )

    assert found is not None
    assert found.net == {chess.QUEEN: 1, chess.BISHOP: -1}
    assert found.pawns == 9 - 3


def test_loss_is_taken_with_the_last_move_of_a_short_line() -> None:
    """3...d6 lets 4.hxg6 win a pawn: not the reply, but the capture with which the line ends, shows it."""
    found = explain_material(evidence("e4 g6 h4 Nf6 h5", reply="d6 hxg6", best="gxh5 Rxh5"))

    assert found is not None
    assert (found.pawns, found.plies) == (1, 2)


def test_refutation_ends_when_the_gain_is_on_the_board() -> None:
    """The line is shown up to the capture of the queen's worth, not to its far end."""
    known = evidence(
        "e4 e5 f4 d5", reply="fxe5 Qh4+ g3 Qxe4+ Qe2 Qxh1 Nf3 Bg4 Kf2 Nc6 d3 O-O-O", best="exd5 exf4 Nf3"
    )

    found = explain_material(known)

    assert found is not None
    assert line_san(known.board, known.reply_line[: found.plies]) == "fxe5 Qh4+ g3 Qxe4+ Qe2 Qxh1"


def test_what_is_taken_back_is_no_gain() -> None:
    """Captures that balance each other lose nothing: the exchange variation of the Ruy Lopez."""
    known = evidence("e4 e5 Nf3 Nc6 Bb5 a6", reply="Bxc6 dxc6 O-O f6 d4 exd4 Nxd4", best="Ba4 Nf6 O-O")

    assert explain_material(known) is None


def test_pawn_that_the_best_line_gives_up_is_not_lost_by_the_reply() -> None:
    """Where the best move is a gambit of a pawn, a reply that drops a pawn has lost no material."""
    known = evidence("e4 e5 Nf3 Nc6 Bc4 Bc5", reply="a3 Nf6 Nc3 O-O d3 d6", best="b4 Bxb4 c3 Ba5 d4")
    dropped = evidence("e4 e5", reply="d4 exd4 Bd3 Nc6 Nf3 Bc5 O-O d6", best="Nf3 Nc6 Bb5")

    assert explain_material(known) is None
    lost = explain_material(dropped)
    assert lost is not None
    assert lost.detail == "wins a pawn"


def test_missed_gain_is_told_from_a_loss() -> None:
    """A reply that leaves a hanging knight alone loses nothing, but misses something."""
    found = explain_material(
        evidence("e4 e5 Nf3 Nc6 Ng5", reply="Nf6 Nf3 d6", best="Qxg5 d4 Qg6", reply_cp=0)
    )

    assert found is not None
    assert found.cost is Cost.MISSES
    assert found.detail.startswith("misses the win of a knight")


def test_piece_not_taken_back() -> None:
    """Who does not retake has lost what was taken."""
    found = explain_material(evidence("e4 d5 exd5", reply="a6 c4 e6 dxe6 Bxe6", best="Qxd5 Nc3 Qa5"))

    assert found is not None
    assert found.cost is Cost.LEAVES
    assert found.detail == "does not win back a pawn"


def test_threat_at_the_end_of_a_line_counts() -> None:
    """A line may stop with the fork: no answer saves both king and rook."""
    known = evidence("r3k3/pp3ppp/8/3N4/8/8/PPP2PPP/4K3 b q - 0 1", reply="h6 Nc7+", best="O-O-O Nc3")

    found = explain_material(known)

    assert found is not None
    assert found.pawns == 5
