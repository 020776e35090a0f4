"""The one reason that a coach would give."""

from __future__ import annotations

from dataclasses import replace

import chess
import pytest
from hypothesis import given, settings

from miner.board.moves import line_san
from miner.explain.evidence import Evidence
from miner.explain.explanation import NO_SIMPLE_REASON, Explanation, explain
from miner.reasons import Pattern, Reason
from tests.explain.positions import evidence, mirrored, random_lines

VIENNA = "e4 e5 Nc3 Nf6 f4"
SCOTCH = "e4 e5 Nf3 Nc6 d4 exd4 Bc4 Bc5 c3"
BEST = "d5 fxe5 Nxe4"

TEXTBOOK = {
    Reason.MATE: evidence("e4 e5 Bc4 Nc6 Qh5", reply="Nf6 Qxf7#", best="g6 Qf3", reply_mate=-1),
    Reason.MATERIAL: evidence(VIENNA, reply="Bb4 fxe5 O-O exf6 Qxf6 Nf3", best=BEST, reply_cp=-300),
    Reason.TEMPO: evidence(VIENNA, reply="exf4 e5 Ng8 Nf3 g5", best=BEST, retreat="Ng8", retreat_loss=0.12),
    Reason.KING: evidence(SCOTCH, reply="dxc3 Bxf7+ Kxf7 Qd5+ Ke8 Qxc5 d6 Qxc3", best="Nf6 cxd4 Bb4+"),
    Reason.POSITION: evidence("e4 e5 Nf3 Nc6", reply="h3 Nf6 Nc3 Bb4 d3 d6", best="Bb5 a6 Ba4 Nf6"),
}


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_a_position(reason: Reason) -> None:
    """No reason goes without an example of it."""
    assert explain(TEXTBOOK[reason]).reason is reason


def test_knight_sent_home_is_a_tempo() -> None:
    """1.e4 e5 2.Nc3 Nf6 3.f4 exf4? 4.e5 and the knight must go back (common practice, no source)."""
    known = evidence(
        VIENNA,
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
    assert line_san(known.after_reply(1), found.refutation) == "e5 Ng8"
    assert found.refutation[0] == chess.Move.from_uci("e4e5")


def test_detour_leads_home_all_the_same() -> None:
    """With 4...Qe7 5.Qe2 in the engine's line the verified retreat still names the knight and g8."""
    known = evidence(
        VIENNA,
        reply="exf4 e5 Qe7 Qe2 Ng8",
        best="d5 fxe5 Nxe4",
        reply_cp=-60,
        retreat="Ng8",
        retreat_loss=0.2,
    )

    found = explain(known)

    assert found.reason is Reason.TEMPO
    assert found.detail == "the knight must go back from f6 to g8"
    assert line_san(known.after_reply(1), found.refutation) == "e5 Qe7 Qe2 Ng8"


def test_mate_comes_before_everything() -> None:
    """A reply that hangs the queen and allows mate in one allows mate."""
    found = explain(evidence("e4 e5 Bc4 Nc6 Qh5", reply="Qg5 Qxf7+ Kd8 Qf8#", best="g6 Qf3", reply_mate=-2))

    assert found.reason is Reason.MATE
    assert found.detail == "mate in 2"
    assert found.pattern is Pattern.MATING_NET


def test_a_piece_outweighs_a_retreat() -> None:
    """Whoever loses a knight is not told of a tempo, though the engine has verified a retreat."""
    known = evidence(
        VIENNA,
        reply="Bb4 fxe5 O-O exf6 Qxf6 Nf3",
        best="d5 fxe5 Nxe4",
        reply_cp=-300,
        retreat="Ng8",
        retreat_loss=0.2,
    )

    found = explain(known)

    assert found.reason is Reason.MATERIAL
    assert found.detail == "wins a knight"
    assert line_san(known.after_reply(1), found.refutation) == "fxe5 O-O exf6 Qxf6"


def test_king_hunt_outweighs_a_pawn() -> None:
    """In the Scotch gambit the king has lost its castling; that the pieces balance is not the point."""
    known = evidence(
        "e4 e5 Nf3 Nc6 d4 exd4 Bc4 Bc5 c3",
        reply="dxc3 Bxf7+ Kxf7 Qd5+ Ke8 Qh5+ Kf8 Qxc5+ d6 Qxc3 Qf6 O-O",
        best="Nf6 cxd4 Bb4+ Bd2 Bxd2+ Nbxd2 d5",
        reply_cp=-90,
    )

    found = explain(known)

    assert found.reason is Reason.KING
    assert found.pattern is Pattern.DOUBLE_ATTACK
    assert line_san(known.after_reply(1), found.refutation).startswith("Bxf7+ Kxf7 Qd5+ Ke8 Qh5+ Kf8 Qxc5+")


def test_missed_mate_is_the_last_thing_to_be_said() -> None:
    """Who misses a mate but hangs the queen has lost the queen; who keeps everything has missed the mate."""
    moves = "e4 e5 Bc4 Nc6 Qh5 Nf6"

    hung = explain(evidence(moves, reply="Qxe5+ Nxe5", best="Qxf7#", best_mate=1, reply_cp=-700))
    kept = explain(evidence(moves, reply="Qf3 d6 d3 Be7", best="Qxf7#", best_mate=1, reply_cp=20))

    assert hung.reason is Reason.MATERIAL
    assert kept.reason is Reason.MATE
    assert kept.detail == "misses mate in 1"


def test_position_when_nothing_happens() -> None:
    """A quiet line gives no reason but the position, and shows its first moves."""
    known = evidence("e4 e5 Nf3 Nc6", reply="h3 Nf6 Nc3 Bb4 d3 d6", best="Bb5 a6 Ba4 Nf6", reply_cp=-60)

    found = explain(known)

    assert found == Explanation(Reason.POSITION, "no simple reason", None, known.reply_line[1:4])


@given(lines=random_lines())
@settings(max_examples=50, deadline=None)
def test_any_legal_lines_are_explained(lines: Evidence) -> None:
    """Whatever the lines, there is a reason in words, and the refutation is part of the reply's line."""
    found = explain(lines)

    assert found.detail
    assert found.refutation == lines.reply_line[1 : 1 + len(found.refutation)]


@given(lines=random_lines())
@settings(max_examples=30, deadline=None)
def test_colours_do_not_matter(lines: Evidence) -> None:
    """With colours exchanged the reason and the length of the refutation stay the same."""
    found = explain(lines)

    turned = explain(mirrored(lines))

    assert turned.reason is found.reason
    assert len(turned.refutation) == len(found.refutation)


def test_nothing_is_said_of_defences_that_were_not_looked_for() -> None:
    """A retreat, a king or a pawn could all be saved by one; mate and a piece speak for themselves."""
    silent = {Reason.TEMPO, Reason.KING, Reason.POSITION}

    told = {reason: explain(replace(shown, knows_defences=False)) for reason, shown in TEXTBOOK.items()}

    assert {reason for reason, found in told.items() if found.detail == NO_SIMPLE_REASON} == silent
    assert told[Reason.MATE].reason is Reason.MATE
    assert told[Reason.MATERIAL].reason is Reason.MATERIAL


def test_material_that_the_scores_do_not_bear_out_is_no_reason() -> None:
    """4...Bc5 5.Nxf7 takes a rook, but the knight will not come out: the engine sees hardly a pawn."""
    moves = "e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5"
    reply = "Bc5 Nxf7 Bxf2+ Kf1 Qe7 Nxh8 Bb6 Nc3 Qc5 Bf7+ Kf8 d4 exd4"
    best = "d5 exd5 Na5 Bb5+ c6 dxc6 bxc6 Bd3 Nd5 Nf3 Bd6 O-O Nf4"

    little = explain(evidence(moves, reply=reply, best=best, best_cp=-14, reply_cp=-151))
    much = explain(evidence(moves, reply=reply, best=best, best_cp=-14, reply_cp=-400))

    assert much.detail == "wins a rook for a pawn"
    assert "rook" not in little.detail


def test_who_stands_level_has_lost_nothing_for_good() -> None:
    """After 5...f5 6.d4 fxe4 7.Nxe5 White gives up a piece and checks without end: no bishop is won."""
    moves = "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 d6 c3 f5"
    reply = "d4 fxe4 Nxe5 dxe5 Qh5+ Ke7 Bg5+ Nf6 Bxc6 bxc6 dxe5 Qd5 Bh4 Ke6 exf6"
    best = "exf5 Bxf5 O-O Bd3 Re1 Be7 Bc2 Bxc2 Qxc2 Nf6 d4 e4 Ng5"

    level = explain(evidence(moves, reply=reply, best=best, best_cp=100, reply_cp=0))
    worse = explain(evidence(moves, reply=reply, best=best, best_cp=100, reply_cp=-150))

    assert worse.reason is Reason.MATERIAL
    assert level.reason is not Reason.MATERIAL


def test_pawn_that_was_given_before_is_won_back() -> None:
    """Black, a pawn up after 4.c3, lets White take one with 4...d3: a child who counts finds it even."""
    moves, best = "e4 e5 Nf3 Nc6 d4 exd4 c3", "dxc3 Nxc3 Bb4 Bc4 d6 O-O Bxc3 bxc3 Nf6 e5"
    reply = "d3 Bxd3 d6 O-O Nf6 Nd4 Be7 f4 O-O Nd2"

    found = explain(evidence(moves, reply=reply, best=best, best_cp=25, reply_cp=-62))

    assert found.detail == "wins back a pawn"


def test_line_does_not_end_within_an_exchange() -> None:
    """2...d5 3.dxe5 dxe4 4.Qxd8+ is shown with the king that takes the queen."""
    reply, best = "d5 dxe5 dxe4 Qxd8+ Kxd8 Nc3 Nc6 Bg5+", "exd4 Qxd4 Nc6 Qe3 Nf6 Nc3 Bb4 Bd2"

    found = explain(evidence("e4 e5 d4", reply=reply, best=best, best_cp=22, reply_cp=-142))

    assert found.refutation[-1] == chess.Move.from_uci("e8d8")


def test_line_goes_on_to_what_it_takes_next() -> None:
    """2...Bb4 3.c3 Be7 is shown with 4.Nxe5; 2.d4 Bb4+ 3.c3 Bd6 without a pawn that is taken back."""
    elsewhere = "Bb4 c3 Bd6 d4 Nc6 Bd3 Nf6 Nbd2 O-O O-O Re8 Nc4 exd4 cxd4 Nxe4"
    wins = evidence(
        "e4 e5 Nf3",
        reply="Bb4 c3 Be7 Nxe5 d5 d4 Nf6 exd5 Qxd5 Nd2 O-O Ndf3 Nbd7 Bc4 Qe4+ Qe2 Qxe2+",
        best="Nc6 Bc4 Nf6 Ng5 d5 exd5 Na5 Bb5+ c6 dxc6 bxc6 Qf3 cxb5 Qxa8",
        defences=(elsewhere,),
    )
    trades = evidence("e4 e5 d4", reply="Bb4+ c3 Bd6 dxe5 Bxe5 Nf3 d6 Bd3", best="exd4 Qxd4 Nc6 Qe3 Nf6 Nc3")

    found = [explain(lines) for lines in (wins, trades)]

    assert [one.reason for one in found] == [Reason.TEMPO, Reason.TEMPO]
    assert [one.refutation[-1].uci() for one in found] == ["f3e5", "b4d6"]


def test_pawn_left_undefended_comes_before_a_pawn_that_is_missed() -> None:
    """6...Nxd8 leaves e5 to the knight: that the better recapture wins one more is no word for pupils."""
    known = evidence(
        "e4 e5 Nf3 Nc6 d4 d6 dxe5 dxe5 Qxd8+",
        reply="Nxd8 Nxe5 f6 Nd3 Ne6 Nc3 Nd4 Nb4 c6 Be3",
        best="Kxd8 Nc3 Bc5 Nd5 f6 Be3 Bxe3 Nxe3 Nge7",
        best_cp=-50,
        reply_cp=-181,
    )

    assert explain(known).detail == "leaves the pawn on e5 undefended"


def test_pawn_that_leaves_its_side_no_better_is_not_missed() -> None:
    """After 1.d4 d5 2.c4 dxc4 Black has a pawn that he will not keep: 1...e5 misses the win of none."""
    known = evidence(
        "d4",
        reply="e5 dxe5 Nc6 Nf3 Qe7 Nc3 Nxe5 Nd5 Nxf3+ gxf3 Qd8",
        best="d5 c4 e6 Nf3 dxc4 e4 b5 a4",
        best_cp=-36,
        reply_cp=-121,
    )

    assert "misses" not in explain(known).detail


def test_line_does_not_end_on_a_sacrifice() -> None:
    """6...Ng4 7.Bxf7+ Kxf7 is shown with what gives White the bishop back."""
    known = evidence(
        "e4 e5 Nf3 Nc6 Bc4 Bc5 c3 Nf6 d4",
        reply="Bb6 dxe5 Ng4 Bxf7+ Kxf7 Ng5+ Ke8 Qxg4 Nxe5 Qh5+",
        best="exd4 e5 d5 Be2 Ne4 cxd4 Bb6 Nc3",
        best_cp=-2,
        reply_cp=-79,
    )

    assert chess.Move.from_uci("d1g4") in explain(known).refutation
