"""How the sheets look."""

from __future__ import annotations

from dataclasses import dataclass

from miner.export.words import plain
from miner.lesson.diagram import diagram_svg
from miner.lesson.exercises import Exercise
from miner.lesson.layout import Paper
from miner.lesson.phrases import Tongue

TITLE_LENGTH = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class Looks:
    """What a coach chooses about the print."""

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
