"""The answer key and the coach's pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.exercises import Exercise
from miner.lesson.looks import Looks
from miner.lesson.phrases import Tongue
from miner.lesson.pupil import asked
from miner.lesson.sentences import (
    demonstration,
    heading,
    number_words,
    say_words,
    sign_of,
    solution_words,
    whom_words,
    why_words,
)
from miner.lesson.typeset import pdf_bytes

MODEL_PLIES = 60
"""Half-moves of a model game that are printed."""


def answers_pdf(exercises: Sequence[Exercise], looks: Looks) -> bytes:
    """The answers with their reasons, in the order of the sheet.

    Raises ExportError without the typesetter.
    """
    tongue = looks.tongue
    phrases = tongue.phrases
    told = [
        asked(one, looks) | {"solution": solution_words(one, tongue), "why": why_words(one, tongue)}
        for one in exercises
    ]
    data = {
        "title": phrases.answers,
        "subtitle": looks.printed_title,
        "lang": phrases.code,
        "page": phrases.page,
        "paper": looks.paper.typst_name,
        "exercises": told,
    }
    return pdf_bytes("answers.typ", data)


def coach_pdf(exercises: Sequence[Exercise], looks: Looks, backing: Backing = NO_BACKING) -> bytes:
    """What to say and to show about each exercise, in English; moves as the sheet writes them.

    Raises ExportError without the typesetter.
    """
    told = [_coached(one, looks.tongue, backing) | {"svg": looks.svg(one)} for one in exercises]
    data = {
        "title": "For the coach",
        "subtitle": looks.printed_title,
        "paper": looks.paper.typst_name,
        "exercises": told,
    }
    return pdf_bytes("coach.typ", data)


def _coached(exercise: Exercise, tongue: Tongue, backing: Backing) -> dict[str, Any]:
    line = demonstration(exercise, tongue)
    model = backing.model(exercise.finding)
    return {
        "number": exercise.number,
        "alt": exercise.board.fen(),
        "heading": heading(exercise),
        "whom": whom_words(exercise),
        "before": line.before,
        "reply": line.reply,
        "after": line.after,
        "say": say_words(exercise, tongue),
        "numbers": number_words(exercise, tongue),
        "plan": list(backing.plan(exercise.finding)),
        "model": None if model is None else _model(model, tongue, sign_of(exercise.finding)),
    }


def _model(model: ModelGame, tongue: Tongue, sign: str) -> dict[str, Any]:
    moves = [
        {
            "san": (f"{ply // 2 + 1}." if ply % 2 == 0 else "")
            + tongue.moves(san)
            + (sign if ply == model.reply_ply else ""),
            "moment": ply == model.reply_ply or ply in model.moments,
        }
        for ply, san in enumerate(model.sans[:MODEL_PLIES])
    ]
    rest = len(model.sans) > MODEL_PLIES
    end = [{"san": f"... {model.result}" if rest else model.result, "moment": False}]
    return {"words": model.words(), "moves": moves + end}
