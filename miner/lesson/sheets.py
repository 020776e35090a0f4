"""How a sheet looks, and the sheets as PDF: pupils' exercises, answers, the coach's pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

from miner.draw.diagram import diagram_svg
from miner.draw.documents import pdf_bytes
from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.moment import Moment
from miner.finding.motif_words import failing_line, moment_line, motif_title, played_sentence
from miner.finding.words import plain
from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.exercises import Exercise, of_findings, of_moments
from miner.lesson.moments import MotifLesson, motif_facts, numbers_words
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.sentences import (
    demonstration,
    heading,
    number_words,
    say_words,
    solution_words,
    task_words,
    to_move_words,
    whom_words,
    why_words,
)
from miner.terms import Side

FEWEST, MOST = 2, 12
MARGIN_X, MARGIN_TOP, MARGIN_BOTTOM = 17.0, 15.0, 16.0
HEADER = 14.0
GUTTER = 9.0
ASPECT = 426 / 390
"""Width by height of a diagram with its coordinates and the square for the side to move."""

# Columns and rows for each number of diagrams: the rows as high as the paper allows.
_GRIDS = {2: (1, 2), 3: (1, 3), 4: (2, 2), 5: (2, 3), 6: (2, 3), 7: (2, 4), 8: (2, 4), 9: (3, 3)} | {
    10: (3, 4),
    11: (3, 4),
    12: (3, 4),
}
TITLE_LENGTH = 60
SHEET_PLIES = 60
"""Half-moves of a model game that are printed."""


class Paper(StrEnum):
    """Paper sizes."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in millimetres. Source: ISO 216; ANSI/ASME Y14.1."""
        return (210.0, 297.0) if self is Paper.A4 else (215.9, 279.4)

    @property
    def typst_name(self) -> str:
        """The typesetter's name for it."""
        return "a4" if self is Paper.A4 else "us-letter"


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """A page with room for so many diagrams, lengths in millimetres."""

    columns: int
    rows: int
    cell_height: float
    diagram_width: float
    task_height: float
    task_size: float  # of the letters
    lines: int  # to write on
    line_height: float
    beside: bool  # the lines stand beside the diagram, not under it


def layout_of(paper: Paper, per_page: int) -> Layout:
    """The page for 2 to 12 diagrams.

    Raises UsageError for any other number.
    """
    if per_page not in _GRIDS:
        raise UsageError(
            f"{per_page} diagrams do not go on a page", advice=f"take {FEWEST} to {MOST} (--per-page)"
        )
    columns, rows = _GRIDS[per_page]
    width, height = paper.size
    cell_width = (width - 2 * MARGIN_X - (columns - 1) * GUTTER) / columns
    cell_height = (height - MARGIN_TOP - MARGIN_BOTTOM - HEADER) / rows
    beside = columns == 1
    lines, line_height = (10, 8.5) if beside else (2, 8.0) if rows < 4 else (1, 7.0)
    if per_page == 3:
        lines = 6
    task_height = 0.0 if beside else 9.0
    below = 0.0 if beside else task_height + 2.0 + lines * (line_height + 0.3)
    room = cell_height - below - 2.0
    widest = cell_width * (0.6 if beside else 1.0)
    return Layout(
        columns=columns,
        rows=rows,
        cell_height=cell_height,
        diagram_width=round(min(widest, room * ASPECT), 2),
        task_height=task_height,
        task_size=3.5 if columns < 3 else 3.2,
        lines=lines,
        line_height=line_height,
        beside=beside,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Looks:
    """The coach's choices for printing."""

    tongue: Tongue = field(default_factory=lambda: Tongue.of(ENGLISH))
    paper: Paper = Paper.A4
    per_page: int = 6  # diagrams on the pupils' sheet, 2 to 12
    title: str = ""  # empty: the language's own
    coordinates: bool = True
    hatched: bool = False
    pdf: bool = True  # whether anything is printed at all

    @property
    def printed_title(self) -> str:
        """The title on one line."""
        return plain(self.title, TITLE_LENGTH) or self.tongue.phrases.title

    def svg(self, exercise: Exercise[Mistake], *, paper: bool = False) -> str:
        """The exercise's diagram, the pupils' side at the bottom; with `paper` on white of its own."""
        return diagram_svg(
            exercise.board,
            orientation=exercise.taught.color,
            coordinates=self.coordinates,
            hatched=self.hatched,
            paper=paper,
        )


def pupil_pdf(exercises: Sequence[Exercise[Mistake]], looks: Looks) -> bytes:
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
        "margin_x": MARGIN_X,
        "margin_top": MARGIN_TOP,
        "margin_bottom": MARGIN_BOTTOM,
        "header": HEADER,
        "gutter": GUTTER,
        "pages": [tasks[start : start + looks.per_page] for start in range(0, len(tasks), looks.per_page)],
    }
    return pdf_bytes(["sheet.typ"], data, "miner.lesson")


def _task(exercise: Exercise[Mistake], looks: Looks) -> dict[str, Any]:
    return {
        "number": exercise.number,
        "svg": looks.svg(exercise),
        "alt": exercise.board.fen(),
        "to_move": to_move_words(exercise, looks.tongue),
        "task": task_words(exercise, looks.tongue),
    }


def answers_pdf(exercises: Sequence[Exercise[Mistake]], looks: Looks) -> bytes:
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


def coach_pdf(
    exercises: Sequence[Exercise[Mistake]],
    looks: Looks,
    backing: Backing = NO_BACKING,
    motifs: Sequence[MotifLesson] = (),
) -> bytes:
    """Words to say and moves to show about motifs and findings, in English; moves as the sheet writes them.

    Raises ExportError without the typesetter.
    """
    data = {
        "title": "For the coach",
        "lang": ENGLISH,
        "page": PHRASES[ENGLISH].page,
        "subtitle": looks.printed_title,
        "paper": looks.paper.typst_name,
        "motifs": [motif_data(lesson, looks, of_moments(exercises)) for lesson in motifs],
        "exercises": [_coaching(exercise, looks, backing) for exercise in of_findings(exercises)],
    }
    return pdf_bytes(["base.typ", "coach.typ"], data, "miner.lesson")


def motif_data(
    lesson: MotifLesson, looks: Looks, exercises: Sequence[Exercise[Moment]] = ()
) -> dict[str, Any]:
    """What the coach is told of a motif, as `motif` in base.typ prints it."""
    count, tongue = lesson.count, looks.tongue
    return {
        "heading": motif_title(count),
        "whom": numbers_words(lesson, exercises),
        "facts": [tongue.moves(fact) for fact in motif_facts(lesson)],
        "examples": [_shown(moment, moment_line(moment), looks, moment.side) for moment in lesson.examples],
        "fails": [
            _shown(moment, failing_line(moment), looks, moment.mover) for moment in (lesson.fails,) if moment
        ],
    }


def _shown(moment: Moment, line: str, looks: Looks, bottom: Side) -> dict[str, Any]:
    """A position with its line, as seen by the side that strikes, or tries to."""
    board = moment.board
    svg = diagram_svg(board, orientation=bottom.color, coordinates=looks.coordinates, hatched=looks.hatched)
    return {
        "svg": svg,
        "alt": board.fen(),
        "line": looks.tongue.moves(line),
        "played": looks.tongue.moves(played_sentence(moment)),
    }


def _coaching(exercise: Exercise[Finding], looks: Looks, backing: Backing) -> dict[str, Any]:
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
        "model": None if model is None else _model_game(model, tongue, finding.sign),
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
        for ply, san in enumerate(model.sans[:SHEET_PLIES])
    ]
    goes_on = len(model.sans) > SHEET_PLIES
    end = {"san": f"... {model.result}" if goes_on else model.result, "moment": False}
    return {"words": model.words(), "moves": [*moves, end]}
