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
from tests.lesson.pages import diagrams, sizes_mm, texts

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


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("lesson", "--start", "15.9.2025"), "--start '15.9.2025' is no date; write it as 2025-09-15"),
        (("plan", "--start", "2025-9"), "--start '2025-9' is no date; write it as 2025-09-15"),
        (("plan", "--without", "tomorrow"), "--without 'tomorrow' is no date; write it as 2025-09-15"),
        (
            ("plan", "--start", "2025-09-15", "--at", "half past 5"),
            "--at 'half past 5' is no time of day; write it as 17:30",
        ),
        (
            ("lesson", "--only", "00000000000000ff"),
            "no finding of this list has the key 00000000000000ff; take",
        ),
        (
            ("lesson", "--without-taught"),
            "what was taught goes by days; name the day of the lesson with --start",
        ),
        (
            ("lesson", "--group", "Fridays"),
            "settings file miner.toml: No such file or directory; name a file",
        ),
        (("plan", "--sessions", "2", "--minutes", "10"), "2 sessions of 10 minutes are too little; plan at"),
    ],
)
def test_wrong_input_is_told_in_one_line(
    club: Path,
    miner: Miner,
    tmp_path: Path,
    arguments: tuple[str, ...],
    told: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is wrong, and what to write instead, without the words of a parser."""
    monkeypatch.chdir(tmp_path)

    said = miner(*arguments, "--store", club, "--out", tmp_path / "out", "--no-pdf")

    assert said.code == 2
    assert said.err.startswith(f"miner: {told}")
    assert said.err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_more_sessions_than_topics(club: Path, miner: Miner, tmp_path: Path) -> None:
    """As many as there are topics, and it is said what would give more."""
    told = miner("plan", "--store", club, "--out", tmp_path, "--sessions", "40", "--no-pdf")

    sessions = (tmp_path / "plan.md").read_text().count("\n## Session ")
    assert told.code == 0
    assert 0 < sessions < 40
    assert "there are no topics for 40; more bands (--band) or both sides (--side) may hold more" in told.out


def test_what_was_taught_is_left_out_and_revised(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A week later the group gets other exercises; a lesson that is made again stays as it was."""
    table = tmp_path / "taught.csv"

    def lesson(day: str, *more: str) -> set[str]:
        out = tmp_path / "out"
        said = miner(
            "lesson",
            "--store",
            club,
            "--out",
            out,
            "--start",
            day,
            "--taught",
            table,
            "--top",
            "1",
            "--no-pdf",
            *more,
        )
        if said.code:
            return {said.err}
        return {" ".join(line.split()[:4]) for line in (out / "exercises.epd").read_text().splitlines()}

    first = lesson("2025-09-16", "--without-taught", "--group", "")
    again = lesson("2025-09-16", "--without-taught")
    second = lesson("2025-09-23", "--without-taught")
    revised = lesson("2025-09-23", "--revise-taught")
    rows = list(csv.DictReader(io.StringIO(table.read_text(), newline="")))

    assert first == again
    assert not first & second
    assert revised == first
    assert {row["date"] for row in rows} == {"2025-09-16", "2025-09-23"}
    assert list(rows[0]) == ["date", "group", "what"]


def test_plan_goes_on_after_what_was_taught(club: Path, miner: Miner, tmp_path: Path) -> None:
    """What the first session taught comes back in the new plan, and is not taught again."""
    plan = ("plan", "--store", club, "--no-pdf", "--taught", tmp_path / "taught.csv", "--without-taught")

    miner(*plan, "--out", tmp_path / "a", "--start", "2025-09-16", "--sessions", "2", "--minutes", "30")
    noted = (tmp_path / "taught.csv").read_text()
    told = miner(
        *plan, "--out", tmp_path / "b", "--start", "2025-09-23", "--sessions", "1", "--minutes", "30"
    )

    first = noted.splitlines()[1].split(",")[2]
    text = (tmp_path / "b" / "plan.md").read_text()
    name = first.split()[1] if first[:16].isalnum() and " " in first[:20] else first
    assert told.code == 0
    assert noted.count("2025-09-16") >= 1
    assert noted.count("2025-09-23") >= 1
    assert name in text.partition("**Again:**")[2]
    assert "2025-09-16" in (tmp_path / "taught.csv").read_text()


def test_settings_of_a_group(
    club: Path, miner: Miner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken from miner.toml in the folder; an option that is given comes before them."""
    (tmp_path / "miner.toml").write_text(
        '[group.Fridays]\nside = "white"\nband = "800-999"\nlanguage = "de"\npaper = "letter"\nminutes = 30\n'
        "[scan]\ngames = 10\n",
        encoding="utf-8",
    )
    monkeypatch.chdir(tmp_path)

    miner("plan", "--store", club, "--out", "plan", "--group", "Fridays", "--no-pdf")
    miner("plan", "--store", club, "--out", "long", "--group", "Fridays", "--no-pdf", "--minutes", "60")
    miner("lesson", "--store", club, "--out", "lesson", "--group", "Fridays")
    unknown = miner("lesson", "--store", club, "--out", "none", "--group", "Mondays")

    plan = (tmp_path / "plan" / "plan.md").read_text()
    assert plan.startswith("# Opening plan: Fridays, White, 800-999\n")
    assert " of 30 minutes" in plan
    assert " of 60 minutes" in (tmp_path / "long" / "plan.md").read_text()
    sheet = (tmp_path / "lesson" / "pupil.pdf").read_bytes()
    assert "Eröffnungsaufgaben" in texts(sheet)[0]
    assert sizes_mm(sheet) == {(216, 279)}
    assert "no group is called Mondays; its groups are Fridays" in unknown.err


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
