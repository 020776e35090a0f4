"""A check's files: the group's page and table, and for each pupil a page and exercises."""

from __future__ import annotations

import csv
import io

import chess

from miner.draw.diagram import diagram_svg
from miner.draw.documents import package_text, page_bytes, pdf_bytes
from miner.export.lists import defused
from miner.lesson.files import exercises_epd, exercises_pgn
from miner.lesson.sheets import Paper
from miner.pupils.check import PupilsCheck
from miner.pupils.page_data import Data, answers_data, called, file_of, group_data, pupil_data

EXERCISES = 6

_WITH_BOARDS = {"group": ("motifs", "findings"), "pupil": ("exercises",), "answers": ()}
"""The parts of each kind of page that show boards."""

_CSV_COUNTS = ("games", "met", "fell_in", "avoided", "punished", "missed", "unpriced")
_CSV_POINTS = ("usual_falls", "lost", "won", "lost_per_100")
_CSV_CHANGE = ("change", "change_low", "change_high")


def pupils_files(
    check: PupilsCheck, *, exercises: int = EXERCISES, paper: Paper = Paper.A4, pdf: bool = True
) -> dict[str, bytes]:
    """The contents of a check's files by name; the same check gives the same bytes.

    Names of pupils stand in them only if the check was asked for names, and in no file name.
    Raises ExportError if a PDF is wanted and the typesetter is not installed.
    """
    on_paper = paper if pdf else None
    files = _page_files("group", "group", group_data(check), on_paper) | {"group.csv": group_csv(check)}
    for pupil in check.by_pupil["pupil"]:
        data, chosen = pupil_data(check, pupil, exercises)
        name = file_of(pupil)
        files |= _page_files("pupil", name, data, on_paper)
        if chosen:
            files[data["answers"]] = _html("answers", answers_data(data))
            files[f"{name}.pgn"] = exercises_pgn(chosen)
            files[f"{name}.epd"] = exercises_epd(chosen)
    return files


def _page_files(kind: str, name: str, data: Data, paper: Paper | None) -> dict[str, bytes]:
    """A page of HTML, and the same as PDF if there is paper."""
    files = {f"{name}.html": _html(kind, data)}
    if paper:
        printed = _drawn(kind, data, on_page=False) | {"paper": paper.typst_name}
        files[f"{name}.pdf"] = pdf_bytes(["base.typ", f"{kind}.typ"], printed, "miner.pupils")
    return files


def _html(kind: str, data: Data) -> bytes:
    """A page with the look of the report's."""
    style = package_text("miner.report", "page.css") + package_text("miner.pupils", "pupils.css")
    return page_bytes(f"pupils/{kind}.html", _drawn(kind, data, on_page=True), style)


def _drawn(kind: str, data: Data, *, on_page: bool) -> Data:
    """The data with a diagram, `svg`, for each position."""
    parts = _WITH_BOARDS[kind]
    return data | {part: [one | {"svg": _svg(one, on_page=on_page)} for one in data[part]] for part in parts}


def _svg(position: Data, *, on_page: bool) -> str:
    return diagram_svg(
        chess.Board(position["fen"]),
        orientation=position["bottom"] == "white",
        label=position["alt"] if on_page else None,
    )


def group_csv(check: PupilsCheck) -> bytes:
    """The table `by_pupil` with what changed since the lesson, if there was one: UTF-8, CR LF.

    Text that a spreadsheet could take for a formula is defused by an apostrophe.
    """
    text = io.StringIO(newline="")
    lines = csv.writer(text, lineterminator="\r\n")
    skills = ("falling in", "punishing") if check.lesson else ()
    lines.writerow(
        ["pupil", "group", *_CSV_COUNTS, *_CSV_POINTS]
        + [f"{skill} {name}" for skill in skills for name in ("change", "low", "high", "verdict")]
    )
    for row in check.by_pupil.to_dict("records"):
        cells = [defused(called(check, row["pupil"])), defused(row["group"])]
        cells += [str(row[name]) for name in _CSV_COUNTS]
        cells += [f"{row[name]:.3f}" for name in _CSV_POINTS]
        for skill in skills:
            cells += _change_cells(check, row["pupil"], skill)
        lines.writerow(cells)
    return text.getvalue().encode("utf-8", "replace")


def _change_cells(check: PupilsCheck, pupil: str, skill: str) -> list[str]:
    rows = check.progress[(check.progress["pupil"] == pupil) & (check.progress["skill"] == skill)]
    if rows.empty:
        return ["", "", "", ""]
    row = rows.iloc[0]
    return [*(f"{row[name]:.3f}" for name in _CSV_CHANGE), row["verdict"]]
