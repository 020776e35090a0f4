"""How a sheet looks: paper, diagrams on a page, language, drawing of boards."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from miner.draw.diagram import diagram_svg
from miner.errors import UsageError
from miner.finding.words import plain
from miner.lesson.exercises import Exercise
from miner.lesson.phrases import Tongue

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


TITLE_LENGTH = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class Looks:
    """The coach's choices for printing."""

    tongue: Tongue
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

    def svg(self, exercise: Exercise) -> str:
        """The exercise's diagram, the pupils' side at the bottom."""
        return diagram_svg(
            exercise.board,
            orientation=exercise.taught.color,
            coordinates=self.coordinates,
            hatched=self.hatched,
        )
