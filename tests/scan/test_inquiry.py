"""The searches about one move, with an engine that knows what each move is worth."""

from __future__ import annotations

from dataclasses import replace

import chess
import pytest

from miner.board.moves import pack
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.scan.inquiry import Mistake, Suspect, first_look, second_look
from miner.settings import ScanSettings
from tests.follow.scripted import Script
from tests.stores import board_after, key_after

SETTINGS = ScanSettings(nodes=(1, 10, 100))
QUEEN_OUT = "e4 e5 Qh5"
"""2...g6 loses a rook to 3.Qxe5+."""


def suspect(*played: str) -> Suspect:
    """2...g6, and what was played after it."""
    board = board_after(QUEEN_OUT)
    answers = tuple(pack(chess.Move.from_uci(uci)) for uci in played)
    return Suspect(key_after(QUEEN_OUT), pack(chess.Move.from_uci("g7g6")), board.fen(), answers)


def test_first_look_is_one_search() -> None:
    """The expected score of the side to move; none where nobody can move."""
    script = Script({"b8c6": 0}, others=-100)

    assert script.hear(first_look(board_after(QUEEN_OUT).fen(), 10)) == pytest.approx(0.5)
    assert script.asked == [(10, ())]
    assert script.hear(first_look(board_after("f3 e5 g4 Qh4").fen(), 10)) == 0.0
    assert script.hear(first_look("7k/5Q2/6K1/8/8/8/8/8 b - - 0 1", 10)) == 0.5


def test_mistake_with_its_answers() -> None:
    """Answers from the best down until one keeps too little; what they keep is a share of the gain."""
    script = Script({"b8c6": 0, "h5e5": 500, "h5e2": 450, "h5g4": 100})

    found = script.hear(second_look(suspect("h5f3"), SETTINGS))

    assert isinstance(found, Mistake)
    assert (found.pv_best, found.pv_reply) == (("b8c6",), ("g7g6", "h5e5"))
    assert (found.best.as_cp, found.reply.as_cp) == (0, -500)
    assert found.loss == pytest.approx(0.447, abs=0.001)
    assert found.answers == ("h5e5", "h5e2")
    assert found.kept[0] == 1.0
    assert 0.9 < found.kept[1] < 1.0
    # Before, after, that line by the last budget, and two answers more, the second of which keeps too little.
    assert [nodes for nodes, _ in script.asked] == [10, 10, 100, 10, 10]


def test_what_is_in_doubt_is_searched_by_the_last_budget() -> None:
    """A loss near the threshold before and after the move; an answer near what it must keep once more."""
    near = Script({"b8c6": 0, "h5e5": 130, "h5e2": 80}, others=-1000)
    far = Script({"b8c6": 0, "h5e5": 40}, others=-1000)

    found = near.hear(second_look(suspect(), SETTINGS))
    nothing = far.hear(second_look(suspect(), SETTINGS))

    assert isinstance(found, Mistake)
    assert [nodes for nodes, _ in near.asked] == [10, 10, 100, 100, 10, 100]
    assert nothing is None
    assert [nodes for nodes, _ in far.asked] == [10, 10]


def test_last_budget_has_the_last_word() -> None:
    """What the second budget takes for a mistake, and the last does not, is none."""
    script = Script({"b8c6": 0, "h5e5": 130}, by_nodes={("h5e5", 100): 60})

    assert script.hear(second_look(suspect(), SETTINGS)) is None


def test_played_answers_are_looked_at_where_many_are_good() -> None:
    """Three answers are sought from the best down; a fourth that was played is asked about alone."""
    script = Script({"b8c6": 0, "h5e5": 500, "h5e2": 490, "h5g4": 480, "h5f3": 470}, others=-100)

    found = script.hear(second_look(suspect("h5f3", "a2a3"), SETTINGS))

    assert isinstance(found, Mistake)
    assert found.answers == ("h5e5", "h5e2", "h5g4", "h5f3")


def test_no_mistake() -> None:
    """The best move is none, nor one that gives little away, nor one that leaves its player well off."""
    good = Script({"g7g6": 50, "h5e5": -50}, others=-500)
    little = Script({"b8c6": -100, "h5e5": 150}, others=-500)
    well_off = Script({"b8c6": 400, "h5e5": 50}, others=-500)

    for script in (good, little, well_off):
        assert script.hear(second_look(suspect(), SETTINGS)) is None


def test_mate() -> None:
    """A mate against who errs is one in his score, too, and needs no other defence."""
    script = Script({"b8c6": 0, "h5e5": 9_999})

    found = script.hear(second_look(suspect(), SETTINGS))

    assert isinstance(found, Mistake)
    assert (found.reply.mate, found.reply.expected, found.pv_defence) == (-1, 0.0, ())


def test_engine_that_fails() -> None:
    """The reason is what comes back."""
    script = Script({"b8c6": 0, "h5e5": 500, "h5e2": 490, "h5g4": 480}, fails_over="h5f3")

    found = script.hear(second_look(suspect("h5f3"), SETTINGS))

    assert found == Failure("no engine left")


class Defended(Script):
    """A script whose line of the queen's capture goes on with a defence."""

    def answer(self, request: Request) -> Answer:
        verdict = super().answer(request)
        if isinstance(verdict, Verdict) and verdict.pv == ("h5e5",):
            return replace(verdict, pv=("h5e5", "d8e7"))
        return verdict


@pytest.mark.parametrize(("worth", "line"), [(-480, ("g7g6", "h5e5", "f8e7")), (-600, ())])
def test_other_defence_is_kept_if_it_is_as_good(worth: int, line: tuple[str, ...]) -> None:
    """Against the best answer another defence within 30 centipawns has a line of its own; a worse has not."""
    script = Defended({"b8c6": 0, "h5e5": 500, "f8e7": worth, "h5h8": 0})

    found = script.hear(second_look(suspect(), SETTINGS))

    assert isinstance(found, Mistake)
    assert found.pv_defence == line
