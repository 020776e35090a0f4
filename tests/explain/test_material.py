"""Material as a reason."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given, settings

from miner.board.moves import after, line_san
from miner.board.settle import VALUES, material_balance, settle, settle_answer
from miner.explain.evidence import Evidence
from miner.explain.explanation import explain
from miner.explain.material import Cost, explain_material, given_up, left_undefended, was_ahead_by
from miner.reasons import Reason
from tests.explain.positions import evidence, random_lines, san_line

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
            "wins a rook",
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
    """2...a6 lets 3.Nxe5 win a pawn: not the reply, but the capture with which the line ends, shows it."""
    found = explain_material(evidence("e4 e5 Nf3", reply="a6 Nxe5", best="Nc6 Bb5"))

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


def test_gain_far_down_the_best_line_is_not_missed() -> None:
    """After 4.Nxd4 the line wins two pawns by its ninth move, if Black lets it: nobody has missed these."""
    best = "Nxd4 exd4 O-O c6 Re1 Nh6 d3 Qh4 h3 g5 e5 g4 Bxh6 Bxh6 Re4 f5 exf6+ Kd8 Qxg4 Qxf6 Rxd4"
    reply = "Nxe5 Qg5 Bxf7+ Kd8 O-O Qxe5 c3 Ne6 d3 Ne7 f4 Qf6 Bh5 g6 Be2 d5 d4 Bd7 Nd2 Nxf4 Kh1"
    others = (
        "Nxe5 Qg5 Bxf7+ Kd8 Ng4 Nh6 c3 Nc2+ Qxc2 Qxg4 Bc4 Qxg2 Rf1 d5 Be2 Qxe4 Qxe4 dxe4 d3 exd3 Bxd3",
        "Nxe5 Qg5 Bxf7+ Kd8 O-O Qxe5 d3 Qf6 Bc4 b5 Bd5 c6 Bxg8 Rxg8 f4 Ne6",
    )

    found = explain_material(evidence("e4 e5 Nf3 Nc6 Bc4 Nd4", reply=reply, best=best, defences=others))

    assert found is None or found.cost is not Cost.MISSES


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


def test_count_is_that_of_the_diagram() -> None:
    """4.Nxe5 Qg5 5.Bxf7+ Kd8 6.O-O Qxe5: Black has a knight for two pawns, e5 included."""
    known = evidence(
        "e4 e5 Nf3 Nc6 Bc4 Nd4",
        reply="Nxe5 Qg5 Bxf7+ Kd8 O-O Qxe5 d3 Qf6 Bc4 b5 Bd5 c6",
        best="Nxd4 exd4 O-O c6 Re1 d6 c3 Be7 cxd4",
    )

    found = explain_material(known)

    assert found is not None
    assert found.detail == "wins a knight for two pawns"


def test_least_that_a_good_defence_loses() -> None:
    """With 5.Bxf7+ White has two pawns for the knight, with 5.O-O one: two is what is said, and shown."""
    known = evidence(
        "e4 e5 Nf3 Nc6 Bc4 Nd4",
        reply="Nxe5 Qg5 O-O Qxe5",
        best="Nxd4 exd4 O-O c6",
        defences=("Nxe5 Qg5 Bxf7+ Kd8 O-O Qxe5",),
    )

    found = explain_material(known)

    assert found is not None
    assert found.line == known.defences[0]
    assert found.detail == "wins at least a knight for two pawns"


def test_nothing_lost_in_one_defence_is_nothing_lost() -> None:
    """What a defence as good as the others keeps, the reply has not lost."""
    known = evidence(
        "e4 e5 Nf3", reply="a6 Nxe5 h6", best="Nc6 Bb5", defences=("a6 Nxe5 Qe7 d4 d6 Nf3 Qxe4+ Be2 Bf5",)
    )

    assert explain_material(known) is None


@given(lines=random_lines())
@settings(max_examples=60, deadline=None)
def test_words_are_what_a_child_counts(lines: Evidence) -> None:
    """The men on the diagram less those after the moves shown, or when the captures have settled."""
    material, told = explain_material(lines), explain(lines)
    if material is None or material.cost is not Cost.WINS or told.reason is not Reason.MATERIAL:
        return

    shown = after(lines.board, (material.line[0], *told.refutation))
    settled = after(shown, (settle(shown) if shown.turn != lines.errs else settle_answer(shown)).line)
    profit = [gained(lines.board, end, not lines.errs) for end in (shown, settled)]

    assert ({kind: count for kind, count in material.net.items() if count}) in profit


def gained(before: chess.Board, later: chess.Board, color: chess.Color) -> dict[int, int]:
    """Men of one side less those of the other, later less before; a bishop for a knight is nothing."""
    net = dict.fromkeys(VALUES, 0)
    for board, sign in ((later, 1), (before, -1)):
        for man in board.piece_map().values():
            net[man.piece_type] += sign if man.color == color else -sign
    while net[chess.BISHOP] * net[chess.KNIGHT] < 0:
        step = 1 if net[chess.BISHOP] > 0 else -1
        net[chess.BISHOP] -= step
        net[chess.KNIGHT] += step
    return {kind: count for kind, count in net.items() if count}


@pytest.mark.parametrize(
    ("reply", "defence", "told"),
    [
        ("Bc5 Nxe5 d6 Nf3 Nf6 d3", "Bc5 Nxe5 Nf6 Nd3 Bb6 e5", "a pawn"),  # 2...Bc5 leaves e5 to the knight
        ("f6 Nxe5 Qe7 Nf3 Qxe4+ Be2", "f6 Nxe5 fxe5 Qh5+ Ke7 Qxe5+", ""),  # taken back at once in one line
        ("d6 d4 exd4 Nxd4 Nf6 Nc3", "d6 d4 Nd7 Bc4 c6 O-O", ""),  # nothing is taken at once
    ],
)
def test_what_is_taken_at_once_is_given_up(reply: str, defence: str, told: str) -> None:
    """It must be gone in every line for two moves; whether it comes back later is not said."""
    shown = evidence("e4 e5 Nf3", reply=reply, best="Nc6 Bb5 a6 Ba4 Nf6 O-O", defences=(defence,))

    assert given_up(shown) == told


def test_what_is_taken_back_is_not_given_up() -> None:
    """5.Bxc6+ bxc6 exchanges the knight; it is the pawn that falls next."""
    line = "a6 Bxc6+ bxc6 dxe5 dxe5 Qxd8+ Kxd8 Nxe5"
    shown = evidence("e4 e5 Nf3 Nc6 Bb5 d6 d4", reply=line, best="Bd7 O-O Nf6 Nc3")

    assert given_up(shown) == ""


def test_what_is_won_for_good_is_told_and_no_more() -> None:
    """2...g6 loses a rook and a pawn at once; that more falls fifteen plies on is not for a child to see."""
    line = "g6 Qxe5+ Qe7 Qxh8 Nc6 Nc3 d5 Nxd5 Qxe4+ Ne3 Nb4 Qc3 Nxc2+ Qxc2 Qxc2 Nxc2"
    shown = evidence("e4 e5 Qh5", reply=line, best="Nc6 Bc4 g6 Qf3 Nf6")

    found = explain_material(shown)

    assert found is not None
    assert (found.detail, found.plies) == ("wins a rook and a pawn", 6)


@pytest.mark.parametrize(
    ("moves", "reply", "best", "told"),
    [
        ("e4 e5 Nf3", "Bc5 Nxe5 d6", "Nc6 Bb5", "the pawn on e5"),
        ("e4 e5 Nf3 Nc6 Nc3 Nf6 Bb5", "d5 Nxe5 Qd6", "Bd6 O-O", "the pawn on e5"),  # the knight is pinned
        ("e4 e5 Nf3", "d6 Bc4 Be7", "Nc6 Bb5", ""),  # nothing is taken
        ("e4 e5 d4", "d5 dxe5 dxe4 Qxd8+ Kxd8", "exd4 Qxd4", ""),  # a pawn for a pawn
        ("e4 e5 Nf3", "f6 Nxe5 fxe5", "Nc6 Bb5", ""),  # it can be taken back, whatever comes then
        ("e4 e5 Nf3", "Bc5 Nxe5 d6", "h6 Nxe5", ""),  # the best move leaves it alone, too
        ("e4 e5 Nf3 Nc6", "Nxe5 Nxe5 d4", "Bb5 a6", ""),  # what has moved there itself was given
    ],
)
def test_man_left_undefended(moves: str, reply: str, best: str, told: str) -> None:
    """Taken at once, and nobody can take back: a fact of the board."""
    assert left_undefended(evidence(moves, reply=reply, best=best)) == told


def test_pawn_that_is_let_go_far_down_another_defence_does_not_count() -> None:
    """The Elephant trap: with 8.f3 the line that was looked at ends with a pawn taken on move 13."""
    best = "e3 Be7 Bd3 c6 h3 Ne4 Bf4 Ndf6 Nf3 Bd6 Ne5 Nxc3 bxc3 Ne4 Qc2 O-O O-O f6 Bxe4 dxe4"
    own = "Nxd5 Nxd5 Bxd8 Bb4+ Qd2 Kxd8 e3 Bxd2+ Kxd2 Re8 Nf3 Re7 Rc1 N7f6 Bd3 a5 Ne5"
    other = "Nxd5 Nxd5 Bxd8 Bb4+ Qd2 Kxd8 f3 Bxd2+ Kxd2 c6 e4 Nc7 h4 f5 exf5"

    found = explain_material(evidence(ELEPHANT, reply=own, best=best, defences=(other,)))

    assert found is not None
    assert found.detail == "wins a knight for a pawn"


def test_what_is_missed_is_named_as_it_would_have_been_won() -> None:
    """The Elephant trap not sprung: 6...Nxd5 wins a knight, though bishop and knight are exchanged later."""
    best = "Nxd5 Bxd8 Bb4+ Qd2 Kxd8 e3 Bxd2+ Kxd2 Re8 Bd3 N7f6 Nf3 Ne4+ Bxe4 Rxe4 Ne5 f6"
    reply = "c6 Nc3 h6 Bh4 Bb4 e3 Qa5 Ne2 Nd5 Qc2 O-O a3 N7b6 Rc1 Nc4 Qb3 Bxc3+ Nxc3"

    found = explain_material(evidence(f"{ELEPHANT} Nxd5", reply=reply, best=best))

    assert found is not None
    assert found.detail == "misses the win of a knight"


def test_two_pieces_are_not_won_back_of_who_was_one_ahead() -> None:
    """White, a bishop up, has not been given a bishop and a knight."""
    board = chess.Board("rn2kbnr/pppp1ppp/8/8/8/8/PPPP1PPP/RNB1KBNR w KQkq - 0 1")

    assert not was_ahead_by(board, chess.WHITE, {chess.KNIGHT: 1, chess.BISHOP: 1})
    assert was_ahead_by(board, chess.WHITE, {chess.KNIGHT: 1})


def test_line_too_long_to_end_on_the_board_is_counted_where_it_is_shown() -> None:
    """After 2.Qh5 g6 the pawn that goes with the knight falls too late to be shown, and is not told."""
    reply = "g6 Qxe5+ Qe7 Qxh8 Nc6 Nc3 Nb4 Qxg8 d5 Kd1 dxe4 a3 Nc6 Qxh7 Bf5 Nge2 O-O-O h3 Qe5 Qxf7 Kb8"
    defence = "g6 Qxe5+ Qe7 Qxh8 Qxe4+ Ne2 Nc6 d3 Qe7 Nc3 Nb4 Qxg8 Nxc2+ Kd1 Nxa1 Bh6"
    best = "Nc6 Bc4 g6 Qf3 Nf6 Ne2 Bg7 Nbc3 O-O d3 d6 Bd2 a5 h4 Nd4 Nxd4 exd4"
    lines = evidence("e4 e5 Qh5", reply=reply, best=best, reply_cp=-502, defences=(defence,))

    found = explain_material(lines)

    assert found is not None
    shown = after(lines.board, found.line[: found.plies])
    assert found.line == san_line(lines.board, defence)
    assert found.detail == "wins at least a knight for a pawn"
    assert material_balance(shown, chess.BLACK) == -found.won
