"""A check's files: the group's page and table, and for each pupil a page and exercises."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any

import chess

from miner.draw.diagram import diagram_svg
from miner.draw.typeset import pdf_bytes
from miner.export.lists import defused
from miner.lesson.files import exercises_epd, exercises_pgn
from miner.lesson.layout import Paper
from miner.pupils.check import PupilsCheck
from miner.pupils.contents import Data, called, file_of, group_data, pupil_data
from miner.pupils.page import group_page, pupil_page

EXERCISES = 6

_CSV_COUNTS = ("games", "met", "fell_in", "avoided", "punished", "missed", "unpriced")
_CSV_POINTS = ("usual_falls", "lost", "won", "lost_per_100")


def pupils_files(
    check: PupilsCheck, *, exercises: int = EXERCISES, paper: Paper = Paper.A4, pdf: bool = True
) -> dict[str, bytes]:
    """The contents of a check's files by name; the same check gives the same bytes.

    Names of pupils stand in them only if the check was asked for names, and in no file name.
    Raises ExportError if a PDF is wanted and the typesetter is not installed.
    """
    group = group_data(check)
    files = {"group.html": group_page(group), "group.csv": group_csv(check)}
    if pdf:
        files["group.pdf"] = group_pdf(group, paper)
    for pupil in check.by_pupil["pupil"]:
        data, chosen = pupil_data(check, pupil, exercises)
        name = file_of(pupil)
        files[f"{name}.html"] = pupil_page(data)
        if pdf:
            files[f"{name}.pdf"] = pupil_pdf(data, paper)
        if chosen:
            files[f"{name}.pgn"] = exercises_pgn(chosen)
            files[f"{name}.epd"] = exercises_epd(chosen)
    return files


def group_csv(check: PupilsCheck) -> bytes:
    """The table `by_pupil` with what changed since the lesson, if there was one: UTF-8, CR LF.

    Text that a spreadsheet could take for a formula is defused by an apostrophe.
    """
    text = io.StringIO(newline="")
    lines = csv.writer(text, lineterminator="\r\n")
    skills = ("falling in", "punishing") if check.lesson else ()
    lines.writerow(
        ["pupil", "group", *_CSV_COUNTS, *_CSV_POINTS]
        + [f"{skill} {what}" for skill in skills for what in ("change", "low", "high", "verdict")]
    )
    for row in check.by_pupil.to_dict("records"):
        cells = [defused(called(check, row["pupil"])), defused(row["group"])]
        cells += [str(row[name]) for name in _CSV_COUNTS]
        cells += [f"{row[name]:.3f}" for name in _CSV_POINTS]
        for skill in skills:
            cells += _changed(check, row["pupil"], skill)
        lines.writerow(cells)
    return text.getvalue().encode("utf-8", "replace")


def _changed(check: PupilsCheck, pupil: str, skill: str) -> list[str]:
    rows = check.progress[(check.progress["pupil"] == pupil) & (check.progress["skill"] == skill)]
    if rows.empty:
        return ["", "", "", ""]
    row = rows.iloc[0]
    return [*(f"{row[name]:.3f}" for name in ("change", "change_low", "change_high")), row["verdict"]]


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
