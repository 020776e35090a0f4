"""Motifs on positions from textbooks: pattern, striking piece and square as the punishing side sees it."""

from __future__ import annotations

import chess
import pytest

from miner.explain.evidence import Evidence
from miner.explain.explanation import explain
from miner.explain.motif import Motif, Theme, find_motif, words
from miner.reasons import Pattern
from tests.explain.positions import evidence, mirrored

ITALIAN = "e4 e5 Nf3 Nc6 Bc4 Bc5 d3 Nf6 Nc3 d6 Bg5"


def motif_of(lines: Evidence, came_to: chess.Square | None = None) -> Motif:
    return find_motif(lines, explain(lines), came_to)


CASES = {
    "2.Qh5 g6: the queen hits king and rook": (
        evidence("e4 e5 Qh5", reply="g6 Qxe5+ Qe7 Qxh8", best="Nc6 Bc4 g6", reply_cp=-400),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "e5", "a rook"),
    ),
    "Falkbeer: Black's e4 is e5 as he sees it": (
        evidence("e4 e5 f4 d5", reply="fxe5 Qh4+ g3 Qxe4+ Qe2 Qxh1", best="exd5 exf4 Nf3", reply_cp=-350),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "e5", "a rook"),
    ),
    "scholar's mate": (
        evidence("e4 e5 Bc4 Nc6 Qh5", reply="Nf6 Qxf7#", best="g6 Qf3 Nf6", reply_mate=-1),
        Motif(Theme.MATE, "Q", "f7", "mate"),
    ),
    "fool's mate, on h5 as Black sees it": (
        evidence("f3 e5", reply="g4 Qh4#", best="e4 Nc6", reply_mate=-1),
        Motif(Theme.MATE, "Q", "h5", "mate"),
    ),
    "2...g5 opens the diagonal to the king": (
        evidence("e4 f6 d4", reply="g5 Qh5#", best="e6 Nc3", reply_mate=-1),
        Motif(Theme.MATE, "Q", "h5", "mate"),
    ),
    "Vienna: the pawn that goes to e5 sends the knight home": (
        evidence(
            "e4 e5 Nc3 Nf6 f4",
            reply="exf4 e5 Ng8 Nf3 d6 d4",
            best="d5 exd5 Nxd5 fxe5 Nxc3 bxc3",
            retreat="Ng8",
            retreat_loss=0.2,
        ),
        Motif(Theme.DRIVEN_HOME, "P", "e5"),
    ),
    "the queen comes out and goes back to d8": (
        evidence("e4 e5 Nf3 Nc6 Bc4", reply="Qf6 Nc3 Qd8 d4 exd4 Nxd4", best="Bc5 c3 Nf6 d3 d6 O-O"),
        Motif(Theme.DRIVEN_HOME, "N", "c3"),
    ),
    "after the fork trick the pawn drives the bishop": (
        evidence(
            "e4 e5 Nf3 Nc6 Bc4 Nf6 Nc3",
            reply="Bc5 Nxe5 Nxe5 d4 Bd6 dxe5 Bxe5",
            best="Nxe4 Nxe4 d5 Bd3 dxe4 Bxe4",
        ),
        Motif(Theme.GAIN_OF_TIME, "P", "d4"),
    ),
    "3.Bxf7+ is no sacrifice that works": (
        evidence(
            "e4 e5 Nf3 Nc6 Bc4 Bc5",
            reply="Bxf7+ Kxf7 Nxe5+ Nxe5 d4 Bxd4 Qxd4 d6",
            best="c3 Nf6 d3 d6",
            reply_cp=-300,
        ),
        Motif(Theme.UNSOUND_SACRIFICE, "K", "f2", "a knight for a pawn"),
    ),
    "a queen that a knight takes: her defender makes up for nothing": (
        evidence(
            "e4 e5 Nf3 Nc6 Bc4 d6 O-O Bg4 h3 Bh5 c3",
            reply="Qg5 Nxg5 h6 Nf3 Nf6",
            best="Nf6 d3 Be7",
            reply_cp=-900,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "N", "g5", "a queen"),
    ),
    "a guarded knight that a pawn takes": (
        evidence(
            "e4 e5 Nf3 Nc6 d4 exd4 Nxd4 Nf6 e5",
            reply="d6 exf6 Qxf6 Nxc6 bxc6 Bd3",
            best="Nxe5 Qe2 Qe7",
            reply_cp=-300,
        ),
        Motif(Theme.CHEAPER_ATTACKER, "P", "f6", "a knight for a pawn"),
    ),
    "a pawn is taken that nobody guards any more": (
        evidence(
            "e4 e5 Qh5 Nf6 Qxe5+ Be7 Qd5 c6",
            reply="Qb3 Nxe4 Nc3 Nc5 Qa3 O-O",
            best="Qd3 d5 e5",
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "N", "e5", "a pawn"),
    ),
    "4.Nxd5 is an even trade, and no sacrifice": (
        evidence(
            "e4 e5 Nf3 Nc6 Bc4 Nf6 d3 d5 exd5 Nxd5 Nc3 Be6 Bb5",
            reply="Nxc3 bxc3 Bd6 Nxe5 Bxe5 Bxc6+",
            best="Nde7 d4 exd4",
            reply_cp=-150,
        ),
        Motif(Theme.EXCHANGE, "P", "c3"),
    ),
    "Petroff: the discovered check is not given": (
        evidence(
            "e4 e5 Nf3 Nf6 Nxe5 Nxe4 Qe2 Nf6",
            reply="d4 d6 Nf3 Be7 Nc3 O-O",
            best="Nc6+ Be7 Nxd8 Kxd8",
            best_cp=600,
            reply_cp=-90,
        ),
        Motif(Theme.MISSED_GAIN, "N", "c6"),
    ),
    "the elephant trap: a check comes in between": (
        evidence(
            "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Nbd7",
            reply="Nxd5 Nxd5 Bxd8 Bb4+ Qd2 Bxd2+ Kxd2 Kxd8",
            best="e3 c6 Bd3",
            reply_cp=-350,
        ),
        Motif(Pattern.IN_BETWEEN_MOVE, "B", "b5", "a knight for a pawn"),
    ),
    "French: Black breaks with c5, which is c4 as he sees it": (
        evidence("e4 e6 d4 d5 Nc3 a6", reply="h3 c5 Nf3 cxd4 Nxd4 Nf6", best="e5 c5 Nf3 Nc6"),
        Motif(Theme.PAWN_BREAK, "P", "c4"),
    ),
    "a bishop is given for a knight": (
        evidence(
            "e4 d5 exd5 Qxd5 Nc3 Qa5 d4 c6 Nf3 Bg4 h3",
            reply="Bxf3 Qxf3 Nf6 Bd2 e6 O-O-O",
            best="Bh5 g4 Bg6 Ne5",
        ),
        Motif(Theme.EXCHANGE, "Q", "f3"),
    ),
    "an exchange on c3 leaves doubled pawns": (
        evidence("e4 e5 Nf3 Nc6 Nc3 Nf6 Bb5 Bb4", reply="h3 Bxc3 dxc3 Nxe4 O-O O-O", best="O-O O-O d3 d6"),
        Motif(Theme.BREAKS_PAWNS, "B", "c6"),
    ),
    "the pawns before the king are doubled in the end": (
        evidence(ITALIAN, reply="O-O Nd5 Be6 Nxf6+ gxf6 Bh4", best="Na5 Bb3 Nxb3 axb3 h6 Bh4", reply_cp=-90),
        Motif(Theme.WEAK_PAWNS),
    ),
    "nothing in particular: a rook's pawn moves": (
        evidence("e4 e5 Nf3 Nc6", reply="a3 Nf6 Nc3 Bc5 d3 d6", best="Bc4 Bc5 c3"),
        Motif(Theme.POSITION),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_textbook(name: str) -> None:
    lines, wanted = CASES[name]

    assert motif_of(lines) == wanted


@pytest.mark.parametrize("name", [name for name, (lines, _) in CASES.items() if lines.retreat is None])
def test_colours_are_folded(name: str) -> None:
    """The same position with White and Black exchanged has the same motif."""
    lines, wanted = CASES[name]

    assert motif_of(mirrored(lines)) == wanted


def test_recapture_is_told_where_something_was_just_taken() -> None:
    """3...Bxf3 took a knight: who does not take back misses a recapture; else it is a gain not taken."""
    board = "rn1qkb1r/ppp1pppp/5n2/3p4/3P4/2N2b2/PPP1PPPP/R1BQKB1R w KQkq - 0 4"
    lines = evidence(board, reply="h3 Bh5 Bg5 e6 e3 Be7", best="exf3 e6 Bd3 Be7", best_cp=20, reply_cp=-10)

    assert motif_of(lines, chess.F3) == Motif(Theme.MISSED_RECAPTURE, "P", "f3")
    assert motif_of(lines) == Motif(Theme.MISSED_GAIN, "P", "f3")


def test_who_gives_away_more_than_he_misses_is_punished_for_that() -> None:
    """A pawn could have been won; but a queen that must run from a knight costs more."""
    lines = evidence(
        "rnbqkb1r/pp1p1ppp/4pn2/8/3NP3/2N5/PPP2PPP/R1BQKB1R b KQkq - 2 5",
        reply="Qc7 Ndb5 Qa5 Bf4 Nxe4 Qh5 Bb4 Qe5 O-O Qxe4 d5 Qe3 a6 Nc7",
        best="Bb4 e5 Nd5 Bd2 Qc7 Nxd5 Qxe5+ Ne2 Bxd2+ Qxd2 Qxd5 Qxd5",
        defences=("Qc7 Ndb5 Qc6 Bf4 Na6 Nd6+ Bxd6 Qxd6 Qxd6 Bxd6 Kd8 Bxa6 bxa6 f3 Bb7 Bc5",),
        best_cp=-55,
        reply_cp=-211,
    )

    assert explain(lines).detail == "misses the win of a pawn"
    assert motif_of(lines) == Motif(Theme.GAIN_OF_TIME, "N", "b5")


def test_check_that_forks() -> None:
    """10...Qa5+ hits king and knight: though pawns are had for the knight, that is a fork."""
    lines = evidence(
        "rnbqkb1r/p3p3/3p1p2/1pp1n2p/4P3/1PNP1NP1/P1P2PBP/R1BQK2R w KQkq - 0 10",
        reply="Nxb5 Qa5+ b4 Qxb5 bxc5 Nbc6 cxd6 Nxf3+ Bxf3 Bh3 a4 Qe5 Bf4",
        best="Nh4 Nbc6 h3 Nd4 O-O e6 Ne2 Nec6 Bb2 Bb7 Nxd4 cxd4",
        defences=("Nxb5 Qa5+ Bd2 Qxb5 Nh4 Nbc6 f4 Nf7 O-O Bg4 Qe1 Qa6 Kh1 Bd7",),
        best_cp=327,
        reply_cp=-83,
    )

    assert explain(lines).pattern is None
    assert motif_of(lines) == Motif(Pattern.DOUBLE_ATTACK, "Q", "a4")


def test_attack_that_is_not_met_by_going() -> None:
    """White's pawn hits the bishop; whether it goes or the knight takes first, the pawn has done its work."""
    lines = evidence(
        "2rqk2r/pp3ppp/2b1p2n/2b1P3/1n6/P1N2N2/1P1PQPPP/RBB1K2R b KQk - 0 13",
        reply="Nd5 d4 Be7 O-O Nf5 a4 O-O h3 Nxc3 bxc3 Bd5 Bd2 Bc4 Bd3",
        best="Bxf3 Qxf3 Nc6 Qg3 Kf8 Be4 Nf5 Bxf5 exf5 d4 Bxd4 O-O Bxe5 Bf4 Bxf4 Qxf4",
        defences=("Nd5 d4 Nxc3 bxc3 Bxf3 Qxf3 Bxd4 O-O Rxc3 Qxb7 Rc7 Qb5+ Qd7 Qxd7+ Rxd7 Ra2",),
        best_cp=-9,
        reply_cp=-127,
    )

    assert motif_of(lines) == Motif(Theme.ATTACK, "P", "d4")


def test_a_gain_that_leaves_nobody_better_is_none() -> None:
    """The engine's line takes a knight and still leaves Black no better: nobody says that he missed it."""
    lines = evidence(
        "r2qk2r/ppp2p2/2np1n1p/4p3/3PP1b1/2PBBN2/P1P3PP/R2QK2R b KQkq - 3 12",
        reply="Nh5 Rb1 f5 O-O f4 Bf2 Rb8 Be2 Nf6",
        best="d5 Qb1 Bxf3 Qxb7 Na5 Qa6 Bxg2",
        best_cp=-23,
        reply_cp=-177,
    )

    assert explain(lines).detail.startswith("misses the win")
    assert motif_of(lines).pattern == Theme.POSITION


def test_check_gains_no_time() -> None:
    """A check must be answered whatever stands there: which man moves then says nothing."""
    lines = evidence("e4 e5 Nf3 d6", reply="a3 Nf6 Nc3 Be7 d3 O-O", best="d4 exd4 Nxd4 Nf6")
    checks = evidence("e4 e5 f4 exf4", reply="d3 Qh4+ g3 fxg3 Nf3 g2+", best="Nf3 g5 h4 g4")

    assert motif_of(lines).pattern == Theme.POSITION
    assert motif_of(checks).pattern != Theme.GAIN_OF_TIME


def test_grains() -> None:
    """From coarse to fine, as far as a motif goes."""
    fine, coarse = Motif("pin", "B", "b5", "a knight"), Motif("position")

    assert fine.grains == (("pin", "", ""), ("pin", "B", ""), ("pin", "B", "b5"))
    assert coarse.grains == (("position", "", ""),)
    assert [words(*grain) for grain in fine.grains] == ["pin", "pin: bishop", "pin: bishop on b5"]
