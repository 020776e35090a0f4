"""The sheets as PDF: pupils' exercises, answers, the coach's pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from miner.draw.typeset import pdf_bytes
from miner.lesson import layout
from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.exercises import Exercise
from miner.lesson.layout import Looks, layout_of
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.sentences import (
    demonstration,
    heading,
    number_words,
    say_words,
    sign_of,
    solution_words,
    task_words,
    to_move_words,
    whom_words,
    why_words,
)

MODEL_PLIES = 60
"""Half-moves of a model game that are printed."""


def pupil_pdf(exercises: Sequence[Exercise], looks: Looks) -> bytes:
    """The sheet of exercises for the pupils.

    Raises UsageError for a number of diagrams that goes on no page, ExportError without the typesetter.
    """
    phrases = looks.tongue.phrases
    tasks = [_task(exercise, looks) for exercise in exercises]
    data = asdict(layout_of(looks.paper, looks.per_page)) | {
        "title": looks.printed_title,
        "lang": phrases.code,
        "name": phrases.name,
        "date": phrases.date,
        "page": phrases.page,
        "paper": looks.paper.typst_name,
        "margin_x": layout.MARGIN_X,
        "margin_top": layout.MARGIN_TOP,
        "margin_bottom": layout.MARGIN_BOTTOM,
        "header": layout.HEADER,
        "gutter": layout.GUTTER,
        "pages": [tasks[start : start + looks.per_page] for start in range(0, len(tasks), looks.per_page)],
    }
    return pdf_bytes(["sheet.typ"], data, "miner.lesson")


def _task(exercise: Exercise, looks: Looks) -> dict[str, Any]:
    return {
        "number": exercise.number,
        "svg": looks.svg(exercise),
        "alt": exercise.board.fen(),
        "to_move": to_move_words(exercise, looks.tongue),
        "task": task_words(exercise, looks.tongue),
    }


def answers_pdf(exercises: Sequence[Exercise], looks: Looks) -> bytes:
    """The answers with their reasons, in the order of the sheet.

    Raises ExportError without the typesetter.
    """
    tongue = looks.tongue
    answers = [
        _task(exercise, looks)
        | {"solution": solution_words(exercise, tongue), "why": why_words(exercise, tongue)}
        for exercise in exercises
    ]
    data = {
        "title": tongue.phrases.answers,
        "subtitle": looks.printed_title,
        "lang": tongue.phrases.code,
        "page": tongue.phrases.page,
        "paper": looks.paper.typst_name,
        "exercises": answers,
    }
    return pdf_bytes(["base.typ", "answers.typ"], data, "miner.lesson")


def coach_pdf(exercises: Sequence[Exercise], looks: Looks, backing: Backing = NO_BACKING) -> bytes:
    """Words to say and moves to show about each exercise, in English; moves as the sheet writes them.

    Raises ExportError without the typesetter.
    """
    data = {
        "title": "For the coach",
        "lang": ENGLISH,
        "page": PHRASES[ENGLISH].page,
        "subtitle": looks.printed_title,
        "paper": looks.paper.typst_name,
        "exercises": [_coaching(exercise, looks, backing) for exercise in exercises],
    }
    return pdf_bytes(["base.typ", "coach.typ"], data, "miner.lesson")


def _coaching(exercise: Exercise, looks: Looks, backing: Backing) -> dict[str, Any]:
    finding, tongue = exercise.finding, looks.tongue
    model = backing.model(finding)
    return {
        "number": exercise.number,
        "svg": looks.svg(exercise),
        "alt": exercise.board.fen(),
        "heading": heading(finding),
        "whom": whom_words(exercise),
        **asdict(demonstration(finding, tongue)),
        "say": say_words(exercise, tongue),
        "numbers": number_words(exercise, tongue),
        "plan": list(backing.plan(finding)),
        "model": None if model is None else _model_game(model, tongue, sign_of(finding)),
    }


def _model_game(model: ModelGame, tongue: Tongue, sign: str) -> dict[str, Any]:
    """A model game move by move, with the sign behind the losing reply, and the moves that mattered told."""
    moves = [
        {
            "san": (f"{ply // 2 + 1}." if ply % 2 == 0 else "")
            + tongue.moves(san)
            + (sign if ply == model.reply_ply else ""),
            "moment": ply == model.reply_ply or ply in model.moments,
        }
        for ply, san in enumerate(model.sans[:MODEL_PLIES])
    ]
    goes_on = len(model.sans) > MODEL_PLIES
    end = {"san": f"... {model.result}" if goes_on else model.result, "moment": False}
    return {"words": model.words(), "moves": [*moves, end]}
