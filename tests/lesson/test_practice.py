"""What the page to practise on is told, and its words in each language."""

from __future__ import annotations

import re
from dataclasses import replace

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import parse_uci_line
from miner.draw.documents import package_text
from miner.finding.finding import Finding
from miner.lesson.exercises import Exercise, QuestionKind, choose
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.practice import SCRIPTS, practice_contents
from miner.reasons import Reason
from miner.terms import Kind
from tests.export.examples import any_finding, legal, vienna

CODE = "".join(package_text("miner.lesson", name) for name in SCRIPTS)


def asked(task: QuestionKind, finding: Finding) -> dict[str, object]:
    """What the page is told of a question about a finding."""
    exercise = Exercise(number=1, task=task, finding=finding)
    [told] = practice_contents([exercise], Tongue.of("en"))["exercises"]
    assert isinstance(told, dict)
    return told


def test_all_good_answers_are_right() -> None:
    """The taught one comes first, also where it is asked what is wrong with a move."""
    finding = legal(answers=("Nxd1", "Bxf7+"))

    for task in (QuestionKind.PUNISH, QuestionKind.WRONG):
        told = asked(task, finding)
        assert told["answers"] == ["c4f7", "c3d1"]
        assert told["fen"] == finding.board_after.fen()
        assert told["others"] == "6.Nxd1"
        assert "White to move. " in str(told["task"])


def test_better_move() -> None:
    """Where a better move is asked for, the mistake is not on the board yet and its punishment no answer."""
    told = asked(QuestionKind.INSTEAD, vienna(kind=Kind.PITFALL))

    assert told["answers"] == ["d7d5"]
    assert told["fen"] == vienna().fen
    assert (told["played"], told["bottom"]) == (False, "black")
    assert told["as_good"] == "(or a move as good as 3...d5)"
    assert asked(QuestionKind.PUNISH, legal())["as_good"] == ""


@given(finding=any_finding(), kind=st.sampled_from(Kind), reason=st.sampled_from([Reason.MATE, Reason.KING]))
def test_any_legal_position(finding: Finding, kind: Kind, reason: Reason) -> None:
    """All legal moves are told and no other; answers are among them, and the line can be played."""
    for exercise in choose([replace(finding, kind=kind, reason=reason)]):
        [told] = practice_contents([exercise], Tongue.of("de"))["exercises"]
        board = chess.Board(told["fen"])
        ucis = told["moves"]["uci"].split()

        assert set(ucis) == {move.uci() for move in board.legal_moves}
        assert [board.parse_san(san).uci() for san in told["english"].split()] == ucis
        assert len(told["moves"]["san"].split()) == len(ucis)
        assert set(told["answers"]) <= set(ucis)
        assert told["line"]["uci"].split()[0] == told["answers"][0]
        assert len(parse_uci_line(board, told["line"]["uci"].split())) == len(told["line"]["san"].split())


@pytest.mark.parametrize("language", PHRASES)
def test_words(language: str) -> None:
    """Each language has the words that English has, with the same gaps, and twelve men of different names."""
    words, english = PHRASES[language].practice, PHRASES[ENGLISH].practice

    assert list(words) == list(english)
    for name, phrase in english.items():
        assert re.findall(r"{\w+}", str(words[name])) == re.findall(r"{\w+}", str(phrase)), name
        assert words[name]
    assert len({*words["white_men"], *words["black_men"]}) == 12


def test_each_word_is_used() -> None:
    """The scripts or the template say every phrase."""
    template = package_text("miner.lesson", "practice.html")

    unused = [
        name for name in PHRASES[ENGLISH].practice if not re.search(rf"words\.{name}\b", CODE + template)
    ]

    assert unused == []
