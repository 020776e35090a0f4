"""How much of the gain an answer keeps, with scripted verdicts."""

from __future__ import annotations

from typing import Any

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import pack
from miner.follow.asking import Asked, Gain, LosingReply, Point, ask
from miner.settings import FollowSettings
from miner.terms import expected_score
from tests.follow.scripted import Script
from tests.stores import board_after

SETTINGS = FollowSettings(nodes=1000)
FRIED = "e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 h6"  # 5.Nxf7 forks queen and rook


def gain(**other: object) -> Gain:
    """A reply that gives away the game: before it equal, after it +300."""
    values = {"had": 0.5, "has": expected_score(300), "cp": 300, "refutation": "g5f7", "nodes": 9000}
    return Gain(**(values | other))  # type: ignore[arg-type]


def packed(*ucis: str) -> list[int]:
    return [pack(chess.Move.from_uci(uci)) for uci in ucis]


def point(moves: str, *answers: str, plies: int = 0, **other: Any) -> Point:
    """A position after the losing reply 4...h6, with these answers."""
    before, reply = board_after(FRIED[:-3]), packed("h7h6")[0]
    losing = LosingReply(key=1, move=reply, fen=before.fen(), gain=gain(**other))
    board = board_after(moves)
    return Point(reply=losing, at=2, plies=plies, path=(), board=board, answers=tuple(packed(*answers)))


def first(script: Script, *answers: str, **other: Any) -> Asked:
    return script.hear(ask(point(FRIED, *answers, **other), SETTINGS))


def kept(asked: Asked, uci: str) -> float:
    share = asked.opinions[packed(uci)[0]].kept
    assert share is not None
    return share


def test_share_of_the_gain() -> None:
    """All of it, half of it, nothing, more than was given, less than nothing: nothing is clamped."""
    won = gain(had=0.5, has=0.75)

    shares = [won.kept(expected) for expected in (0.75, 0.625, 0.5, 0.8, 0.4)]

    assert shares == pytest.approx([1.0, 0.5, 0.0, 1.2, -0.4])


def test_mate_that_is_missed_in_a_won_position() -> None:
    """Who was winning anyway and misses a mate has kept nearly all; who spoils the game has not."""
    mate = gain(had=0.999, has=1.0)

    assert mate.kept(0.999) > 0.9
    assert mate.kept(0.9) < 0.0


def test_best_answer_keeps_all() -> None:
    """The refutation keeps the whole gain, and what another budget says of it is no loss of the others."""
    script = Script({"g5f7": 260, "g5f3": -10, "d2d4": 255})

    asked = first(script, "g5f7", "g5f3", "d2d4")

    assert asked.best == chess.Move.from_uci("g5f7")
    assert kept(asked, "g5f7") == pytest.approx(1.0)
    assert kept(asked, "g5f3") < 0.2
    # Five centipawns worse than the best by the same search, though the judge's search had said 300.
    assert kept(asked, "d2d4") == pytest.approx(
        1.0 - (expected_score(260) - expected_score(255)) / (expected_score(300) - 0.5)
    )


def test_deep_refutation_is_taken_from_the_judge() -> None:
    """A sacrifice that the smaller search thinks bad keeps all; what it likes is worth what it says."""
    script = Script({"g5f7": -200, "g5f3": 20})

    asked = first(script, "g5f7", "g5f3")

    assert asked.best == chess.Move.from_uci("g5f7")
    best = asked.best_opinion
    assert (best.cp, best.kept, best.nodes) == (300, 1.0, 9000)
    assert kept(asked, "g5f3") == pytest.approx(gain().kept(expected_score(20)))


def test_first_look_is_enough_where_there_is_no_doubt() -> None:
    """A clear miss is looked at with a tenth of the nodes, a doubtful answer with all, the best not again."""
    script = Script({"g5f7": 300, "g5f3": -300, "d2d4": 130})

    asked = first(script, "g5f7", "g5f3", "d2d4")

    assert script.asked == [
        (1000, ()),
        (100, ("g5f3",)),
        (100, ("d2d4",)),
        (1000, ("d2d4",)),
    ]
    assert [asked.opinions[one].nodes for one in packed("g5f7", "g5f3", "d2d4")] == [1000, 100, 1000]


def test_larger_budget_has_the_last_word() -> None:
    """What the first look thought of a doubtful answer does not count once it was looked at again."""
    script = Script({"g5f7": 300, "d2d4": 280}, by_nodes={("d2d4", 100): 130})

    assert kept(first(script, "d2d4"), "d2d4") > 0.9


def test_doubt_is_measured_from_where_this_search_has_the_best_move() -> None:
    """Where this search sees +150 and the judge saw +300, +35 is close to the line, no clear miss."""
    script = Script({"g5f7": 150, "d2d4": -100}, by_nodes={("d2d4", 100): 35})

    asked = first(script, "d2d4")

    assert asked.opinions[packed("d2d4")[0]].nodes == 1000
    assert kept(asked, "d2d4") < 0.5


def test_search_that_failed() -> None:
    """An answer without a verdict has no share; the others have theirs, and the failure is told."""
    asked = first(Script({"g5f7": 300, "g5f3": -300}, fails_over="g5f3"), "g5f7", "g5f3")

    opinion = asked.opinions[packed("g5f3")[0]]
    assert (opinion.kept, opinion.nodes) == (None, 0)
    assert kept(asked, "g5f7") == pytest.approx(1.0)
    assert asked.failure == "1 answers could not be judged"


def test_later_position_by_its_own_best_move() -> None:
    """Later the best move is the search's own; it keeps more than the gain if the other side erred again."""
    script = Script({"f7d8": 900, "f7h8": 500})

    asked = script.hear(ask(point(FRIED + " Nxf7 Ke7", "f7h8", plies=2), SETTINGS))

    assert asked.best == chess.Move.from_uci("f7d8")
    assert kept(asked, "f7d8") > kept(asked, "f7h8") > 1.0


@given(had=st.floats(0, 1), has=st.floats(0, 1), one=st.floats(0, 1), other=st.floats(0, 1))
def test_more_is_never_a_smaller_share(had: float, has: float, one: float, other: float) -> None:
    """Whatever the gain, who expects more has kept no less, and the full gain is always 1."""
    reply = gain(had=had, has=has)

    assert reply.kept(max(one, other)) >= reply.kept(min(one, other))
    assert reply.kept(has) == 1.0
