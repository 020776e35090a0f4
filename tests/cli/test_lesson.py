"""`miner lesson` and `miner plan`: what they write, and what they refuse."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import chess.pgn
import icalendar
import pytest

from miner.store import Store
from tests.cli.conftest import NAMES, Told
from tests.lesson.pages import diagrams, texts

pytest.importorskip("typst", reason="PDF needs the extra `print`")

Miner = Callable[..., Told]
OTHER_FILES = {"exercises.pgn", "exercises.epd", "cards.csv", "cards", "practice.html"}
LESSON_FILES = {"pupil.pdf", "answers.pdf", "coach.pdf"} | OTHER_FILES


def shown(folder: Path) -> list[Path]:
    """What lies in a folder, but for hidden files: by one a command knows what it wrote there."""
    return [file for file in folder.iterdir() if not file.name.startswith(".")]


def test_a_lesson(club: Path, miner: Miner, tmp_path: Path) -> None:
    """All files are written and told, each with the same exercises, and nobody's name is in them."""
    told = miner("lesson", "--store", club, "--out", tmp_path, "--side", "white", "--start", "2025-09-15")

    files = {file.name: file.read_bytes() for file in shown(tmp_path) if file.is_file()}
    count = len(diagrams(files["pupil.pdf"]))
    games = io.StringIO(files["exercises.pgn"].decode())
    assert told.code == 0
    assert {file.name for file in shown(tmp_path)} == LESSON_FILES
    assert f"\n{count} exercise{'' if count == 1 else 's'}\n" in told.out
    assert count > 0
    assert len(list(iter(lambda: chess.pgn.read_game(games), None))) == count
    assert len(files["exercises.epd"].splitlines()) == count
    cards = list(csv.DictReader(io.StringIO(files["cards.csv"].decode(), newline="")))
    assert len(cards) == count
    assert all((tmp_path / card["picture"]).is_file() for card in cards)
    text = " ".join(" ".join(texts(files[name])) for name in files if name.endswith(".pdf"))
    assert not [name for name in NAMES if name in text]


def test_only_one_position(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A position is named by its key as the CSV writes it."""
    row = Store.open(club).read_table("findings").to_pylist()[0]

    told = miner("lesson", "--store", club, "--out", tmp_path, "--only", f"{row['key']:016x}", "--no-pdf")

    assert told.code == 0
    assert {file.name for file in shown(tmp_path)} == OTHER_FILES
    records = (tmp_path / "exercises.epd").read_text().splitlines()
    assert records
    assert len(records) <= 2


def test_language_and_paper(club: Path, miner: Miner, tmp_path: Path) -> None:
    """German words with figurines."""
    told = miner("lesson", "--store", club, "--out", tmp_path, "--language", "de", "--figurines")

    assert told.code == 0
    assert "Eröffnungsaufgaben" in texts((tmp_path / "pupil.pdf").read_bytes())[0]
    assert "Nächste Aufgabe" in (tmp_path / "practice.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "options",
    [("--language", "tlh"), ("--only", "no key"), ("--band", "1-2"), ("--only", "0"), ("--per-page", "13")],
)
def test_wrong_use(club: Path, miner: Miner, tmp_path: Path, options: tuple[str, str]) -> None:
    """What does not exist is refused before anything is written."""
    told = miner("lesson", "--store", club, "--out", tmp_path, *options)

    assert told.code == 2
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_a_file(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A folder that cannot be made is told in one line."""
    (tmp_path / "taken").write_text("")

    told = miner("lesson", "--store", club, "--out", tmp_path / "taken", "--no-pdf")

    assert told.code == 1
    assert "taken" in told.err


def test_a_plan(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A term as text, on paper and in the calendar, with a holiday left out."""
    length = ("--sessions", "3", "--minutes", "45")
    days = ("--start", "2025-09-15", "--weekday", "tue", "--without", "2025-09-23", "--at", "17:30")

    told = miner("plan", "--store", club, "--out", tmp_path, *length, *days)

    events = icalendar.Calendar.from_ical((tmp_path / "plan.ics").read_bytes()).walk("VEVENT")
    assert told.code == 0
    assert {file.name for file in shown(tmp_path)} == {"plan.md", "plan.pdf", "plan.ics"}
    assert [str(event["DTSTART"].to_ical(), "ascii") for event in events] == [  # type: ignore[arg-type]
        "20250916T173000",
        "20250930T173000",
        "20251007T173000",
    ]


def test_a_plan_with_sheets(club: Path, miner: Miner, tmp_path: Path) -> None:
    """Each session's exercises go into a folder of their own."""
    told = miner("plan", "--store", club, "--out", tmp_path, "--sessions", "2", "--sheets", "--side", "black")

    assert told.code == 0
    assert {file.name for file in (tmp_path / "session-01").iterdir()} == LESSON_FILES
    assert not (tmp_path / "plan.ics").exists()


def test_files_of_an_earlier_call_go(club: Path, miner: Miner, tmp_path: Path) -> None:
    """All of the same command, and nothing else: neither the coach's own files nor one that was changed."""
    lesson = ("lesson", "--store", club, "--out", tmp_path)
    plan = ("plan", "--store", club, "--out", tmp_path, "--sessions")
    miner(*lesson, "--side", "white")
    miner(*plan, "2", "--sheets", "--start", "2025-09-15")
    (tmp_path / "answers.pdf").write_text("mine")
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "session-02" / "notes.txt").write_text("mine")

    told = miner(*lesson, "--side", "black", "--no-pdf")
    planned = miner(*plan, "1", "--no-pdf")

    left = {str(file.relative_to(tmp_path)) for file in tmp_path.rglob("[!.]*") if file.is_file()}
    assert {name for name in left if not name.startswith("cards/")} == {
        *("exercises.pgn", "exercises.epd", "cards.csv", "practice.html", "answers.pdf", "notes.txt"),
        *("plan.md", "session-02/notes.txt"),
    }
    assert f"deleted {tmp_path / 'coach.pdf'} of an earlier call" in told.out
    assert not (tmp_path / "session-01").exists()
    assert (told.code, planned.code) == (0, 0)


def test_folder_of_another_command(club: Path, miner: Miner, tmp_path: Path) -> None:
    """What the coach had there under a name of ours is not deleted."""
    (tmp_path / "coach.pdf").write_text("mine")
    lesson = ("lesson", "--store", club, "--out", tmp_path, "--no-pdf")

    for _ in range(2):
        assert miner(*lesson).code == 0

    assert (tmp_path / "coach.pdf").read_text() == "mine"


@pytest.mark.parametrize("options", [("--minutes", "5"), ("--weekday", "tue"), ("--band", "1-2")])
def test_no_plan(club: Path, miner: Miner, tmp_path: Path, options: tuple[str, str]) -> None:
    """Too short an evening, a weekday without a first day, and an unknown band are refused."""
    told = miner("plan", "--store", club, "--out", tmp_path, *options)

    assert told.code == 2
    assert list(tmp_path.iterdir()) == []


def boards_in(folder: Path) -> list[str]:
    """The positions of a lesson's exercises."""
    return [
        chess.Board.from_epd(line)[0].epd() for line in (folder / "exercises.epd").read_text().splitlines()
    ]


def test_lesson_by_motif(raided: Path, miner: Miner, tmp_path: Path) -> None:
    """Exercises of one motif only, each in another position; a lesson without that choice holds some, too."""
    out, usual = tmp_path / "motif", tmp_path / "usual"

    told = miner(
        "lesson", "--store", raided, "--out", out, "--no-pdf", "--motif", "double attack: queen on e5"
    )
    mixed = miner("lesson", "--store", raided, "--out", usual, "--no-pdf", "--top", 3)

    assert (told.code, told.err) == (0, "")
    boards = boards_in(out)
    assert told.out.endswith(f"{len(boards)} exercises, {len(boards)} of them by motif\n")
    assert len(set(boards)) == len(boards) >= 3
    assert "by motif" in mixed.out
    assert set(boards_in(usual)) & set(boards_in(out))


def test_lesson_without_the_pupils_own_games(raided: Path, raids: Path, miner: Miner, tmp_path: Path) -> None:
    """What was played in the named games is left out; without all of them nothing is left."""
    own, every, some = tmp_path / "own.pgn", tmp_path / "every", tmp_path / "some"
    asked = ("lesson", "--store", raided, "--no-pdf", "--motif", "double attack: queen on e5", "--out")
    miner(*asked, every)
    [first, *_] = boards_in(every)
    texts_of = raids.read_text(encoding="utf-8").split("\n\n[Event")
    [text] = [text for text in texts_of if first in positions_of(text)]
    own.write_text(text if text.startswith("[Event") else f"[Event{text}", encoding="utf-8")

    miner(*asked, some, "--without", own)
    without_all = miner(*asked, tmp_path / "none", "--without", raids)

    assert boards_in(some)
    assert first not in boards_in(some)
    assert without_all.code == 2
    assert not (tmp_path / "none").exists()


def positions_of(text: str) -> list[str]:
    """The positions of a game, without their numbers of moves."""
    game = chess.pgn.read_game(io.StringIO(text if text.startswith("[Event") else f"[Event{text}"))
    assert game is not None
    return [node.board().epd() for node in game.mainline()]


def test_unknown_motif(raided: Path, miner: Miner, tmp_path: Path) -> None:
    """A motif that is not listed, and a motif together with a position."""
    asked = ("lesson", "--store", raided, "--out", tmp_path / "out", "--no-pdf", "--motif", "fork")

    unknown, both = miner(*asked), miner(*asked, "--only", "0" * 16)

    assert (unknown.code, both.code) == (2, 2)
    assert "`miner motifs` lists them" in unknown.err
