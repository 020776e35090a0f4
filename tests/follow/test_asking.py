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


def point(moves: str, *answers: str, plies: int = 2, **other: Any) -> Point:
    """A position after the losing reply 4...h6, with these answers, the first the commonest."""
    before, reply = board_after(FRIED[:-3]), packed("h7h6")[0]
    losing = LosingReply(key=1, move=reply, fen=before.fen(), gain=gain(**other))
    games = {answer: 9 - place for place, answer in enumerate(packed(*answers))}
    return Point(reply=losing, at=2, plies=plies, path=(), board=board_after(moves), games=games)


def later(script: Script, *answers: str, **other: Any) -> Asked:
    return script.hear(ask(point(FRIED + " Nxf7 Ke7", *answers, **other), SETTINGS))


def kept(asked: Asked, uci: str) -> float:
    share = asked.opinions[packed(uci)[0]].kept
    assert share is not None
    return share


def test_share_of_the_gain() -> None:
    """All of it, half of it, nothing; more than was given is all, less than nothing is nothing."""
    won = gain(had=0.5, has=0.75)

    shares = [won.kept(expected) for expected in (0.75, 0.625, 0.5, 0.8, 0.4)]

    assert shares == pytest.approx([1.0, 0.5, 0.0, 1.0, 0.0])
    assert won.line(0.8) == pytest.approx(0.7)


def test_mate_that_is_missed_in_a_won_position() -> None:
    """Who was winning anyway and misses a mate has kept nearly all; who spoils the game has not."""
    mate = gain(had=0.999, has=1.0)

    assert mate.kept(0.999) > 0.9
    assert mate.kept(0.9) == 0.0


def test_first_look_is_enough_where_there_is_no_doubt() -> None:
    """A clearly good answer is looked at with a tenth of the nodes, a doubtful one with all of them."""
    script = Script({"f7d8": 900, "f7h8": 800, "d2d4": 250})

    asked = later(script, "f7d8", "f7h8", "d2d4")

    assert script.asked == [(1000, ()), (100, ("f7h8",)), (100, ("d2d4",)), (1000, ("d2d4",))]
    assert [asked.opinions[one].nodes for one in packed("f7d8", "f7h8", "d2d4")] == [1000, 100, 1000]


def test_what_seems_wrong_is_confirmed() -> None:
    """7.d4 goes wrong with twice the nodes, too, and the best is sought as deep; 7.Nxh8 only seemed to."""
    script = Script({"f7d8": 300, "f7h8": 280, "d2d4": -50}, by_nodes={("f7h8", 1000): 50, ("f7h8", 100): 50})

    asked = later(script, "f7h8", "d2d4")

    assert script.asked[-3:] == [(2000, ("f7h8",)), (2000, ("d2d4",)), (2000, ())]
    assert kept(asked, "f7h8") > 0.75 > kept(asked, "d2d4")
    assert asked.best_opinion.nodes == 2000


def test_larger_budget_has_the_last_word() -> None:
    """What the first look thought of a doubtful answer does not count once it was looked at again."""
    script = Script({"f7d8": 300, "d2d4": 290}, by_nodes={("d2d4", 100): 200})

    assert kept(later(script, "d2d4"), "d2d4") > 0.9


def test_search_that_failed() -> None:
    """An answer without a verdict has no share; the others have theirs, and the failure is told."""
    asked = later(Script({"f7d8": 300, "f7h8": -300}, fails_over="f7h8"), "f7d8", "f7h8")

    assert packed("f7h8")[0] not in asked.opinions
    assert kept(asked, "f7d8") == pytest.approx(1.0)
    assert asked.failure == "1 answers could not be judged"


def test_what_is_called_best_is_never_worse_than_another() -> None:
    """The search of all moves prefers 7.Nxd8, but alone 7.Nxh8 is better: that is the best move then."""
    script = Script({"f7d8": 240, "f7h8": 230}, alone={"f7h8": 260})

    asked = later(script, "f7h8")

    assert asked.best == chess.Move.from_uci("f7h8")
    assert kept(asked, "f7h8") > kept(asked, "f7d8")


def test_first_look_never_beats_the_best_move() -> None:
    """What a tenth of the nodes overrates is told as no better than the best move."""
    script = Script({"f7d8": 580, "f7h8": 560}, by_nodes={("f7h8", 100): 900})

    asked = later(script, "f7h8")

    assert asked.best == chess.Move.from_uci("f7d8")
    assert asked.opinions[packed("f7h8")[0]].expected == asked.best_opinion.expected


def test_more_than_was_gained_is_all_of_it() -> None:
    """If the other side errs again, the best moves keep all, not more than all."""
    asked = later(Script({"f7d8": 900, "f7h8": 500}), "f7h8")

    assert asked.best == chess.Move.from_uci("f7d8")
    assert kept(asked, "f7d8") == kept(asked, "f7h8") == 1.0


@given(had=st.floats(0, 1), has=st.floats(0, 1), one=st.floats(0, 1), other=st.floats(0, 1))
def test_more_is_never_a_smaller_share(had: float, has: float, one: float, other: float) -> None:
    """Whatever the gain, who expects more has kept no less, and the full gain is always 1."""
    reply = gain(had=had, has=has)

    assert reply.kept(max(one, other)) >= reply.kept(min(one, other))
    assert reply.kept(has) == 1.0
