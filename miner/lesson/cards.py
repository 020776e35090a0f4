"""A lesson as cards, with their pictures, for any program that learns cards."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date, timedelta

import chess.polyglot

from miner.errors import UsageError
from miner.export.lists import defused
from miner.finding.mistake import Mistake
from miner.finding.words import path_words
from miner.lesson.exercises import Exercise
from miner.lesson.phrases import Tongue
from miner.lesson.sentences import question_words, solution_words, why_words
from miner.lesson.sheets import Looks

NEW_A_DAY = 3
"""Cards that are met for the first time on one day."""

AGAIN_AFTER = (1, 3, 7, 16, 35)
"""Days after the first on which a card is due again. Source: common practice, no source."""

PICTURES = "cards"
"""The folder of their pictures, beside the table."""


def cards_files(
    exercises: Sequence[Exercise[Mistake]], looks: Looks, start: date | None = None
) -> dict[str, bytes]:
    """The table of the cards and their pictures, by name."""
    pictures = {_picture(exercise): looks.svg(exercise, paper=True).encode() for exercise in exercises}
    return {"cards.csv": cards_csv(exercises, looks.tongue, start), **pictures}


def _picture(exercise: Exercise[Mistake]) -> str:
    """The picture's name: by its position and the side at the bottom, so that lessons can be put together."""
    key = chess.polyglot.zobrist_hash(exercise.board)
    return f"{PICTURES}/{key:016x}-{exercise.taught.value}.svg"


def cards_csv(exercises: Sequence[Exercise[Mistake]], tongue: Tongue, start: date | None = None) -> bytes:
    """Question, answer and the name of the picture, one card a line; UTF-8, CR LF.

    With `start` there are two more columns: `due`, the day on which the card is met, three new ones a day,
    and `again`, the days on which it is due after that, space-separated, in growing distances; days as
    2025-01-31. Text that a spreadsheet could take for a formula is defused by an apostrophe.
    """
    text = io.StringIO(newline="")
    lines = csv.writer(text, lineterminator="\r\n")
    lines.writerow(["question", "answer", "picture", *(("due", "again") if start else ())])
    for place, exercise in enumerate(exercises):
        answer = f"{solution_words(exercise, tongue)} | {why_words(exercise, tongue)}"
        card = (defused(_question(exercise, tongue)), defused(answer), _picture(exercise))
        lines.writerow([*card, *_due(place, start)])
    return text.getvalue().encode()


def _question(exercise: Exercise[Mistake], tongue: Tongue) -> str:
    moves = tongue.moves(path_words(exercise.finding)) if exercise.finding.path else ""
    return " | ".join(filter(None, (question_words(exercise, tongue), moves, exercise.board.fen())))


def _due(place: int, start: date | None) -> list[str]:
    if start is None:
        return []
    try:
        first = start + timedelta(days=place // NEW_A_DAY)
        again = [first + timedelta(days=days) for days in AGAIN_AFTER]
    except OverflowError as error:
        raise UsageError("the cards run beyond the calendar", advice="begin on an earlier day") from error
    return [first.isoformat(), " ".join(day.isoformat() for day in again)]
