"""The sheets as PDF: pupils' exercises, answers, the coach's pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from miner.draw.typeset import pdf_bytes
from miner.lesson import layout
from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.exercises import Exercise
from miner.lesson.layout import Looks, layout_of
from miner.lesson.phrases import Tongue
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


def pupil_pdf(exercises: Sequence[Exercise], looks: Looks) -> bytes:
    """The sheet as PDF.

    Raises UsageError for a number of diagrams that goes on no page, ExportError without the typesetter.
    """
    page = layout_of(looks.paper, looks.per_page)
    phrases = looks.tongue.phrases
    told = [asked(one, looks) for one in exercises]
    data = {
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
        "columns": page.columns,
        "cell_height": page.cell_height,
        "diagram_width": page.diagram_width,
        "task_height": page.task_height,
        "task_size": page.task_size,
        "lines": page.lines,
        "line_height": page.line_height,
        "beside": page.beside,
        "pages": [told[start : start + looks.per_page] for start in range(0, len(told), looks.per_page)],
    }
    return pdf_bytes("sheet.typ", data)


def asked(exercise: Exercise, looks: Looks) -> dict[str, Any]:
    """An exercise as the sheet asks it: number, diagram, side to move and task."""
    return {
        "number": exercise.number,
        "svg": looks.svg(exercise),
        "alt": exercise.board.fen(),
        "to_move": to_move_words(exercise, looks.tongue),
        "task": task_words(exercise, looks.tongue),
    }
