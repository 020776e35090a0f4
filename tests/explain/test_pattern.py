"""Patterns of refutations, on positions from textbooks and plain ones."""

from __future__ import annotations

import pytest

from miner.explain.explanation import explain
from miner.explain.pattern import find_pattern, is_back_rank_mate
from miner.reasons import Pattern
from tests.explain.positions import board_of, evidence

DRAGON = "e4 c5 Nf3 d6 d4 cxd4 Nxd4 Nf6 Nc3 Nc6 Bc4 g6 Nxc6 bxc6 e5"
STEINITZ = "e4 e5 Nf3 Nc6 Bb5 d6 d4 Bd7 Nc3 Nf6 O-O Be7 Re1"
ADVANCE_FRENCH = "e4 e6 d4 d5 e5 c5 c3 Nc6 Nf3 Qb6 Bd3 cxd4 cxd4"
OPEN_RUY_LOPEZ = "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6 O-O Nxe4 d4 b5 Bb3 d5 dxe5 Be6 c3 Be7 Re1 O-O Nd4"

POSITIONS = {
    "knight forks king and rook": (
        "r3k3/pp3ppp/8/3N4/8/8/PPP2PPP/4K3 b q - 0 1",
        "h6 Nc7+ Kd7 Nxa8",
        "O-O-O Nc3",
        Pattern.DOUBLE_ATTACK,
    ),
    "pawn forks two knights": (
        "6k1/pp3ppp/3n1n2/8/4P3/5P2/PP4PP/4R1K1 b - - 0 1",
        "a6 e5 Nc8 exf6 gxf6",
        "Nde8 e5 Nd5",
        Pattern.DOUBLE_ATTACK,
    ),
    "Falkbeer: queen checks and takes the rook": (
        "e4 e5 f4 d5",
        "fxe5 Qh4+ g3 Qxe4+ Qe2 Qxh1",
        "exd5 exf4 Nf3",
        Pattern.DOUBLE_ATTACK,
    ),
    "wing gambit: queen checks and takes the rook": (
        "e4 c5 b4 cxb4 a3 d5 exd5 Qxd5",
        "axb4 Qe5+ Be2 Qxa1",
        "Nf3 e6 Bb2",
        Pattern.DOUBLE_ATTACK,
    ),
    "queen pinned to her king": (
        "e4 d5 exd5 Qxd5 Nc3",
        "Qc6 Bb5 Bd7 Bxc6 Bxc6",
        "Qa5 d4 Nf6",
        Pattern.PIN,
    ),
    "Petroff: knight pinned to its king": (
        "e4 e5 Nf3 Nf6 Nxe5 d6 Nf3 Nxe4 Nc3",
        "Bf5 Qe2 d5 d3 Nc6 dxe4",
        "Nxc3 dxc3 Be7",
        Pattern.PIN,
    ),
    "Tarrasch: the pawn that defends is pinned": (
        OPEN_RUY_LOPEZ,
        "Qd7 Nxe6 fxe6 Rxe4",
        "Nxd4 cxd4 Bf5",
        Pattern.PIN,
    ),
    "rook checks the king and takes the rook behind": (
        "8/8/4k3/r7/8/8/PP4P1/2K4R b - - 0 1",
        "Ke5 Rh5+ Kd4 Rxa5",
        "Rg5 Rh2 Kf5",
        Pattern.SKEWER,
    ),
    "Légal for a pawn: the queen looks through": (
        "e4 e5 Nf3 d6 Bc4 Bg4 Nc3",
        "g6 Nxe5 dxe5 Qxg4",
        "Nf6 d3",
        Pattern.DISCOVERED_ATTACK,
    ),
    "French: the bishop steps aside with check": (
        ADVANCE_FRENCH,
        "Nxd4 Nxd4 Qxd4 Bb5+ Bd7 Qxd4",
        "Bd7 O-O Nxd4",
        Pattern.DISCOVERED_ATTACK,
    ),
    "Noah's Ark: pawns shut in the bishop": (
        "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 d6 d4 b5 Bb3 Nxd4 Nxd4 exd4",
        "Qxd4 c5 Qc3 c4 a4 cxb3",
        "c3 dxc3 Nxc3 Nf6",
        Pattern.TRAPPED_PIECE,
    ),
    "Caro-Kann: pawns run the bishop down": (
        "e4 c6 d4 d5 e5 Bf5 h4",
        "e6 g4 Be4 f3 Bg6 h5",
        "h5 c4 e6",
        Pattern.TRAPPED_PIECE,
    ),
    "Tarrasch: the knight that guards e5 is exchanged": (
        STEINITZ,
        "O-O Bxc6 Bxc6 dxe5 dxe5 Qxd8 Raxd8 Nxe5",
        "exd4 Nxd4 O-O",
        Pattern.REMOVED_DEFENDER,
    ),
    "Magnus Smith: the king must leave his queen": (
        DRAGON,
        "dxe5 Bxf7+ Kxf7 Qxd8",
        "Ng4 exd6 Qxd6",
        Pattern.OVERLOADED_DEFENDER,
    ),
    "who retakes is mated on the back rank": (
        "3r2k1/p4ppp/8/3n4/8/8/5PPP/3RR1K1 b - - 0 1",
        "a5 Rxd5",
        "Kf8 h3 h6",
        Pattern.BACK_RANK,
    ),
    "a rook mates on the back rank": (
        "3r2k1/5ppp/8/8/8/8/5PPP/4R1K1 b - - 0 1",
        "Rd2 Re8#",
        "h6 Re7",
        Pattern.BACK_RANK,
    ),
    "a pawn that nothing defends": (
        "d4 d5 c4 dxc4 Nc3",
        "b5 Nxb5 Nf6 e3 Bb7 Nf3 e6 Bxc4",
        "a6 e3 b5",
        Pattern.UNDEFENDED_PIECE,
    ),
    "a knight that a pawn takes, defended or not": (
        "e4 Nc6 d4 Nf6 e5",
        "a6 exf6 exf6",
        "Nd5 c4 Nb6",
        Pattern.TOO_FEW_DEFENDERS,
    ),
    "both knights hang, and one takes a pawn before it goes": (
        "6k1/pp3ppp/8/2p5/3Nn3/6P1/PP3P1P/6K1 w - - 0 1",
        "f3 Nxg3 hxg3 cxd4",
        "Nb5 a6 Nc7",
        Pattern.DESPERADO,
    ),
    "Elephant trap: the check before the queen's captor is taken": (
        "d4 d5 c4 e6 Nc3 Nf6 Bg5 Nbd7 cxd5 exd5",
        "Nxd5 Nxd5 Bxd8 Bb4+ Qd2 Bxd2+ Kxd2 Kxd8",
        "e3 Be7 Bd3",
        Pattern.IN_BETWEEN_MOVE,
    ),
    "Légal's mate": (
        "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5",
        "Bxd1 Bxf7+ Ke7 Nd5#",
        "dxe5 Qxg4",
        Pattern.MATING_NET,
    ),
}


@pytest.mark.parametrize("name", POSITIONS)
def test_pattern(name: str) -> None:
    """A refutation shows the pattern that a textbook names."""
    moves, reply, best, pattern = POSITIONS[name]

    found = explain(evidence(moves, reply=reply, best=best, reply_cp=-900))

    assert found.pattern is pattern, found


def test_every_pattern_has_a_position() -> None:
    """No pattern goes without an example."""
    assert {pattern for *_, pattern in POSITIONS.values()} == set(Pattern)


@pytest.mark.parametrize(
    ("moves", "reply", "best"),
    [
        ("f3 e5", "g4 Qh4#", "Nc3"),
        ("e4 e5 Nf3 Nc6 Bb5 a6", "Bxc6 dxc6 O-O f6", "Ba4 Nf6"),
        ("e4 e5 Nf3 Nc6", "Nxe5 Nxe5 d4 Ng6", "Bb5 a6"),
        ("e4 e5 Nf3 Nc6 Bc4 Nf6", "O-O Nxe4 Bd5 Nf6 Bxc6 dxc6 Nxe5", "Ng5 d5 exd5"),
    ],
    ids=[
        "a mate in one",
        "an even exchange",
        "a piece simply taken",
        "a bishop that takes a knight as it goes",
    ],
)
def test_no_pattern(moves: str, reply: str, best: str) -> None:
    """A plain capture, an even trade or a mate in one needs no pattern, nor does what comes much later."""
    known = evidence(moves, reply=reply, best=best)

    assert find_pattern(known, known.reply_line[1:]) is None


def test_what_the_line_does_not_take_is_no_target() -> None:
    """6...Nxd5 opens the queen's line to g5, but it is the king that takes the bishop, and on d8."""
    known = evidence(
        "d4 d5 c4 e6 Nc3 Nf6 Bg5 Nbd7 cxd5 exd5",
        reply="Nxd5 Nxd5 Bxd8 Bb4+ Qd2 Bxd2+ Kxd2 Kxd8",
        best="e3 Be7",
    )

    assert find_pattern(known, known.reply_line[1:3]) is not Pattern.DISCOVERED_ATTACK


def test_shield_is_not_an_undefended_piece() -> None:
    """6.Qf3 attacks the rook: the knight that is put between was not left undefended, it is given up."""
    known = evidence(
        "d4 d5 c4 dxc4 e3 b5 a4 c6 axb5", reply="cxb5 Qf3 Nc6 Qxc6+ Bd7 Qa6 e6", best="Nf6 Bxc4 e6"
    )

    assert find_pattern(known, known.reply_line[1:]) is not Pattern.UNDEFENDED_PIECE


def test_missed_gain_has_no_pattern() -> None:
    """Who could have won a queen, and loses a rook to a fork, has missed the queen: no fork did that."""
    found = explain(
        evidence(
            "r3k3/pp3ppp/8/3Np3/3Q4/8/PPP2PPP/4K3 b q - 0 1",
            reply="h6 Nc7+ Ke7 Qxe5+ Kd7 Nxa8",
            best="exd4 Kd2 Kd7 Kd3 Kd6",
            best_cp=900,
            reply_cp=0,
        )
    )

    assert found.detail.startswith("misses")
    assert found.pattern is None


def test_smothered_mate_is_no_back_rank_mate() -> None:
    """A knight that mates in the corner is none, nor is a king that still has a move."""
    smothered = board_of("6rk/5Npp/8/8/8/8/8/6K1 b - - 0 1")
    luft = board_of("4R1k1/5pp1/7p/8/8/8/8/6K1 b - - 0 1")

    assert smothered.is_checkmate()
    assert not is_back_rank_mate(smothered)
    assert not is_back_rank_mate(luft)
