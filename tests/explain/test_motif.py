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


def motif_of(lines: Evidence, taken_on: chess.Square | None = None) -> Motif:
    return find_motif(lines, explain(lines), taken_on)


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
    "the fork trick: the pawn hits the bishop and what has retaken": (
        evidence(
            "e4 e5 Nf3 Nc6 Bc4 Nf6 Nc3",
            reply="Bc5 Nxe5 Nxe5 d4 Bd6 dxe5 Bxe5",
            best="Nxe4 Nxe4 d5 Bd3 dxe4 Bxe4",
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "d4"),
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


FROM_GAMES = {
    "the pawn that guards e5 may not take: nobody does": (
        evidence(
            "rnbqkbnr/p2p1ppp/2p5/1p2p3/4P3/1B3N2/PPPP1PPP/RNBQK2R b KQkq - 1 4",
            reply="f6 Nxe5 Nh6 Nf3 a5 a4 bxa4 Bxa4",
            best="d6 d4 Nd7 O-O Be7 dxe5 dxe5 a4",
            defences=("f6 Nxe5 d5 Qh5+ Ke7 Ng6+ hxg6 Qxh8 Be6 Qh4",),
            best_cp=-106,
            reply_cp=-298,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "N", "e5", "a pawn"),
    ),
    "the knight comes to e3 and the queen has no square": (
        evidence(
            "rnb2rk1/pppp1ppp/5q1n/2b1p3/4P3/P2P1P2/1PP1N1PP/RNBQKB1R w KQ - 3 6",
            reply="Nd2 Ng4 d4 Ne3 dxc5 Nxd1 Kxd1 Nc6 b4 d6",
            best="Nbc3 Qh4+ g3 Qh5 Bg2",
            best_cp=76,
            reply_cp=-397,
        ),
        Motif(Pattern.TRAPPED_PIECE, "N", "e6", "a queen for a bishop and a knight"),
    ),
    "a rook in its corner is hit with a bishop: that is a fork": (
        evidence(
            "rnbqk1nr/pp1p1ppp/3b4/2p1p1N1/2B1P3/8/PPPP1PPP/RNBQK2R b KQkq - 1 4",
            reply="Qa5 Nxf7 Be7 Nxh8 Nf6 O-O b5 Bf7+ Kf8 Nc3",
            best="Qxg5 O-O Qd8 Qf3 Nf6 Qg3 g6 Nc3",
            defences=("Qa5 Nxf7 Bc7 Nxh8 Nf6 O-O b5 Bf7+ Kf8 Nc3",),
            best_cp=290,
            reply_cp=-595,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "N", "f7", "a rook and a pawn"),
    ),
    "queens are exchanged, then the pawn forks: no pin": (
        evidence(
            "r2q1rk1/3nppbp/p1P2np1/1p6/2p5/2P5/PPB2PPP/RNBQR1K1 b - - 0 14",
            reply="Nb8 Qxd8 Rxd8 c7 Rc8 cxb8=B Raxb8 Bd1 b4 a3",
            best="Nc5 a4 Qd5 axb5 axb5 Rxa8 Rxa8",
            best_cp=70,
            reply_cp=-385,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "c7", "a knight for a pawn"),
    ),
    "a knight is chased by pawns, after an exchange": (
        evidence(
            "rnbqk1nr/ppp2ppp/8/4p3/Pb1p4/B1N5/2PPPPPP/R2QKBNR w KQkq - 0 5",
            reply="Ne4 Bxa3 Rxa3 f5 Ng3 f4 Ne4 Bf5 d3 Bxe4 dxe4 Qd6 Rb3 Na6",
            best="Bxb4 a5 Ba3 dxc3 dxc3 Qxd1+ Rxd1 Bd7",
            best_cp=-32,
            reply_cp=-275,
        ),
        Motif(Theme.CHASED, "P", "f4"),
    ),
    "a check and an exchange come before what was sacrificed is taken": (
        evidence(
            "rnb1k1nr/pp1p1ppp/4p3/2b5/2PNP3/4B3/Pq3PPP/RN1QKB1R w KQkq - 0 7",
            reply="Nxe6 Bb4+ Nd2 Bxd2+ Bxd2 dxe6 Be2 e5 Rb1 Qd4",
            best="Nd2 Bxd4 Rb1 Qc3 Rb3 Qa1 Rb1",
            best_cp=0,
            reply_cp=-311,
        ),
        Motif(Theme.UNSOUND_SACRIFICE, "P", "e3"),
    ),
    "the check drives the king, a pawn falls on the way": (
        evidence(
            "rnbqk1nr/ppp3pp/3b1p2/4p3/3PN3/8/PPP2PPP/RNBQKB1R b KQkq - 0 6",
            reply="c5 Bb5+ Ke7 dxc5 Bc7 O-O Qxd1 Rxd1 f5 Nbc3",
            best="Be7 Bb5+ c6",
            best_cp=0,
            reply_cp=-245,
        ),
        Motif(Theme.KING_DRIVEN_OUT, "B", "b5"),
    ),
    "a bishop hits queen and rook": (
        evidence(
            "r4rk1/p4ppp/bqp1p3/3pP3/3n1P2/2P2R2/P1P3PP/R1BQ2K1 w - - 0 15",
            reply="cxd4 Be2 Qxe2 Qxd4+ Qe3 Qxa1 h3 Rab8 Kh2 d4",
            best="Qxd4 Rfc8 h3 h6",
            defences=("cxd4 Be2 Qd2 Bxf3 gxf3 Rfb8 Ba3 Qd8 Bd6 Rb2",),
            best_cp=18,
            reply_cp=-341,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "B", "e7"),
    ),
    "a pawn is taken, and the queen it hits goes: just a pawn": (
        evidence(
            "r1bqk2r/bpp2pp1/p1np1n1p/P3p3/1PB1P3/2PP1Q2/4NPPP/RNB1K2R w KQkq - 1 10",
            reply="g4 Bxg4 Qg2 Qe7 Be3 Be6 Nd2 Bxe3 fxe3 O-O-O",
            best="h3 Be6 Bxe6 fxe6 Be3 O-O O-O",
            defences=("g4 Bxg4 Qg3 g6 f3 Bd7 Kd1 Qe7 Kc2 Kd8",),
            best_cp=14,
            reply_cp=-139,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "B", "g5", "a pawn"),
    ),
    "a bishop could be taken, and is not": (
        evidence(
            "r1bq1bnr/1p2kppp/p1B1p3/2p1P3/3p4/3P1Q2/PPP2PPP/RNB1K1NR b KQ - 0 8",
            reply="Qa5+ Nd2 Qc7 Be4 Ke8 Qg3 Ne7 Nh3 Nf5 Bxf5",
            best="bxc6 Nd2 Ke8 Nc4 a5 h4 Qd5 Qg3",
            defences=("Qa5+ Nd2 bxc6 Qxc6 Qb5 Qxa8 Bb7 Qa7 Kd7 Nc4",),
            best_cp=-197,
            reply_cp=-540,
        ),
        Motif(Theme.MISSED_GAIN, "P", "c3"),
    ),
    "a rook is exchanged on f2, and no king is driven": (
        evidence(
            "r1bq1rk1/ppp2p2/2np3p/2b1p2Q/2B4N/2NP3P/PPP2nP1/R4RK1 w - - 0 11",
            reply="Rxf2 Bxf2+ Kxf2 Qg5 Qg6+ Kh8 Qxg5 hxg5 Nf3 Na5",
            best="Qg6+ Kh8 Qxh6+ Kg8 Rxf2 d5 Bxd5 Bxf2+",
            best_cp=239,
            reply_cp=-318,
        ),
        Motif(Theme.EXCHANGE, "B", "f7"),
    ),
    "queens come off on a pawn that is guarded too little": (
        evidence(
            "rnbqkbnr/p3pppp/1p6/2Pp4/8/2N1P3/PPP2PPP/R1BQKBNR b KQkq - 0 4",
            reply="bxc5 Qxd5 Qxd5 Nxd5 Kd7 Nf3 e6 Ne5+ Kd8 Nc3",
            best="e6 e4 Bxc5 exd5 Nf6 Bb5+ Bd7 dxe6",
            best_cp=-111,
            reply_cp=-298,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "Q", "d5"),
    ),
    "a pawn that takes back forks two pieces": (
        evidence(
            "r1bqk2r/1pp2pp1/p1nbpn1p/3pN3/3P1B2/2PBP2P/PP3PP1/RN1QK2R b KQkq - 2 8",
            reply="Nxe5 dxe5 Bf8 exf6 gxf6 Bh2 e5 O-O Bd6 Kh1 e4 Bxd6 Qxd6 Be2",
            best="Bxe5 dxe5 Nd7 Qh5 g5 Bg3 Ndxe5 Bc2 Qf6 Nd2 Bd7 f4",
            defences=("Nxe5 dxe5 Be7 exf6 gxf6 Bh2 Rg8 O-O Bd6 f4 e5 Kh1 e4 Be2",),
            best_cp=18,
            reply_cp=-384,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "e5", "a knight for a pawn"),
    ),
    "a check first, but the queen simply stands where the bishop takes her": (
        evidence(
            "rnb1k1nr/p1pp1ppp/1p2P3/2bQ4/8/5N2/PPPKPqPP/RNB2B1R b kq - 1 6",
            reply="Qxg2 exf7+ Kf8 fxg8=R+ Rxg8 Bxg2 c6 Qh5 Ke7 Qxh7 Rf8 Nc3 Kd8 Qxg7",
            best="dxe6 Qxa8 Ne7 Qe4 O-O Kd1",
            best_cp=-78,
            reply_cp=-996,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "B", "g2", "a queen and a knight for a pawn"),
    ),
    "the pawn no longer guards the diagonal: the rook in the corner hangs": (
        evidence(
            "r3kbnr/pp1q2pp/2n1p3/3b1p2/8/1P1Q4/P2P1PPP/RNB1KBNR w KQkq - 0 10",
            reply="g3 Nb4 Qb5 Bc6 Nc3 a6 Qe5 Bxh1 f3 Nc6 Qe3",
            best="Nc3 Nf6 Nxd5 Nxd5 Bb2 a6 Nf3",
            defences=("g3 Nb4 Qe2 Bxh1 Bb2 Be4 Qh5+ g6 Qh4 Nc2+ Kd1 Nxa1 Bxa1 Bxb1",),
            best_cp=-105,
            reply_cp=-605,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "B", "h8", "a rook"),
    ),
    "the pawn leaves the bishop no square, whatever it takes first": (
        evidence(
            "r1q2rk1/ppp1ppbp/2n2np1/3pNb2/3P1BP1/2P1P2P/PP1NBP2/R2QK2R b KQ - 0 10",
            reply="Be4 f3 g5 Bxg5 Bg6 f4 Nxe5 dxe5 Ne4 Bxe7 Re8 Bh4 Qe6 Nxe4",
            best="Bd7 g5 Ne8 Nxd7 Qxd7",
            best_cp=-79,
            reply_cp=-263,
        ),
        Motif(Pattern.TRAPPED_PIECE, "P", "f3", "two pawns"),
    ),
    "the knight that sells itself was forked, not caught": (
        evidence(
            "r2qkb1r/pp3p1p/2n1bp2/2pp4/8/1P1B1Q1P/P1PP1PP1/RN2K1NR w KQkq - 0 11",
            reply="Na3 c4 Nxc4 dxc4 Bxc4 Bxc4 bxc4 Qe7+ Ne2 Nd4 Qd3 O-O-O Rb1 Rg8",
            best="Ne2 Qd7 Qxf6 Rg8 Nbc3 d4 Ne4 Be7",
            defences=("Na3 c4 bxc4 Bxa3 Ne2 Ne5 Qh5 Qd7 cxd5 Qxd5 O-O Nxd3",),
            best_cp=-45,
            reply_cp=-378,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "c5", "a knight for two pawns"),
    ),
    "a bishop and a pawn are hit; that the pawn is pinned is not the point": (
        evidence(
            "r1bqkb1r/pp1p1ppp/2n1p3/4P3/3P4/2P5/P4PPP/R1BQKBNR w KQkq - 1 8",
            reply="Bb5 Qa5 Be2 Qxc3+ Bd2 Qxd4 Nf3 Qd5 O-O Bb4 Bxb4 Qxd1 Rfxd1",
            best="Bd3 Qa5 Bd2 b5 Ne2 Ba6 O-O",
            defences=("Bb5 Qa5 Rb1 Qxc3+ Bd2 Qxd4 Nf3 Qe4+ Be2 b6 O-O Be7 Bc3 Bb7",),
            best_cp=91,
            reply_cp=-136,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4", "two pawns"),
    ),
    "a rook that is exchanged with check skewers nothing": (
        evidence(
            "r3k2r/pp3ppp/2npbq2/2Q5/8/P7/1PP1PPPP/R3KBNR w KQkq - 0 12",
            reply="Qxd6 Qxb2 Rd1 Rd8 Qc5 Rxd1+ Kxd1 Qa1+ Kd2 Qxf1 g3 Qg2 f4 g6 Nf3 Qxh1 Ng5 Kd7",
            best="Qb5 Rc8 e3 O-O Nf3 Bd7 Qxb7 Bg4",
            best_cp=54,
            reply_cp=-551,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "Q", "b7", "a rook and a bishop"),
    ),
    "the pawn goes on, and forks": (
        evidence(
            "r1bq1rk1/ppp1ppbp/2np2p1/3n4/3P4/2P1PN1P/PP1N1PPB/R2QKB1R b KQ - 4 8",
            reply="Be6 e4 Nb6 d5 Nxd5 exd5 Bxd5 Nc4 e6 Ne3 Bxf3 Qxf3 f5 O-O-O",
            best="e5 Bb5 Nb6 O-O a5 dxe5 Nxe5 Nxe5 dxe5",
            defences=("Be6 e4 Nf6 d5 Nxd5 exd5 Bxd5 Nc4 e6 Ne3 Bxf3 Qxf3 f5 O-O-O",),
            best_cp=-5,
            reply_cp=-222,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "d5", "a knight for two pawns"),
    ),
    "a knight hits queen and rook: the queen goes, and that is more than time": (
        evidence(
            "r2qkbnr/pppb1ppp/3p4/1B2N3/4P3/8/PPP2PPP/RNBQK2R b KQkq - 0 6",
            reply="Bxb5 Nxf7 Qe7 Nxh8 Qxe4+ Be3 Nf6 Nc3 Qxg2 Kd2 Bc6 Re1 Bf3 Rg1",
            best="dxe5 Qd5 c6 Qxe5+ Be6 Bc4 Nf6 Bxe6 Bd6 Qg5",
            best_cp=-112,
            reply_cp=-292,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "N", "f7"),
    ),
    "more was missed, but a bishop is left to be taken": (
        evidence(
            "r1bqkb1r/ppp2ppp/2n2n2/3pp3/8/2NBPN2/PPPP1PPP/R1BQ1RK1 b kq - 5 5",
            reply="Bf5 Bxf5 e4 Nd4 h5 Nxc6 bxc6 f4 Bc5 d3 Qe7 dxe4 Nxe4 Nxe4",
            best="e4 Bb5 exf3 e4 fxg2 exd5 gxf1=Q+ Qxf1 Be7 d3 Nxd5 Qg2 Nxc3 bxc3",
            defences=("Bf5 Bxf5 g6 Bh3 e4 Nd4 g5 d3 h5 Bf5 Ne7 dxe4 c5 Nb3",),
            best_cp=503,
            reply_cp=-467,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "B", "f5"),
    ),
    "who takes with the wrong piece has not left it; the knight forks later": (
        evidence(
            "r1b2rk1/pp3ppp/1q2p3/3n4/1n4PP/PN3N2/1PPbQ3/2KR1B1R w - - 0 14",
            reply="Nfxd2 Na2+ Kb1 Nac3+ Ka1 Nxe2 Bxe2 Ne3 Nc4 Nxc2+ Ka2 Qc7 Kb1 e5",
            best="Qxd2 Nxc2 Qxc2 Ne3 Qc5 Qxc5+ Nxc5 Nxd1 Kxd1 b6 Nd3 Bb7",
            best_cp=-107,
            reply_cp=-500,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "N", "c6"),
    ),
    "a quiet move that wins a pawn by and by was no gain to be taken": (
        evidence(
            "rn1qkb1r/pp2pp1p/2p1b1pn/3pP3/3P4/3B2N1/PPP2PPP/RNBQK2R w KQkq - 4 7",
            reply="Bxh6 Bxh6 Ne2 c5 dxc5 Qa5+ c3 Nc6 Nd2 Nxe5 Nb3",
            best="Nd2 c5 dxc5 Nc6 O-O Ng4",
            defences=("Bxh6 Bxh6 O-O Qb6 Ne2 c5 dxc5 Qxc5 Nd4 Nc6 Nxe6 fxe6 Nc3",),
            best_cp=86,
            reply_cp=-67,
        ),
        Motif(Theme.EXCHANGE, "B", "h3"),
    ),
    "the centre opens on a pawn that is guarded too little: not the break of the side that punishes": (
        evidence(
            "r4rk1/1pp1qpp1/p1bp1n1p/4p3/P3P3/3P1N1P/1PP2PP1/R1BQR1K1 b - - 0 13",
            reply="d5 exd5 Bxd5 Nxe5 Rfe8 c4 Qd6 d4 Be4 Bf4 Rad8 d5 g5 Bg3",
            best="Nh5 b4 Rae8 c4 f5 exf5 Rxf5",
            best_cp=-15,
            reply_cp=-138,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "N", "e5"),
    ),
    "the pawn drives the knight to where it attacks a pawn": (
        evidence(
            "r1b2rk1/pp3pbp/1q1pp1p1/8/3NPNn1/1B2P3/PPPQ2PP/3R1RK1 w - - 4 15",
            reply="h3 Nf6 Qf2 Nxe4 Qf3 Nc5 h4 Nxb3 axb3",
            best="Nfxe6 Bxe6 Nxe6 Nxe3 Nxf8 Nxd1+ Kh1 Rxf8 Qxd1 Bxb2 Qd5",
            defences=("h3 Nf6 a4 Nxe4 Qe1 Bd7 c4 Qc5 Bc2 Nf6 Kh1 a6 b3 Rae8",),
            best_cp=-17,
            reply_cp=-226,
        ),
        Motif(Theme.PAWN_ATTACK, "N", "f3"),
    ),
    "the king is driven across the board": (
        evidence(
            "rnbqkbnr/ppp3pp/3p4/4P1N1/4p3/8/PPP2PPP/RNBQKB1R b KQkq - 1 5",
            reply="h6 Qh5+ g6 Qxg6+ Kd7 e6+ Kc6 Qxe4+ d5 Qa4+ Kd6 Nf7+ Ke7 Qh4+ Nf6 Nxd8 Bxe6 Be2 Nd7 "
            "Nxe6 Kxe6 Qh3+ Kf7",
            best="d5 c4 d4 Nxe4 Nc6 Bd3 Bb4+ Bd2",
            best_cp=-93,
            reply_cp=-831,
        ),
        Motif(Theme.KING_DRIVEN_OUT, "P", "e6", "a queen and a pawn"),
    ),
    "the pawn would attack the knight after the best move, too": (
        evidence(
            "rn1qk1nr/pbpp1pb1/1p2p3/4N2p/3P1Pp1/2PBP3/PP1N2PP/R1BQ1RK1 w kq - 0 10",
            reply="h3 d6 Nec4 gxh3 gxh3 Nf6 e4 Rg8",
            best="e4 d6 Nec4 Nd7 Qe2",
            defences=("h3 d6 Nxf7 Kxf7 f5 e5 f6 Bxf6 dxe5 dxe5",),
            best_cp=137,
            reply_cp=-66,
        ),
        Motif(Theme.POSITION),
    ),
    "what retakes is forked with the king, and not drawn away": (
        evidence(
            "r1bqk2r/pp1pppbp/2n2np1/8/4P3/2N2N2/PPP2PPP/R1BQKB1R w KQkq - 1 7",
            reply="Bb5 Nxe4 Nxe4 Qa5+ Nc3 Bxc3+ bxc3 Qxb5 a4 Qc4 Qd3 Qxd3 cxd3 d6",
            best="a4 d6 h3 Be6 Bd3 d5",
            best_cp=-18,
            reply_cp=-160,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4", "a pawn"),
    ),
    "the pawn that the knight takes is not the point: queen and rook are hit": (
        evidence(
            "r1bqkb1r/1ppp1ppp/p4n2/n3N3/2B1P3/2PP4/PP3PPP/RNBQK2R b KQkq - 0 6",
            reply="d6 Nxf7 Qe7 Qa4+ Nc6 O-O Rg8 Ng5 Rh8 Bf7+ Kd8 Qb3 Na5 Ne6+",
            best="Nxc4 Nxc4 d5 exd5 Qxd5 O-O Be6 Ne3 Qc6 Re1 O-O-O d4 Bd6",
            best_cp=-55,
            reply_cp=-360,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "N", "f7", "a pawn"),
    ),
    "a knight that ends on the rim at the tail of a line": (
        evidence(
            "r2qk2r/p1p2ppp/1p2pnb1/3pN3/3Pn1P1/2P1P3/P1PB1PBP/1R1Q1RK1 b kq - 3 12",
            reply="Qd6 Be1 Nd7 f3 Nef6 g5 Nh5 Nxg6 hxg6 c4 dxc4 Bb4 c5",
            best="h5 f3 Nxd2 Qxd2 hxg4 fxg4 Qd6 h3 Ne4 Qd3 O-O",
            best_cp=20,
            reply_cp=-113,
        ),
        Motif(Theme.POSITION),
    ),
    "the pawn that guards may not take: a rook stands behind it": (
        evidence(
            "r1b1kb1r/pp4pp/q1p1pn2/5p2/1P1Pp3/PB2P1Q1/2P2PPP/R1B1K1NR w KQkq - 2 13",
            reply="h3 Bxb4+ Bd2 Bxd2+ Kxd2 O-O Ne2 Bd7 Qd6 Qa5+ Kc1 Rfe8",
            best="Ne2 Bd7 c4 Be7 Bb2 O-O O-O Bd8 Kh1",
            defences=("h3 Bxb4+ axb4 Qxa1 Ne2 O-O O-O Qa6 Nf4 Nd5 c4 Nxf4 Qxf4 Bd7",),
            best_cp=88,
            reply_cp=-100,
        ),
        Motif(Pattern.PIN, "B", "b5", "a pawn"),
    ),
    "queens would only be exchanged: the pawn before one is not pinned": (
        evidence(
            "rnbqkb1r/ppp1pppp/5n2/3p4/4P3/3P4/PPP2PPP/RNBQKBNR w KQkq - 1 3",
            reply="c4 dxe4 Nc3 Bf5 d4 e5 Nge2 Na6 Be3 Ng4 Ng3 exd4 Bxd4",
            best="e5 Nfd7 f4 c5 c3 Nb6 a4 d4 cxd4 cxd4",
            defences=("c4 dxe4 Bg5 Bf5 d4 e5 Ne2 exd4 Nxd4",),
            best_cp=31,
            reply_cp=-116,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "P", "e5", "a pawn"),
    ),
    "the answer already takes a pawn that nobody guards": (
        evidence(
            "r4rk1/pp1b1ppp/q2bpn2/8/1nPpPP2/PPN2NP1/2PQ1B1P/1K1R1B1R b - - 0 14",
            reply="Rfc8 Bxd4 Qxa3 Bxf6 gxf6 Qc1 Qa6 e5 Bf8 Rxd7 b5 cxb5 Qa5 Bc4 a6 b6 Rxc4 bxc4 Qxb6 Qb2",
            best="dxc3 Qc1 Nxe4 c5 Qc6 Bd4 Bxc5 Bxc5",
            best_cp=195,
            reply_cp=-296,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "B", "d4", "a knight and a pawn"),
    ),
    "a quiet move would have won a pawn, but one is left to be taken": (
        evidence(
            "r1bqkbnr/ppp1pppp/2n5/8/2pPP3/8/PP3PPP/RNBQKBNR w KQkq - 1 4",
            reply="Nc3 Qxd4 Qc2 e5 Nf3 Qd6 Bxc4 Be6 Bb5 O-O-O",
            best="Nf3 Bg4 d5 Bxf3 gxf3 Ne5 f4 Nd3+ Bxd3 cxd3 Qxd3",
            defences=("Nc3 Qxd4 Qa4 a6 Be3 Qd6 a3 e6 Nf3",),
            best_cp=94,
            reply_cp=-58,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "Q", "d5"),
    ),
    "the queen flees from the bishop behind the knight": (
        evidence(
            "r1b1kbnr/ppp1pppp/2n5/qB6/8/2N1P1P1/PP1B1P1P/R2QK1NR b KQkq - 2 8",
            reply="Bd7 Nd5 O-O-O Bxa5 Nxa5 Qa4 Bxb5 Qxb5 e6 Nc3 Be7 Qxa5 a6 Nf3",
            best="Nf6 e4 Qb6 Be3 Qa5",
            defences=("Bd7 Nd5 Qxb5 Nxc7+ Kd8 Nxb5 e5 Bc3 a6 Nd6 Bxd6 Qxd6 Nf6 f3",),
            best_cp=0,
            reply_cp=-528,
        ),
        Motif(Pattern.DISCOVERED_ATTACK, "N", "d5", "a queen and a pawn for a bishop"),
    ),
    "the knight is attacked as after the best move, but does not get away": (
        evidence(
            "r4r2/p1p1k1pp/3q1nb1/n1p1p1N1/6P1/1B3P2/PPPP3P/R1BQK2R w KQ - 1 15",
            reply="h4 h6 d3 hxg5 Bxg5 Nc6 O-O Nd4 h5",
            best="d3 h6 Nh3 c4 dxc4 Qxd1+ Kxd1",
            defences=("h4 h6 Nh3 e4 Qe2 Nc6 c3 c4 Bxc4 Ne5 Nf2",),
            best_cp=49,
            reply_cp=-173,
        ),
        Motif(Theme.ATTACK, "P", "h3"),
    ),
    "the knight goes back, and the pawn that it hits is exchanged": (
        evidence(
            "r1bqk2r/pppp1ppp/5n2/n1b1p1N1/4P3/1BN5/PPPP1PPP/R1BQK2R b KQkq - 9 6",
            reply="Rf8 Nf3 d6 d4 exd4 Nxd4 Nxb3 axb3 Rh8 O-O c6 Nf5",
            best="Nxb3 axb3 O-O O-O h6 Nf3 d5 exd5 Bg4",
            defences=("Rf8 Nf3 Nxb3 axb3 d6 d4 exd4 Nxd4 Rh8 O-O Ng4 h3 Ne5",),
            best_cp=65,
            reply_cp=-65,
        ),
        Motif(Theme.POSITION),
    ),
    "a queen that stands to be taken weighs more than the pawn that is lost instead": (
        evidence(
            "rnb1kbnr/ppp2ppp/4p3/8/3qP3/2N2N2/PP1B1PPP/R2QK2R w KQkq - 0 8",
            reply="Nb5 Qxe4+ Be3 Bb4+ Nd2 Qc6 Rc1 Qxb5 Qe2",
            best="Nxd4 c6 Nb3 a5 Bg5 f6",
            defences=("Nb5 Qxe4+ Qe2 Qxe2+ Kxe2 Na6 Nxc7+ Nxc7 Rhc1 Nd5",),
            best_cp=618,
            reply_cp=-495,
        ),
        Motif(Theme.MISSED_GAIN, "N", "d4"),
    ),
    "both leave a bishop: what is missed is worth far more": (
        evidence(
            "rnbqk2r/pp2ppbp/2p3p1/3P4/QP4BP/5N2/P2PPP2/1NB1K2R b Kkq - 0 9",
            reply="Qxd5 Bxc8 b5 Qa5 Nd7 Bxd7+ Qxd7 Nc3 Bxc3 dxc3",
            best="Bxg4 Bb2 Bxb2 dxc6 bxc6 b5",
            defences=("Qxd5 Bxc8 a5 Nc3 Qc4 b5 Qxa4 Nxa4 cxb5 Nc3",),
            best_cp=589,
            reply_cp=-97,
        ),
        Motif(Theme.MISSED_GAIN, "B", "g5"),
    ),
    "both leave a bishop: what is missed is worth more": (
        evidence(
            "r1b1kb1r/ppp2Npp/2n5/3np3/2B4q/8/PPPP1PPP/RNBQK2R w KQkq - 1 7",
            reply="Qf3 Qxc4 Nxh8 Be6 d3 Qxc2 O-O O-O-O Bg5 Nd4",
            best="Bxd5 Bg4 g3 Qh3 Ng5 Bxd1",
            defences=("Qf3 Qxc4 d3 Qg4 Qxg4 Bxg4 Nxh8 Be6 Bg5 Kd7",),
            best_cp=320,
            reply_cp=-232,
        ),
        Motif(Theme.MISSED_GAIN, "B", "d5"),
    ),
    "both leave a bishop: what is lost is worth more": (
        evidence(
            "r1b1kb1r/ppp2Npp/2n5/3np3/2B4q/8/PPPP1PPP/RNBQK2R w KQkq - 1 7",
            reply="Qf3 Qxc4 Nxh8 Be6 d3 Qxc2 O-O O-O-O Bg5 Nd4",
            best="Bxd5 Bg4 g3 Qh3 Ng5 Bxd1",
            defences=("Qf3 Qxc4 d3 Qg4 Qxg4 Bxg4 Nxh8 Be6 Bg5 Kd7",),
            best_cp=320,
            reply_cp=-432,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "Q", "c5"),
    ),
    "the bishop that is not given on h7 would have won: a gain that is not taken": (
        evidence(
            "rnbq1rk1/pp1n1ppp/2p1p3/2bpP3/8/3B1Q1N/PPPP1PPP/RNB1K2R w KQ - 4 8",
            reply="Qg3 f6 f4 b5 c3 Be7 exf6 Nxf6 Ng5",
            best="Bxh7+ Kxh7 Qh5+ Kg8 Ng5 Qxg5 Qxg5 Bd4",
            best_cp=255,
            reply_cp=-95,
        ),
        Motif(Theme.MISSED_GAIN, "B", "h7"),
    ),
    "a pawn hits one piece, and a pin is shaken off: no double attack": (
        evidence(
            "rnbqkb1r/pppn1ppp/4p3/3pP3/8/5Q2/PPPP1PPP/RNB1KBNR w KQkq - 1 5",
            reply="Bb5 c6 Be2 Nxe5 Qe3 Bd6 d4 Ng6 g3 O-O",
            best="Qg3 c5 f4 Nc6 Nf3 f6 Nc3",
            defences=("Bb5 c6 Ba4 Nxe5 Qe2 Ng6 d4 b5 Bb3 a5",),
            best_cp=-19,
            reply_cp=-221,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "N", "e4", "a pawn"),
    ),
    "a pawn hits a knight, which then is taken or leaves its pawn": (
        evidence(
            "r4rk1/npp1qppp/1b1p1n2/pP2p1N1/P1B1P1b1/BQP5/3P1PPP/RN3RK1 w - - 5 12",
            reply="Kh1 h6 f3 hxg5 fxg4 Nxg4 h3 Nf2+ Kh2 Nxe4",
            best="d4 exd4 Nxf7 Rxf7 e5 Ne4 f3 d3+ Kh1 Nf2+ Rxf2 Bxf2",
            defences=("Kh1 h6 Nf3 Nxe4 d4 exd4 cxd4 Qf6 Nbd2 Nxd2 Nxd2 Bxd4",),
            best_cp=34,
            reply_cp=-96,
        ),
        Motif(Theme.ATTACK, "P", "h3", "two pawns"),
    ),
    "a pawn strikes the knight that a bishop holds before the queen": (
        evidence(
            "r1bqkb1r/pp1p1ppp/2n1pn2/2p3B1/2B1P3/2NP4/PPP2PPP/R2QK1NR b KQkq - 2 5",
            reply="Ne5 f4 Nc6 e5 h6 Bh4 g5 Bg3 d5 exf6 gxf4 Bxf4 Qxf6",
            best="h6 Bf4 d5 Bb5 Bd7 exd5 exd5",
            best_cp=49,
            reply_cp=-65,
        ),
        Motif(Pattern.PIN, "P", "e5", "a knight for a pawn"),
    ),
    "a bishop pins a knight that the queen hits, too": (
        evidence(
            "r3kb1r/pp3ppp/4p1n1/4P3/3qp1P1/8/PP1N1PBP/R2QK2R w KQkq - 0 14",
            reply="Bxe4 Bb4 Qa4+ Kf8 O-O Rd8 Rac1 Bxd2 Rc4 Qxe5",
            best="O-O Nxe5 Nxe4 Rd8 Qxd4 Rxd4 Rfc1 Nxg4",
            defences=("Bxe4 Bb4 Bxg6 hxg6 Qa4+ Ke7 Kf1 Rhd8 Nb3 Qc4+",),
            best_cp=-59,
            reply_cp=-314,
        ),
        Motif(Pattern.PIN, "B", "b5"),
    ),
    "a queen threatens mate and a bishop, which falls": (
        evidence(
            "r2qk1r1/pbp2p2/1p2pn2/6B1/8/2PB4/P1P2PPP/R1Q1K2R w KQq - 0 15",
            reply="O-O Qd5 f3 Qxg5 Qxg5 Rxg5 g4 Ke7 h4 Rc5",
            best="Bb5+ Ke7 Qf4 Rxg5 Qxg5 Qd6 Qg3 Qxg3",
            best_cp=160,
            reply_cp=-459,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "d4", "a bishop"),
    ),
    "the pawn is free, since a check would win back the knight": (
        evidence(
            "r1bqkb1r/pp1p1ppp/2n1p3/2p1Pn2/2B2P2/2P5/PP1P2PP/RNBQK1NR w KQkq - 1 6",
            reply="Ne2 Nxe5 Bb5 Ng4 Bd3 g6 Bxf5 gxf5 d4 Rg8",
            best="Nf3 Be7 Bb3",
            defences=("Ne2 Nxe5 fxe5 Qh4+ g3 Qxc4 O-O b6 d3 Qd5",),
            best_cp=-47,
            reply_cp=-239,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "h5", "a pawn"),
    ),
    "the fork trick in a position that is even": (
        evidence(
            "r1bqk1nr/pp3ppp/2n5/2bpp3/8/2NP1N2/PPP1BPPP/R1BQ1RK1 b kq - 4 7",
            reply="Nge7 Nxe5 Nxe5 d4 Bd6 dxe5 Bxe5 Bb5+ Bd7 Re1",
            best="Bb6 b4 Nge7 Na4 Bc7 b5 Nd4 Nxd4",
            defences=("Nge7 Nxe5 Nf5 Bf4 O-O Na4 Nxe5 Nxc5 Ng6 Bd2",),
            best_cp=50,
            reply_cp=-107,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "d4"),
    ),
    "a knight that could go away is no desperado: the king is drawn out": (
        evidence(
            "r1bqk2r/pppp1ppp/8/2b1p3/2BnP1n1/5N2/PPPP1PPP/RNBQR1K1 w kq - 10 7",
            reply="h3 Nxf2 Kxf2 Nxf3+ d4 Nxd4 Be3 O-O",
            best="Rf1 c6 Nxd4 d5 exd5 Bxd4",
            defences=("h3 Nxf2 Bxf7+ Kxf7 Kxf2 Nxf3+ Kxf3 Qf6+ Ke2 Qf2+",),
            best_cp=6,
            reply_cp=-272,
        ),
        Motif(Theme.KING_DRIVEN_OUT, "N", "f7"),
    ),
    "a rook given for a knight on f6 and retaken by a pawn": (
        evidence(
            "r1n1kb1r/pp4pp/1qp1Pn2/3p2N1/3P4/3Q4/PPP4P/RNB2RK1 w kq - 3 15",
            reply="Rxf6 gxf6 Nxh7 Rxh7 Qxh7 Qxd4+ Kf1 Qd1+ Kf2 Bc5+",
            best="Nf7 Rg8 Bf4 Qb5 Qxb5 cxb5 Nc3",
            best_cp=224,
            reply_cp=-104,
        ),
        Motif(Theme.UNSOUND_SACRIFICE, "P", "f3"),
    ),
    "a pawn hits the pinning bishop, and a pawn falls: what takes it is told": (
        evidence(
            "r1bqk2r/pppp1p1p/2n2np1/2b3B1/4P3/5P2/PPP3PP/RN1QKBNR w KQkq - 2 7",
            reply="f4 h6 Bh4 g5 fxg5 Nxe4 Nd2 hxg5 Nxe4 Bb4+",
            best="Nc3 h6 Bh4 d6 Qe2",
            best_cp=75,
            reply_cp=-118,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "N", "e5", "a pawn"),
    ),
    "a check hits the bishop too, and what then is taken is another man": (
        evidence(
            "r1bqk1nr/ppp2ppp/2np4/3P4/1b2P3/2N2N2/PP3PPP/R1BQKB1R b KQkq - 0 7",
            reply="Ne5 Qa4+ Nc6 dxc6 Bxc3+ bxc3 bxc6 Bd3 Nf6 O-O O-O Re1 Rb8",
            best="Bxc3+ bxc3 Nce7 Bd3 Nf6 a3 Ng6",
            defences=("Ne5 Qa4+ Bd7 Qxb4 Nxf3+ gxf3 Ne7 Be3 Ng6 O-O-O Qf6 a3",),
            best_cp=-80,
            reply_cp=-562,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4", "a bishop"),
    ),
    "a knight that goes back where it came from has lost time": (
        evidence(
            "rnbqkb1r/pp2nppp/2p1p3/3pP3/3P2P1/5N2/PPP2P1P/RNBQKB1R b KQkq - 0 5",
            reply="Ng6 h4 Ne7 h5 h6 Be3 c5 dxc5 Nec6 c4",
            best="c5 c3 Nbc6 h4 h5 gxh5 Bd7 Na3",
            defences=("Ng6 h4 c5 h5 Ne7 dxc5 Nec6 Be3 Nd7 h6",),
            best_cp=46,
            reply_cp=-97,
        ),
        Motif(Theme.GAIN_OF_TIME, "P", "h4"),
    ),
    "a pawn is taken back, and another forks queen and bishop": (
        evidence(
            "r1bqk2r/2p1bppp/p2p1n2/1p6/3pP3/1B6/PPP2PPP/RNBQR1K1 w kq - 0 10",
            reply="Qxd4 c5 Qd3 c4 Bxc4 bxc4 Qxc4 O-O Qd3 Re8 Bf4 Bf8 Nc3 Bb7",
            best="a4 Bb7 c3 dxc3 Nxc3 O-O axb5 axb5 Rxa8 Qxa8 Nxb5",
            defences=("Qxd4 c5 Qc3 c4 Bxc4 bxc4 Qxc4 Be6 Qd3 d5 exd5 Qxd5",),
            best_cp=-30,
            reply_cp=-334,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "c5"),
    ),
    "a bishop that is given for a pawn on f2": (
        evidence(
            "r3k2r/pp3p1p/1q2p1p1/1bbpNnB1/6PP/2P2Q2/PP3P2/RN2K2R b KQkq - 0 13",
            reply="Bxf2+ Qxf2 Qxf2+ Kxf2 Nd6 a4 Bc6 Ke1 Ne4 Nd2",
            best="f6 Bxf6 O-O g5 Bd6",
            best_cp=149,
            reply_cp=-283,
        ),
        Motif(Theme.UNSOUND_SACRIFICE, "Q", "f2", "a bishop for a pawn"),
    ),
    "a capture that wins a knight is that, though it threatens mate as well": (
        evidence(
            "r1bqk1nr/pppp1ppp/2n5/b3p3/2B1P3/1QP2N2/P2P1PPP/RNB1K2R b KQkq - 2 6",
            reply="f6 Bxg8 Qe7 Bd5 d6 O-O Bb6 d4 Na5 Qd1",
            best="Qe7 d4 Nf6 Nxe5 Nxe5",
            best_cp=75,
            reply_cp=-392,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "B", "g8", "a knight"),
    ),
    "a knight that checks and comes back has not been driven": (
        evidence(
            "r4rk1/pQp3pp/4pq2/4p3/3nP3/2NP2PN/PPP4P/R1B1K2R b KQ - 0 14",
            reply="Nf3+ Kd1 Nd4 Re1 Rab8 Qa6 Qf3+ Ne2 Nxe2 Rxe2",
            best="Qf3 Rg1 Qg4",
            defences=("Nf3+ Kd1 Qf7 Nf4 exf4 Bxf4 Nd4",),
            best_cp=174,
            reply_cp=-329,
        ),
        Motif(Theme.POSITION),
    ),
    "a knight comes near with gain of time, and forks with either defence": (
        evidence(
            "r1b1kb1r/pp2pppp/2np2q1/8/8/2PNB1P1/PP3P1P/R2QKB1R b KQkq - 1 12",
            reply="Bf5 Nf4 Qg4 f3 Qg5 Nd5 Qg6 Nc7+ Kd7 Nxa8 Kc8 Bb5 Qe6 Qe2 Kb8 Bxc6 bxc6",
            best="Qe4 Rg1 g6 Qb3 Bg7 O-O-O O-O Bg2 Qg4",
            defences=("Bf5 Nf4 Qf6 Nd5 Qg6 Nc7+ Kd7 Nxa8 e6 Qb3 Kc8 O-O-O Be4 Rg1",),
            best_cp=105,
            reply_cp=-265,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "N", "c7", "a rook"),
    ),
    "a knight is taken with check, and the king is driven besides": (
        evidence(
            "rn1qk1r1/pp5p/2b1pppB/1Nb4n/7N/8/PP3PPP/R2QKB1R b KQq - 5 14",
            reply="g5 Qxh5+ Ke7 Nf5+ exf5 Bc4 Qa5+ Nc3 Bxf2+ Kf1",
            best="a6 Nc3 Qxd1+ Rxd1 g5 Be2",
            best_cp=192,
            reply_cp=-191,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "Q", "h5"),
    ),
    "a bishop that has taken a guarded pawn is taken; what else falls comes after": (
        evidence(
            "rnb1k2r/pp3ppp/2p1p3/2b1P3/B2qp3/3P4/PPP2PPP/R1BQK1NR w KQkq - 1 9",
            reply="Bxc6+ Nxc6 Be3 Qxb2 Rb1 Bb4+ Bd2 Bxd2+ Kf1 Qa3 Qxd2",
            best="Be3 Qxb2 d4 Qb4+ c3 Qxc3+ Kf1 Be7 Bc2",
            defences=("Bxc6+ Nxc6 Nh3 exd3 O-O Qxe5 b4 dxc2 Qxc2 Bxb4 Rd1 Qxa1",),
            best_cp=-78,
            reply_cp=-592,
        ),
        Motif(Theme.UNSOUND_SACRIFICE, "N", "c3", "a bishop"),
    ),
    "a pawn takes and hits two pieces, which win more than the pawn": (
        evidence(
            "r1b1kb1r/pp1n1ppp/1qn1p3/2ppP3/3P4/2NBBN2/PPP2PPP/R2QK2R w KQkq - 4 8",
            reply="Nh4 cxd4 Nxd5 exd5 Bh6 gxh6 e6 Be7 O-O",
            best="O-O Nxd4 Bxd4 cxd4 Nb5 a6 Nbxd4 Qxb2 Rb1",
            best_cp=-3,
            reply_cp=-525,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "P", "d5", "a bishop, a knight and a pawn"),
    ),
    "a bishop is exchanged, and a check then hits the one that has retaken": (
        evidence(
            "r1bqkbnr/p1pppppp/np6/8/3PP3/2P5/PP3PPP/RNBQKBNR b KQkq - 0 3",
            reply="d5 Bxa6 Bxa6 Qa4+ Qd7 Qxa6 dxe4 Qb7 f5 Qxa8+ Kf7 Nd2",
            best="c5 Nf3 Bb7 Bc4 Nc7 O-O e6 Qe2 b5",
            defences=("d5 Bxa6 dxe4 Bxc8 Rxc8 Nd2 f5 f3 e5 dxe5 e3 Nb3",),
            best_cp=-113,
            reply_cp=-526,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4", "a knight for a pawn"),
    ),
    "a check hits the loose bishop, and nothing is lost at once": (
        evidence(
            "r1bqk2r/pp2bppp/2n5/2p3B1/B2pn3/3P4/PPP2PPP/R2QK1NR w KQkq - 0 10",
            reply="Bxe7 Qa5+ c3 dxc3 Bxc6+ bxc6 b4 cxb4 Bxb4 Qxb4 dxe4 c2+ Qd2 Qb1+ Qc1 Rb8 Ne2 Ba6",
            best="Bxc6+ bxc6 Bxe7 Qxe7 dxe4 O-O Ne2 f5 O-O fxe4 Ng3",
            best_cp=-145,
            reply_cp=-336,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4"),
    ),
    "a bishop holds the knight before the queen": (
        evidence(
            "r1bq1rk1/2p1bppp/p1p5/8/8/5N2/PPPB1PPP/R2Q1RK1 w - - 0 11",
            reply="g3 Bg4 Re1 Bc5 Be3 Qxd1 Raxd1 Bb4 Ne5 Bxd1 Rxd1",
            best="Re1 h6 Ne5",
            best_cp=49,
            reply_cp=-149,
        ),
        Motif(Pattern.PIN, "B", "g5", "a rook for a bishop"),
    ),
    "a pawn that stands free is taken; that a knight is held as well is no more than that": (
        evidence(
            "rnb1kb1r/pp2qpp1/2p2n1p/4p1B1/1P2P3/2N2N2/P1P2PPP/R2QKB1R w KQkq - 0 8",
            reply="Be3 Qxb4 Bd2 Nxe4 Nxe4 Qxe4+ Be2 Be7 O-O Qd5 c4 Qd6 Re1",
            best="Bd2 Qxb4 Nxe5 Qe7 Nf3 Nxe4 Nxe4 Qxe4+ Be2",
            defences=("Be3 Qxb4 Qd2 Qa5 Nd1 Bb4 c3 Be7 Bd3 Be6 O-O Nbd7 Qc2 Qc7 Nb2 O-O h3 Nc5 Bc4",),
            best_cp=-54,
            reply_cp=-187,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "Q", "b5"),
    ),
    "a bishop that goes away has driven nobody back": (
        evidence(
            "r1bqk2r/1pppn2p/p1nb1pp1/4p3/2B1P1QN/P1NPB3/1PP2PPP/R3K2R b KQkq - 1 9",
            reply="Na5 Ba2 Nac6 Nf5 Nxf5 exf5 Ne7 fxg6 hxg6 Ne4 f5 Nxd6+ cxd6 Qb4 d5 Bb6 Nc6",
            best="Nd4 O-O c6 Bxd4 exd4 Ne2 Be5",
            best_cp=-48,
            reply_cp=-234,
        ),
        Motif(Theme.POSITION),
    ),
    "queens come off with check: no double attack": (
        evidence(
            "r1bq3r/pppk3p/6p1/2b1Qp2/1nBn4/3P4/PPP2PPP/RNB1K2R w KQ - 1 13",
            reply="Qg7+ Qe7+ Qxe7+ Bxe7 c3 b5 cxd4 bxc4 dxc4 Nc2+ Kd1 Nxa1 Nc3 Ba6 c5 Bf6 d5 c6",
            best="Qxc5 Nbxc2+ Kd1 Qe7 Qxe7+ Kxe7 Bg5+ Kd6 Na3 Nxa3 bxa3",
            best_cp=20,
            reply_cp=-479,
        ),
        Motif(Theme.CHEAPER_ATTACKER, "P", "c5", "a rook for a pawn"),
    ),
    "a bishop stands to be taken, though a pawn would come off for it": (
        evidence(
            "r1b1k2r/pp3ppp/2p2n2/3pq3/B3P3/2b3P1/PPPB1P1P/R2QK2R w KQkq - 0 11",
            reply="O-O Bxd2 exd5 O-O Qxd2 Qxd5 Qxd5 cxd5 f3 Be6 g4 Rfc8 Kf2 Rab8 Kg3",
            best="Bxc3 Qxe4+ Qe2 O-O Qxe4 Nxe4 Bd4 Bg4 h3 Bf3 O-O Nd2 Rfe1 Be4 Red1 Nf3+",
            defences=("O-O Bxd2 Qxd2 O-O exd5 Qxd5 Qxd5 cxd5 Rfe1 Be6 Kg2 Rfd8 f3",),
            best_cp=-210,
            reply_cp=-534,
        ),
        Motif(Theme.MISSED_GAIN, "B", "c3"),
    ),
    "a check hits the loose bishop, before a knight uncovers another": (
        evidence(
            "r1bqk2r/pp2bppp/2n2n2/2p3B1/B2p4/2NP4/PPP2PPP/R2QK1NR w KQkq - 0 9",
            reply="Ne4 Qa5+ c3 Nxe4 Bxe7 dxc3 Bxc6+ bxc6 Bd8 Qxd8 dxe4 cxb2 Qxd8+ Kxd8 Rb1 Rb8",
            best="Bxc6+ bxc6 Bxf6 gxf6 Ne4 h5 Ne2 h4",
            best_cp=-9,
            reply_cp=-290,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4", "two pawns"),
    ),
    "a pawn that is all that is won is taken by a pawn: nothing is trapped": (
        evidence(
            "rn2k1nr/pp3ppp/1bp1p3/3pP3/bP1P1PP1/P6P/R2NN3/2B1KB1R b Kkq - 0 13",
            reply="c5 Nc3 Bd7 dxc5 Bc7 Nf3 Ne7 Bd3 a6 Rg2 Nbc6 O-O h5 g5",
            best="Bb5 Nb3 Bc4 Rb2 h5 Nc5 Bxc5 bxc5",
            defences=("c5 Nc3 Bc6 dxc5 Bd8 Rg1 a6 Nb3 h5 g5 Ne7 Kf2",),
            best_cp=109,
            reply_cp=-92,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "P", "c5", "a pawn"),
    ),
    "a pawn that stood free in the centre is not taken": (
        evidence(
            "r1bq1rk1/pp1n1ppp/2p1pn2/8/2BPP3/2Q2N2/PP3PPP/R1BR2K1 b - - 0 11",
            reply="Nb6 Bd3 Nfd7 Bg5 f6 Bh4 Qe7 Bg3 f5 Qb3 fxe4 Bxe4",
            best="Nxe4 Qc2 Nd6 Bd3 Nf6 b3 h6 Ba3 a5 Ne5 Re8",
            defences=("Nb6 Bd3 Qc7 Bg5 Nh5 a4 h6 Be3",),
            best_cp=5,
            reply_cp=-208,
        ),
        Motif(Theme.MISSED_GAIN, "N", "e5"),
    ),
    "a bishop hangs to another move than the line begins with": (
        evidence(
            "r2qkb1r/pp2pppp/5n2/4N3/2Bn2b1/2N5/PP3PPP/R1BQK2R b KQkq - 1 9",
            reply="e6 Qa4+ Nd7 Nxg4 h5 Ne3 Qh4 Bb5 O-O-O Bxd7+ Rxd7",
            best="Be6 Qa4+ Nd7 Bxe6 Nxe6 Be3 f6 Nf3 Qc8",
            defences=("e6 Qa4+ Ke7 Qb4+ Qd6 Qxb7+ Nd7 Nxd7 Qxd7 Qxa8 Nc2+ Kf1 Qc7 Bb5",),
            answers="Qa4+ Nxg4",
            best_cp=-104,
            reply_cp=-322,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "N", "g4"),
    ),
    "the bishop would pin the queen to her king: another answer than castling": (
        evidence(
            "1r1qk2r/pp4pp/3b2n1/2pP1p2/8/2N4P/PPPQ1PB1/2KR3R w k - 0 15",
            reply="Rhg1 O-O Kb1 b5 Rde1 a6 Nd1 Ne5 Qe2 Qf6",
            best="Rhe1+ Kf7 Kb1 Nf4 Bf1 a6",
            defences=("Rhg1 O-O Qe2 a6 Kb1 b5 Rge1 c4 Qd2 Nf4",),
            answers="O-O Bf4",
            best_cp=134,
            reply_cp=-132,
        ),
        Motif(Pattern.PIN, "B", "f5"),
    ),
    "a knight comes out and mate on d2 is threatened: the line begins with a move that is no answer": (
        evidence(
            "rnbqk1r1/ppp2pBp/8/8/2P1n3/Q7/P3PPPP/R3KBNR w KQq - 1 13",
            reply="Qa4+ Bd7 Qc2 Qe7 Bc3 Na6 f3 Nxc3 Qxc3 O-O-O",
            best="Rd1 Qe7 Qxe7+ Kxe7 Ba1 Nd6",
            answers="Nc6",
            best_cp=137,
            reply_cp=-161,
        ),
        Motif(Theme.THREAT_OF_MATE, "N", "c3"),
    ),
    "a bishop simply hangs: nobody sees the mate in thirteen": (
        evidence(
            "rn1qk1r1/pppb1pBp/8/8/Q1P1n3/8/P3PPPP/R3KBNR w KQq - 3 14",
            reply="Bf6 Qxf6 Qxd7+ Nxd7 O-O-O Qa1+ Kc2 Qxa2+ Kc1 Qxc4+",
            best="Qc2 Qe7 Bh6",
            answers="Qxf6 Nxf6 Bxa4",
            best_cp=-132,
            reply_mate=-13,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "Q", "f3", "a bishop"),
    ),
    "two checks chase the king about: more than space": (
        evidence(
            "r3kb1r/ppp2ppp/3pb3/2n1pq2/8/2P1BNP1/PP2K2P/RN1Q1B1R w kq - 1 11",
            reply="Bg2 Bc4+ Ke1 d5 b3 Nd3+ Kd2 Ba6 Nh4 Qd7",
            best="Ke1 d5 b4 Nd7 Na3 c6",
            answers="Bc4+",
            best_cp=-20,
            reply_cp=-145,
        ),
        Motif(Theme.KING_DRIVEN_OUT, "B", "c5"),
    ),
    "a check keeps the king from castling, long before a pawn falls": (
        evidence(
            "r2nk2r/1ppbnp2/p3p2p/4P1p1/4N3/4P2P/PP2BPPB/R4RK1 b kq - 2 14",
            reply="Ndc6 Nf6+ Kd8 Rad1 Nb8 f4 Kc8 Bh5 Nf5 Bxf7 Rf8",
            best="Bb5 Bxb5+ axb5 Nf6+ Kf8 f4 Ndc6 e4",
            answers="Nf6+",
            best_cp=-87,
            reply_cp=-295,
        ),
        Motif(Theme.CASTLING_LOST, "N", "f6", "a pawn"),
    ),
    "the queen bars the square over which the king would have castled": (
        evidence(
            "r3k1r1/ppp3pp/2n1bp2/2q1p3/4Q3/P1BP1N2/1PP2PPP/R3K2R b KQq - 4 12",
            reply="f5 Qh4 Bd5 O-O-O Bxf3 gxf3 g6 f4 Qe7 Qh6",
            best="O-O-O Qxh7 Kb8",
            defences=("f5 Qh4 g5 Nxg5 Qe7 Qh5+ Rg6 Nxe6 Qxe6 g3",),
            answers="Qh4 Qe3 Qe2",
            best_cp=128,
            reply_cp=-139,
        ),
        Motif(Theme.CASTLING_LOST, "Q", "h4"),
    ),
    "the queen threatens mate and a pawn: that is the strike, not the pawn": (
        evidence(
            "r1bqkbnr/pp3ppp/3pp3/8/2BQP3/2N5/PPP2PPP/R1B1K2R b KQkq - 1 7",
            reply="e5 Qd5 Be6 Bb5+ Bd7 Qxb7 Bxb5 Qxb5+ Qd7 Qxd7+",
            best="Nf6 Be3 Ng4 Bb5+ Bd7 O-O-O",
            defences=("e5 Qd5 Qc7 Nb5 Qe7 Bg5 Be6 Bxe7 Bxd5 Bxf8",),
            answers="Qd5",
            best_cp=-46,
            reply_cp=-263,
        ),
        Motif(Theme.THREAT_OF_MATE, "Q", "d5", "a pawn"),
    ),
    "the fork trick is not played, which takes a pawn first": (
        evidence(
            "r1bqk1nr/pppp1ppp/2n5/2b1p3/4P3/2N2N2/PPPP1PPP/R1BQKB1R w KQkq - 4 4",
            reply="Qe2 Nf6 d3 O-O a3 d6",
            best="Nxe5 Bxf2+ Kxf2 Nxe5 d4",
            defences=("Qe2 Nf6 Nd5 d6 Nxf6+ Qxf6 d3 h6 g3",),
            answers="Nf6 d6 Nge7",
            best_cp=149,
            reply_cp=-67,
        ),
        Motif(Theme.MISSED_GAIN, "N", "e5"),
    ),
    "a piece could have been won: that another is exchanged comes of it": (
        evidence(
            "rn1q1rk1/4bpp1/p2p1n2/1ppNp1B1/4P3/1B1P1Q2/PPP2P1P/2KR3R b - - 1 13",
            reply="Nc6 Nxe7+ Qxe7 c3 Rfc8 Rhg1 Kf8 h4 c4 dxc4",
            best="Nxd5 Bd2 Nf4 Bxf4 exf4 e5",
            answers="Nxe7+ Rdg1 Bxf6",
            best_cp=149,
            reply_cp=-365,
        ),
        Motif(Theme.MISSED_GAIN, "N", "d4"),
    ),
    "a rook is not taken, though a queen would have come off for it": (
        evidence(
            "rnbqkbnr/pppp4/8/6B1/3p4/6p1/PPP1PP2/RNQ1KBNR b KQkq - 0 9",
            reply="gxf2+ Kxf2 Nf6 Rxh8 Ne4+ Ke1 Qxg5 Qxg5 Nxg5 Nf3",
            best="Rxh1 Bxd8 Bh6 Qd1 gxf2+ Kxf2",
            defences=("gxf2+ Kxf2 Rxh1 Bxd8 Kxd8 Qg5+ Ne7 Qf6 Ke8 Nh3",),
            answers="Kxf2",
            best_cp=268,
            reply_cp=-183,
        ),
        Motif(Theme.MISSED_GAIN, "R", "h8"),
    ),
    "the queen hits a knight and the pawn beside the king": (
        evidence(
            "r4k2/ppp3pr/2n1q2p/1Nb1p3/4n3/7P/PPPP1PP1/R1BQ1RK1 w - - 0 14",
            reply="Nxc7 Qf7 Nxa8 Bxf2+ Rxf2 Qxf2+ Kh2 Qg3+ Kg1 Ng5",
            best="Qf3+ Nf6 Nxc7 Qc8 Nxa8",
            defences=("Nxc7 Qf7 Qe1 Qxc7 Qxe4 g5 c3 Bd6 b4 Rg7",),
            answers="Qf5",
            best_cp=70,
            reply_cp=-212,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "f2"),
    ),
    "a king that steps aside in its castled position is not driven out": (
        evidence(
            "r4k2/ppN3pr/2n2q1p/2b1p3/4n3/7P/PPPP1PP1/R1BQ1RK1 w - - 1 15",
            reply="Nxa8 Bxf2+ Rxf2 Qxf2+ Kh2 Nd4 Qg4 Nf6 Qg3 Qxg3+",
            best="Qe2 Bxf2+ Rxf2 Nxf2 Nxa8",
            answers="Bxf2+",
            best_cp=47,
            reply_cp=-254,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "B", "f7"),
    ),
    "a bishop that attacks nothing has sent no queen home: a pawn was left": (
        evidence(
            "r1bqkb1r/1p5p/p1n1p1pn/3pPpN1/3P1P2/P1NB3P/1P4P1/R1BQK2R b KQkq - 1 14",
            reply="Qd7 Bd2 Qd8 Nf3 Na5 b4 Nc4 Bxc4",
            best="Nxd4 Be3 Nc6 Ne2 Nf7 h4",
            defences=("Qd7 Bd2 Nf7 Nf3 Qd8 h4 h5 O-O Bd7 Na4",),
            answers="Bd2 Na4 Be3",
            best_cp=-38,
            reply_cp=-165,
        ),
        Motif(Theme.MISSED_GAIN, "N", "d5"),
    ),
    "a pawn attacks nothing and leaves the bishop no way back": (
        evidence(
            "2kr3r/ppp2ppp/2pqbn2/8/N2PP3/2P5/PP2BPPb/R1BQ1R1K b - - 1 12",
            reply="Nd7 g3 Bxg3 fxg3 Qxg3 Bf4 Qh4+ Bh2 Qxe4+ Bf3",
            best="Nxe4 Bd3 Nf6 Nc5 Bf4 Qa4",
            answers="g3 b4 f4 e5",
            best_cp=84,
            reply_cp=-128,
        ),
        Motif(Pattern.TRAPPED_PIECE, "P", "g3"),
    ),
    "a pawn that is retaken was guarded enough: the next one is not": (
        evidence(
            "r2qr1k1/pp3pp1/2n2b1p/8/2ppPN1P/2PP2P1/PP3P2/RN1QK2R w KQ - 0 13",
            reply="Nh5 dxc3 Nxf6+ Qxf6 Nxc3 Rad8 O-O cxd3 Kh1 Qd4",
            best="O-O Be5 Nd5 f5 dxc4 fxe4",
            defences=("Nh5 dxc3 bxc3 Ne5 O-O Nxd3 Qg4 Qe7 Nd2 Bxc3",),
            answers="dxc3 Be5 cxd3",
            best_cp=-14,
            reply_cp=-200,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "P", "d6", "a pawn"),
    ),
    "an exchange draws out a king that could have castled": (
        evidence(
            "r1b1k1nr/pp3ppp/5q2/1B1p4/3P4/8/PP1N1PPP/R2QK2R b KQkq - 2 11",
            reply="Bd7 Bxd7+ Kxd7 O-O Ne7 Nf3 Nc6 Ne5+ Nxe5 dxe5",
            best="Kf8 Qb3 Qe6+ Qe3 Qxe3+ fxe3",
            answers="Bxd7+",
            best_cp=-16,
            reply_cp=-181,
        ),
        Motif(Theme.KING_DRIVEN_OUT, "B", "d7"),
    ),
    "queens come off, and a pawn hangs then": (
        evidence(
            "rn1qkbnr/ppp2ppp/3p4/4P3/4P1b1/5N2/PPP2PPP/RNBQKB1R b KQkq - 0 4",
            reply="dxe5 Qxd8+ Kxd8 Nxe5 Be6 Nc3 Nf6 Be3 Nbd7 Nd3",
            best="Nd7 h3 Bh5 exd6 Bxd6",
            answers="Qxd8+",
            best_cp=-37,
            reply_cp=-235,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "N", "e5"),
    ),
    "a knight takes a pawn with check and drives the king": (
        evidence(
            "r1b1k2r/pp1p1p1p/4p1p1/q3n3/5n2/2N2N2/PPP3PP/R2QKB1R w KQkq - 0 14",
            reply="Bb5 Nxg2+ Kd2 Qb4 Nxe5 Qf4+ Kd3 Qe3+ Kc4 Qxe5",
            best="Qd4 Nxf3+ gxf3 e5 Qd6 Qb6",
            answers="Nxg2+",
            best_cp=-167,
            reply_cp=-357,
        ),
        Motif(Theme.KING_DRIVEN_OUT, "N", "g7"),
    ),
    "a check hits a bishop that one piece guards and two attack": (
        evidence(
            "r1bqk1nr/ppp2ppp/8/3Pn3/1b6/4P3/PP1B1PPP/RN1QKBNR b KQkq - 2 6",
            reply="Qd6 Qa4+ Bd7 Qxb4 Nf6 Qxd6 Nd3+ Ke2 cxd6 Nc3",
            best="Bd6 Nf3 Nf6 Bb5+ Bd7",
            defences=("Qd6 Qa4+ c6 Bxb4 Qxd5 Nc3 Nd3+ Bxd3 Qxd3 Ba3 Qg6 Nge2",),
            answers="Qa4+",
            best_cp=-77,
            reply_cp=-503,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "a4", "a knight for two pawns"),
    ),
    "the bishop takes a pawn that nobody guards, and the rook after it": (
        evidence(
            "r2q1rk1/5ppp/b1nbpn2/p1p5/2P5/B2PPNP1/3N1PBP/R2Q1RK1 b - - 0 14",
            reply="Be5 Nxe5 Nxe5 Bxc5 Qxd3 Bxf8 Rxf8 Rxa5 Nxc4 Nxc4",
            best="Bb7 Ng5 Be7",
            answers="Nxe5 d4",
            best_cp=-17,
            reply_cp=-318,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "B", "c5", "a rook for a knight"),
    ),
    "the pawn drives off the guard of another": (
        evidence(
            "rn1qkbnr/pp2pppp/2p1b3/8/2pP4/2N1PQ2/PP3PPP/R1B1KBNR b KQkq - 1 5",
            reply="Bd5 e4 Be6 d5 Bd7 Bxc4 Nf6 Bf4 g6 Nh3",
            best="Nf6 Nh3 h6 Nf4 Bg4",
            answers="e4",
            best_cp=100,
            reply_cp=-124,
        ),
        Motif(Theme.GAIN_OF_TIME, "P", "e4", "a pawn"),
    ),
    "a king that goes to h7 by itself is not driven out": (
        evidence(
            "r2qr1k1/pp1nnpb1/2p1p1p1/3pP1Bp/3P3N/2N1Q2P/PPP2PP1/R3R1K1 b - - 4 13",
            reply="Kh7 Qf4 Rf8 Nf3 Qe8 Qd2 Ng8 Ne2",
            best="c5 Qf4 cxd4 Nb5 Qb6 Nxd4",
            defences=("Kh7 Qf4 Kg8 Ne2 c5 c3 Qb6 g4 cxd4 cxd4",),
            answers="Qf4 g4 Ne2",
            best_cp=-12,
            reply_cp=-188,
        ),
        Motif(Theme.POSITION),
    ),
    "pawns are only exchanged: what was missed is the point": (
        evidence(
            "rn1q1rk1/p2nppbp/1p4p1/2p1P1B1/8/2NP1N1P/PP3PP1/R2QR1K1 b - - 2 12",
            reply="f6 exf6 exf6 Be3 Nc6 Qa4 Nde5 Nxe5 Nxe5",
            best="Nc6 d4 cxd4 Nxd4 Ndxe5",
            answers="exf6 Be3",
            best_cp=47,
            reply_cp=-105,
        ),
        Motif(Theme.MISSED_GAIN, "N", "c3"),
    ),
    "a pawn that could be retaken only at a loss has too few defenders": (
        evidence(
            "r1bqkb1r/pp1p1ppp/2n2n2/2p1p3/2B1P3/1QPP4/PP3PPP/RNB1K1NR b KQkq - 2 5",
            reply="d5 Bxd5 Na5 Qa4+ Bd7 Qc2 Nxd5 exd5 b5 Nf3",
            best="Na5 Qc2 Be7 Nf3 Nxe4",
            defences=("d5 Bxd5 Nxd5 exd5 Na5 Qa4+ b5 Qxb5+ Bd7 Qa6",),
            answers="exd5",
            best_cp=63,
            reply_cp=-73,
        ),
        Motif(Pattern.TOO_FEW_DEFENDERS, "B", "d5", "a pawn"),
    ),
    "a king that goes into the corner is not driven out": (
        evidence(
            "r1bq1r2/pp1p1pk1/2p4p/4p3/3bP1N1/5Q2/PPP2PPP/R3KB1R b KQ - 2 12",
            reply="Qb6 Qf6+ Kg8 Nxh6+ Kh7 Nf5 Bxf2+ Ke2 Qa6+ Kd2 Qa5+ c3 Qd5+ exd5 Be3+ Kxe3",
            best="d5 c3 dxe4 Qg3 Qg5 cxd4 Bxg4 dxe5 Rad8",
            answers="Qf6+",
            best_cp=99,
            reply_cp=-1157,
        ),
        Motif(Pattern.UNDEFENDED_PIECE, "N", "h6", "a queen and a bishop"),
    ),
    "a bishop that would be retaken was no gain": (
        evidence(
            "r2qkb1r/ppp1p1pp/2n2n2/3p1b2/3P4/2NBQ3/PPP2PPP/R1B1K1NR b KQkq - 1 10",
            reply="Ne4 Nf3 Qd7 Nxe4 dxe4 Bxe4 O-O-O c3 Bxe4 Qxe4 e5 Bg5 Be7",
            best="Bxd3 Qxd3 e5 dxe5 Nxe5 Qb5+ c6 Qxb7 d4 Nce2 d3",
            defences=("Ne4 Nf3 Nb4 Nxe4 dxe4 Bxe4 Nxc2+ Bxc2 Bxc2 Bd2 Bf5",),
            answers="Nf3",
            best_cp=8,
            reply_cp=-191,
        ),
        Motif(Theme.POSITION),
    ),
    "a check looks at the rook behind a pawn, which falls in the end": (
        evidence(
            "r1bqkb1r/pppp1ppp/2n5/4P3/4n3/5N2/PPPP2PP/RNBQKB1R w KQkq - 2 5",
            reply="Bc4 Nxe5 Nxe5 Qh4+ g3 Nxg3 hxg3 Qxh1+ Bf1 Bc5",
            best="d3 Nc5 d4 Na6 d5 Ncb4",
            defences=("Bc4 Nxe5 d3 Nxf3+ Qxf3 Nf6 Nc3 c6 Ne4 d5",),
            answers="Nxe5 Bc5 d5",
            best_cp=209,
            reply_cp=-68,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "h5", "a rook and two pawns for two knights"),
    ),
    "a check with the same point is the answer itself": (
        evidence(
            "rnbqkb1r/ppp2ppp/8/3pN3/4n3/8/PPPPQPPP/RNB1KB1R w KQkq - 0 5",
            reply="f3 Qh4+ g3 Nxg3 hxg3 Qxh1 d4 Bd6 Nc3 O-O Bf4 Be6",
            best="d3 Qe7 dxe4 Qxe5 exd5 Bd6 Qxe5+ Bxe5",
            answers="Qh4+",
            best_cp=126,
            reply_cp=-219,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "Q", "h5", "a rook and a pawn for a knight"),
    ),
    "a pawn that moves on and meets no other has broken nothing open: it takes space": (
        evidence(
            "r3k1nr/ppp4p/2nq1pp1/3pp3/1b1P1PQ1/2N4P/PPP2PB1/R1B1K2R w KQkq - 2 11",
            reply="O-O e4 Nb5 Qe7 f5 a6 Nc3 Qf7 f3 gxf5",
            best="fxe5 fxe5 O-O Nf6 dxe5 Nxe5 Qh4 Bxc3",
            best_cp=-13,
            reply_cp=-163,
        ),
        Motif(Theme.SPACE, "P", "e5"),
    ),
    "a pawn on c4 is taken and retaken: nothing is broken open, and a pawn was missed": (
        evidence(
            "r1bq1rk1/1p1p1pbp/p1n1pnp1/3p2B1/1PP5/P1N2N2/4PPPP/2RQKB1R w K - 0 10",
            reply="e3 dxc4 Bxc4 h6 Bh4 Ne7 O-O b5 Bd3 Bb7",
            best="cxd5 exd5 Nxd5 d6 g3 Be6 Nf4 Bf5",
            best_cp=45,
            reply_cp=-144,
        ),
        Motif(Theme.MISSED_GAIN, "P", "d5"),
    ),
    "a pawn that takes on f5 and meets the one on e6 does break": (
        evidence(
            "1r1qkb1r/pp4pp/2p1p1n1/5p2/3PP3/2N4P/PPPQ1PB1/2KR3R b k - 0 12",
            reply="c5 exf5 Nh4 Qe2 Qg5+ f4 Qxf5 Be4 Qxf4+ Kb1",
            best="Bd6 Kb1 O-O e5 Bb4 h4 Nxh4",
            defences=("c5 exf5 exf5 Qe2+ Be7 Bd5 Qb6 dxc5 Qxc5 Rhe1",),
            best_cp=-15,
            reply_cp=-338,
        ),
        Motif(Theme.PAWN_BREAK, "P", "f5"),
    ),
    "a pawn that takes in the centre draws the queen there": (
        evidence(
            "rnbqkbnr/ppp2ppp/8/3pp3/2P5/1P6/PB1PPPPP/RN1QKBNR b KQkq - 1 3",
            reply="e4 cxd5 Qxd5 Nc3 Qe5 f3 Nf6 e3 Bf5 fxe4",
            best="d4 a3 c5 e3 Nc6",
            defences=("e4 cxd5 Bf5 Nc3 Nf6 e3 Nxd5 Nge2 Nxc3 Bxc3",),
            best_cp=110,
            reply_cp=-57,
        ),
        Motif(Theme.PAWN_BREAK, "P", "d5"),
    ),
    "the queen may trade itself away: it is not trapped, and what stood behind it falls": (
        evidence(
            "r1b1k2r/pp3pbp/3ppnp1/2p1q3/4P3/1BP2Q1P/PP3PP1/RNB1R1K1 b kq - 2 12",
            reply="O-O Bf4 Qh5 Qxh5 Nxh5 Bxd6 Rd8 Bxc5 Nf4 Be3",
            best="d5 Bf4 dxe4 Ba4+ Bd7 Bxd7+ Kxd7 Qe3",
            best_cp=1,
            reply_cp=-122,
        ),
        Motif(Pattern.SKEWER, "B", "f4", "two pawns"),
    ),
    "the king has gone by itself: what the knight does is told, not a queen that never moves": (
        evidence(
            "r2q1rk1/ppp2pp1/3pbn1p/2b1p3/1nP5/1P2PNQP/PB1P1PP1/RN2KB1R w KQ - 1 11",
            reply="Kd1 Ne4 Qh2 Nxf2+ Kc1 b5 cxb5 a6 a3 Nbd3+",
            best="Na3 Bf5 d4 Bb6 Be2 Ne4 Qh2",
            best_cp=-160,
            reply_cp=-462,
        ),
        Motif(Theme.GAIN_OF_TIME, "N", "e5"),
    ),
    "a queen hits a pawn, not a piece": (
        evidence(
            "rnbqkbnr/ppp2pp1/8/3p3p/4p3/3PPN2/PPP1BPPP/RNBQK2R w KQkq - 0 5",
            reply="Nd4 Qg5 Kf1 h4 h3 Nf6 c4 dxc4",
            best="dxe4 dxe4 Qxd8+ Kxd8 Ng5 Ke8 Nc3 Nc6",
            defences=("Nd4 Qg5 g3 Nf6 h4 Qe5 c4 c5 Nb5 a6",),
            best_cp=123,
            reply_cp=-73,
        ),
        Motif(Theme.PAWN_ATTACK, "Q", "g4"),
    ),
    "a pawn is all that the queen attacks": (
        evidence(
            "rnbqkb1r/pp1p1ppp/4pn2/2p5/2PP4/P7/1P2PPPP/RNBQKBNR w KQkq - 0 4",
            reply="Bg5 Qb6 b4 cxb4 Nf3 Nc6 c5 Qa5 Bd2 b6",
            best="e3 d5 Nf3 dxc4 Bxc4",
            defences=("Bg5 Qb6 d5 Qxb2 Nd2 Be7 Rb1 Qxa3 Ngf3 exd5",),
            best_cp=13,
            reply_cp=-95,
        ),
        Motif(Theme.PAWN_ATTACK, "Q", "b3", "a pawn"),
    ),
    "the queen guards a pawn only seemingly: a bishop would pin her": (
        evidence(
            "r1bqkb1r/4pppp/npp2n2/3pN3/3P4/P1N1P3/1P3PPP/R1BQKB1R b KQkq - 4 9",
            reply="Qd6 Nxc6 Ne4 Nxe4 Qxc6 Nc3 Nc7 Bd2 Bd7 Bd3",
            best="Bb7 Bxa6 Rxa6 b4 Ra8 b5 cxb5",
            best_cp=-42,
            reply_cp=-200,
        ),
        Motif(Pattern.PIN, "N", "c6", "a pawn"),
    ),
    "who takes the bishop back is forked: the pawn had a guard": (
        evidence(
            "r1bq1rk1/pppp1p1p/1b3np1/3Pp3/1P2P3/P1N3Q1/2PB1PPP/R3KB1R w KQ - 0 11",
            reply="Qxe5 Bxf2+ Kd1 d6 Qg5 Bd4 Kc1 a5 b5 Nxe4 Nxe4 Qxg5 Bxg5 Bxa1 c3 Bf5 Nf6+ Kg7",
            best="d6 Bd4 O-O-O c6 Bg5 Bxc3 Qxc3 Nxe4",
            best_cp=75,
            reply_cp=-158,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "B", "f7", "a rook and a pawn for a knight"),
    ),
    "an exchange takes what guards the bishop": (
        evidence(
            "r2q1rk1/pp3pbp/3p1np1/1BpP2B1/Q3P1b1/2N2P2/PPP3PP/R3K2R b KQ - 1 14",
            reply="Bd7 Bxf6 Qxf6 Bxd7 a6 Rd1 b5 Qb3 Qg5 O-O",
            best="a6 fxg4 axb5 Qxb5 h6 Bxf6",
            defences=("Bd7 Bxf6 Bxb5 Bxd8 Bxa4 Bc7 Bxc3+ bxc3 Rfe8 O-O-O",),
            best_cp=43,
            reply_cp=-211,
        ),
        Motif(Pattern.REMOVED_DEFENDER, "B", "f6"),
    ),
    "queens are exchanged, then a knight attacks a bishop and pawns": (
        evidence(
            "r3k2r/ppp2p2/5p1p/4pb2/1bPq4/1PNPB3/1P3PPP/R2Q1RK1 b kq - 1 14",
            reply="Qg4 Qxg4 Bxg4 Nd5 f5 Nxb4 f4 Bd2 Be2 f3 Bxf1 Kxf1 O-O-O Rxa7",
            best="Bg4 Bxd4 Bxd1 Raxd1 exd4 Nd5 Bd6 g3 Kf8 Nxf6",
            best_cp=-161,
            reply_cp=-414,
        ),
        Motif(Pattern.DOUBLE_ATTACK, "N", "d5"),
    ),
    "a knight is taken and a bishop for it: what was missed is told": (
        evidence(
            "r1bqk1nr/pp1p1pbp/4p1p1/2p1n1N1/3PP3/1B6/PPP2PPP/RNBQK2R b KQkq - 0 7",
            reply="c4 dxe5 cxb3 axb3 Bxe5 Na3 d5 exd5 Qxd5 O-O",
            best="cxd4 O-O h6 Nf3 Nxf3+ Qxf3 b6",
            best_cp=63,
            reply_cp=-118,
        ),
        Motif(Theme.MISSED_GAIN, "P", "d5"),
    ),
    "an exchange that only one way of taking back would make a gain": (
        evidence(
            "r1bq1rk1/1pp2ppp/2np4/p1bNn3/2P5/P3PN2/1P2BPPP/R1BQ1RK1 b - - 1 10",
            reply="Bf5 Nd4 Bxd4 exd4 Ng6 Re1 Be6 Nxc7 Qxc7 d5",
            best="Nxf3+ gxf3 Bh3 f4",
            defences=("Bf5 Nd4 Be6 Nxe6 fxe6 Nf4 Qe8 Bd2 g5 Nh5",),
            best_cp=96,
            reply_cp=-86,
        ),
        Motif(Theme.ATTACK, "N", "d4"),
    ),
}
"""What a coach says of mistakes of amateurs, each beside what it could be taken for."""


@pytest.mark.parametrize("name", FROM_GAMES)
def test_from_games(name: str) -> None:
    lines, wanted = FROM_GAMES[name]

    assert motif_of(lines) == wanted
    assert motif_of(mirrored(lines)) == wanted


def test_who_retakes_with_another_man_has_missed_no_recapture() -> None:
    """The knight on f6 was taken with the bishop: the pawn would have won a piece, so a gain is missed."""
    lines = evidence(
        "2rqk2r/pp1bbppp/3p1N2/4p1B1/2B1P3/5P2/PPP3PP/R2Q1RK1 b k - 0 12",
        reply="Bxf6 Bxf6 Qxf6 Bb3 h5 Qd2 h4 h3 Be6",
        best="gxf6 Bxf7+ Kxf7 Be3 h5 f4 Qe8 Rf3",
        defences=("Bxf6 Bxf6 gxf6 Bb3 Qb6+ Kh1 Ke7 f4 h5 fxe5",),
        best_cp=337,
        reply_cp=-65,
    )

    assert motif_of(lines, chess.F6) == Motif(Theme.MISSED_GAIN, "P", "f3")


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

    assert explain(lines).detail == "no simple reason"
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
