"""The group's page and the pupils' on paper."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import chess

from miner.lesson.diagram import diagram_svg
from miner.lesson.layout import Paper
from miner.lesson.typeset import pdf_bytes
from miner.pupils.words import Data

_PACKAGE = "miner.pupils"


def group_pdf(data: Data, paper: Paper = Paper.A4) -> bytes:
    """The group's page as PDF. Raises ExportError without the typesetter."""
    told = data | {"paper": paper.typst_name, "findings": _with_diagrams(data["findings"])}
    return pdf_bytes("group.typ", told, _PACKAGE)


def pupil_pdf(data: Data, paper: Paper = Paper.A4) -> bytes:
    """A pupil's page, sheet of exercises and answers as PDF. Raises ExportError without the typesetter."""
    told = data | {"paper": paper.typst_name, "exercises": _with_diagrams(data["exercises"])}
    return pdf_bytes("pupil.typ", told, _PACKAGE)


def _with_diagrams(positions: Iterable[Data]) -> list[dict[str, Any]]:
    return [
        one
        | {
            "svg": diagram_svg(chess.Board(one["fen"]), orientation=one["bottom"] == "white"),
            "alt": one["alt"],
        }
        for one in positions
    ]
