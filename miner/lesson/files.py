"""A lesson's files: sheets on paper, the page to practise on, and the exercises for other programs."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path

import chess.pgn

from miner.board.moves import parse_san_line
from miner.export.epd import string_operand
from miner.export.formats import write_file
from miner.export.pgn import (
    add_best,
    add_line,
    add_opening_tags,
    add_punishment,
    add_refutation,
    games_bytes,
    tag_value,
)
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.words import title
from miner.lesson.backing import NO_BACKING, Backing
from miner.lesson.cards import cards_files
from miner.lesson.exercises import Exercise, QuestionKind
from miner.lesson.moments import MotifLesson
from miner.lesson.phrases import Tongue
from miner.lesson.practice import practice_page
from miner.lesson.sentences import question_words, why_words
from miner.lesson.sheets import Looks, answers_pdf, coach_pdf, pupil_pdf
from miner.store import digest_of
from miner.store.change import clear_unfinished

_ENGLISH = Tongue.of("en")


def exercises_pgn(exercises: Sequence[Exercise[Mistake]]) -> bytes:
    """One game per exercise, which begins with its position (tags SetUp and FEN).

    The comment before the first move is the task. The main line is the solution, with other good answers as
    variations; where a losing reply is
    asked about, the best move is a variation, and where the best move is asked for, the losing reply. Moves
    are English, as the standard has them.

    Source: Portable Game Notation Specification (1994), section 9.7 (SetUp and FEN), from memory.
    """
    return games_bytes(_game(exercise) for exercise in exercises)


def _game(exercise: Exercise[Mistake]) -> chess.pgn.Game:
    finding = exercise.finding
    game = chess.pgn.Game()
    game.headers["Event"] = tag_value(title(finding))
    game.headers["Round"] = str(exercise.number)
    add_opening_tags(game, finding)
    game.setup(exercise.board)
    game.headers["SetUp"], game.headers["FEN"] = "1", exercise.board.fen()  # also for the start position
    game.comment = question_words(exercise, _ENGLISH)
    if exercise.task is QuestionKind.PUNISH:
        add_punishment(game, finding, why_words(exercise, _ENGLISH))
        for san in exercise.accepted[1:]:
            add_line(game, [san])
    elif isinstance(finding, Finding):
        adding = [add_refutation, add_best]
        for add in adding if exercise.task is QuestionKind.WRONG else reversed(adding):
            add(game, finding)
    return game


def exercises_epd(exercises: Sequence[Exercise[Mistake]]) -> bytes:
    """One record per exercise: `bm` all good answers, or `am` the losing reply that is asked about
    with `bm` the better one; `id` number and name, `c0` the task, `pv` the solution; UTF-8, LF.

    Where a better move is asked for there is no `bm`, since others than the best may be as good.
    """
    return "".join(_record(exercise) + "\n" for exercise in exercises).encode()


def _record(exercise: Exercise[Mistake]) -> str:
    finding, board = exercise.finding, exercise.board
    solution = parse_san_line(board, exercise.solution)
    name = string_operand(f"{exercise.number}. {title(finding)}")
    task = string_operand(question_words(exercise, _ENGLISH))
    if exercise.task is QuestionKind.PUNISH:
        return board.epd(
            bm=[board.parse_san(san) for san in exercise.accepted], c0=task, id=name, pv=solution
        )
    losing, best = board.parse_san(finding.losing_reply), board.parse_san(finding.best_move)
    if exercise.task is QuestionKind.INSTEAD:
        return board.epd(am=[losing], c0=task, id=name, pv=solution)
    return board.epd(am=[losing], bm=[best], c0=task, id=name, pv=solution)


def lesson_files(
    exercises: Sequence[Exercise[Mistake]],
    looks: Looks,
    backing: Backing = NO_BACKING,
    start: date | None = None,
    motifs: Sequence[MotifLesson] = (),
) -> dict[str, bytes]:
    """The contents of a lesson's files by name; the same exercises give the same bytes.

    `motifs` are taught on the coach's pages.

    Raises UsageError for a number of diagrams that goes on no page, ExportError without the typesetter.
    """
    files: dict[str, bytes] = {}
    if looks.pdf:
        files["pupil.pdf"] = pupil_pdf(exercises, looks)
        files["answers.pdf"] = answers_pdf(exercises, looks)
        files["coach.pdf"] = coach_pdf(exercises, looks, backing, motifs)
    files["exercises.pgn"] = exercises_pgn(exercises)
    files["exercises.epd"] = exercises_epd(exercises)
    files["practice.html"] = practice_page(exercises, looks)
    return files | cards_files(exercises, looks, start)


def write_files(folder: Path, files: Mapping[str, bytes], command: str) -> tuple[list[Path], list[Path]]:
    """Put a command's files into a folder in place of all that it wrote there before; they, and what went.

    The folder is made if it is missing; each file is whole or not there. A file that is not the command's
    stays, and one that was changed since: the list `.COMMAND.sha256` there has the digest of each. What
    a kill left there of files that were being written goes first: it may hold names.
    Raises ExportError if that cannot be done.
    """
    if folder.is_dir():
        clear_unfinished(folder)
    listed = folder / f".{command}.sha256"
    before = _listed(listed)
    now = {(hashlib.sha256(contents).hexdigest(), name) for name, contents in files.items()}
    _write(listed, _as_list(before | now))  # first, so that what a kill leaves is known
    targets = [folder / name for name in files]
    for target, contents in zip(targets, files.values(), strict=True):
        _write(target, contents)
    gone = [
        folder / name for digest, name in sorted(before) if name not in files if _goes(folder / name, digest)
    ]
    _write(listed, _as_list(now))
    return targets, gone


def _write(target: Path, contents: bytes) -> None:
    write_file(target, contents, advice="name a folder you may write to")


def _listed(file: Path) -> set[tuple[str, str]]:
    """The digests and names in a list of files."""
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return set()
    return {(digest, name) for digest, _, name in (line.partition("  ") for line in lines)}


def _as_list(written: Iterable[tuple[str, str]]) -> bytes:
    return "".join(f"{digest}  {name}\n" for digest, name in sorted(written)).encode()


def _goes(file: Path, digest: str) -> bool:
    """Delete a file if it is as it was written, and its folder if that is empty then; whether it was."""
    if not file.is_file() or digest_of(file) != digest:
        return False
    Path(os.path.realpath(file)).unlink()  # a link stays, as when it is written through
    with suppress(OSError):
        file.parent.rmdir()
    return True
