"""A lesson's files: sheets on paper, and the same exercises for other programs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from miner.export.files import write_file
from miner.lesson.backing import NO_BACKING, Backing
from miner.lesson.exercises import Exercise
from miner.lesson.files import cards_csv, exercises_epd, exercises_pgn
from miner.lesson.key import answers_pdf, coach_pdf
from miner.lesson.looks import Looks
from miner.lesson.pupil import pupil_pdf


def lesson_files(
    exercises: Sequence[Exercise], looks: Looks, backing: Backing = NO_BACKING, start: date | None = None
) -> dict[str, bytes]:
    """The contents of a lesson's files by name; the same exercises give the same bytes.

    Raises UsageError for a number of diagrams that goes on no page, ExportError without the typesetter.
    """
    files: dict[str, bytes] = {}
    if looks.pdf:
        files["pupil.pdf"] = pupil_pdf(exercises, looks)
        files["answers.pdf"] = answers_pdf(exercises, looks)
        files["coach.pdf"] = coach_pdf(exercises, looks, backing)
    files["exercises.pgn"] = exercises_pgn(exercises)
    files["exercises.epd"] = exercises_epd(exercises)
    files["cards.csv"] = cards_csv(exercises, looks.tongue, start)
    return files


def write_files(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files into a folder, which is made if it is missing; each is whole or not there.

    Raises ExportError if that cannot be done.
    """
    targets = [folder / name for name in files]
    for target, contents in zip(targets, files.values(), strict=True):
        write_file(target, contents, advice="name a folder you may write to")
    return targets
