"""Stops: the positions to ask at, their questions, hints and answers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from miner.game.inquiry import CLEAR
from miner.game.notes import Told
from miner.game.phrases import STOPS
from miner.game.stops import Question, answer_words, hint_words, question_words, to_move_words, why_words
from miner.lesson.phrases import PHRASES, Tongue
from miner.reasons import PATTERNS, Pattern

ENGLISH = Tongue.of("en")


def test_stops_of_a_game(opera: Told) -> None:
    """Castling, the quiet move, then the mate; not the mate's last move as well."""
    castling, first, second = opera.stops

    assert (castling.number, castling.ply, castling.answer) == (1, 22, "O-O-O")
    assert (first.number, first.ply, first.answer, first.question) == (2, 26, "Rd1", Question.BEST)
    assert (second.number, second.ply, second.answer, second.question) == (3, 30, "Qb8+", Question.MATE)


def test_one_answer_alone_is_good(opera: Told) -> None:
    """Every other move is clearly worse, or does not mate as soon."""
    assert all(stop.choice.margin >= CLEAR or stop.choice.mate_in for stop in opera.stops)


def test_words(opera: Told) -> None:
    """Who is to move, the question, a hint that does not name the move, the answer and why."""
    _, quiet, mate = opera.stops

    assert to_move_words(quiet, ENGLISH) == "White to move"
    assert question_words(quiet, ENGLISH) == "One move is clearly the best. Which?"
    assert question_words(mate, ENGLISH) == "White mates in 2. How?"
    assert hint_words(quiet, ENGLISH) == "Hint: It is a quiet move: neither check nor capture."
    assert hint_words(mate, ENGLISH) == "Hint: Look at the checks."
    assert answer_words(mate, ENGLISH) == "16.Qb8+ Nxb8 17.Rd8#"
    assert why_words(mate, ENGLISH) == "No other move mates as soon."
    assert why_words(quiet, ENGLISH).startswith("Every other move is worse by 0.")


def test_after_a_mistake_the_question_is_how_to_punish_it(opera: Told) -> None:
    """The move is named, and the hint is the question that belongs to the pattern."""
    stop = replace(opera.stops[0], question=Question.PUNISH, mistake="13...Rxd7", pattern=Pattern.PIN)

    assert question_words(stop, ENGLISH) == "How do you punish 13...Rxd7?"
    assert hint_words(stop, ENGLISH) == f"Hint: {PATTERNS[Pattern.PIN].ask}"
    assert hint_words(stop, Tongue.of("de")) == "Hinweis: Fesselung."


@pytest.mark.parametrize("language", PHRASES)
def test_in_every_language_of_the_sheets(language: str, opera: Told) -> None:
    """Each has all that pupils read, with the same to be filled in, and its own piece letters."""
    tongue, words = Tongue.of(language), STOPS[language]

    assert words.keys() == STOPS["en"].keys()
    assert all(filled_in(words[name]) == filled_in(STOPS["en"][name]) for name in words)
    assert answer_words(opera.stops[2], tongue) == tongue.moves("16.Qb8+ Nxb8 17.Rd8#")
    assert "{" not in "".join(question_words(stop, tongue) + hint_words(stop, tongue) for stop in opera.stops)


def filled_in(text: str) -> set[str]:
    """The names in braces."""
    return {part.partition("}")[0] for part in text.split("{")[1:]}
