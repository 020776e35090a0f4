"""Model games to print, read by a second PDF program."""

from __future__ import annotations

import pytest

from miner.game.notes import Told
from miner.game.sheet import model_pdf
from miner.lesson.phrases import Tongue
from miner.lesson.sheets import Paper
from tests.lesson.pages import diagrams, sizes_mm, texts

pytest.importorskip("typst", reason="PDF needs the extra `print`")


def test_stops_then_game(opera: Told) -> None:
    """The pupils' page asks and does not answer; the coach's has the game, the answers and the diagrams."""
    contents = model_pdf([opera], Tongue.of("en"), Paper.LETTER)

    pupils, coach = texts(contents)
    assert "Stop 1. White to move. One move is clearly the best. Which?" in pupils
    assert "Rd1" not in pupils
    assert "16.Qb8+!!" in coach
    assert "Stop 3: 16.Qb8+ Nxb8 17.Rd8# No other move mates as soon." in coach
    fens = [stop.board.fen() for stop in opera.stops]
    assert diagrams(contents) == fens * 2
    assert sizes_mm(contents) == {(216, 279)}


def test_pupils_page_in_their_language(opera: Told) -> None:
    """Questions and answers in German, what the coach reads in English; moves in the same letters."""
    pupils, coach = texts(model_pdf([opera], Tongue.of("de")))

    assert "Halt 3. Weiß am Zug. Weiß setzt in 2 Zügen matt. Wie?" in pupils
    assert "Halt 3: 16.Db8+ Sxb8 17.Td8# Kein anderer Zug setzt so schnell matt." in coach
    assert "16.Db8+!!" in coach


def test_equal_bytes(opera: Told) -> None:
    """The same game gives the same file."""
    assert model_pdf([opera], Tongue.of("fr")) == model_pdf([opera], Tongue.of("fr"))
