"""The pupils' sheet: diagrams, tasks, and lines to write on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from miner.lesson import layout
from miner.lesson.exercises import Exercise
from miner.lesson.layout import layout_of
from miner.lesson.looks import Looks
from miner.lesson.sentences import task_words, to_move_words
from miner.lesson.typeset import pdf_bytes


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
