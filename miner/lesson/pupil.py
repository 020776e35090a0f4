"""The pupils' sheet: diagrams, tasks, and lines to write on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from miner.export.words import plain
from miner.lesson import layout
from miner.lesson.diagram import diagram_svg
from miner.lesson.exercises import Exercise
from miner.lesson.layout import Paper, layout_of
from miner.lesson.phrases import Tongue
from miner.lesson.sentences import task_words, to_move_words
from miner.lesson.typeset import pdf_bytes


def exercise_svg(exercise: Exercise, *, coordinates: bool, hatched: bool) -> str:
    """The exercise's diagram, the pupils' side at the bottom."""
    return diagram_svg(
        exercise.board, orientation=exercise.taught.color, coordinates=coordinates, hatched=hatched
    )


def pupil_pdf(
    exercises: Sequence[Exercise],
    tongue: Tongue,
    *,
    paper: Paper,
    per_page: int,
    title: str,
    subtitle: str = "",
    coordinates: bool = True,
    hatched: bool = False,
) -> bytes:
    """The sheet as PDF, `per_page` (2 to 12) diagrams on each page.

    Raises UsageError for any other number, ExportError without the typesetter.
    """
    page = layout_of(paper, per_page)
    phrases = tongue.phrases
    told: list[dict[str, Any]] = [
        {
            "number": one.number,
            "svg": exercise_svg(one, coordinates=coordinates, hatched=hatched),
            "alt": one.board.fen(),
            "to_move": to_move_words(one, tongue),
            "task": task_words(one, tongue),
        }
        for one in exercises
    ]
    data = {
        "title": plain(title, 60),
        "subtitle": plain(subtitle, 90),
        "lang": phrases.code,
        "name": phrases.name,
        "date": phrases.date,
        "page": phrases.page,
        "paper": paper.typst_name,
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
        "pages": [told[start : start + per_page] for start in range(0, len(told), per_page)],
    }
    return pdf_bytes("sheet.typ", data)
