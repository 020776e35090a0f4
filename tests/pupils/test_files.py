"""What is written about pupils: no names, nothing that breaks out, the same bytes each time."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest

from miner.draw.documents import page_bytes
from miner.pupils import Member, check_games
from miner.pupils.check import PupilsCheck
from miner.pupils.page_data import group_data, pupil_data
from miner.pupils.pages import pupils_files
from miner.store import Store
from tests.lesson.pages import HOSTILE, diagrams, texts
from tests.pupils.clubs import INTO_LEGAL, INTO_VIENNA, QUIET, club_findings, club_store, game, written

NAMES = ("Hazelthwick, Hollimund", "Snowthistle, Quillamy", "Moorhen, Wrenna")
WORDS = re.compile("|".join(word for name in NAMES for word in name.split(", ")), re.IGNORECASE)


def season() -> list[str]:
    """Games of three pupils on both sides of a lesson."""
    games = []
    for day in range(1, 13):
        white, black = NAMES[day % 3], NAMES[(day + 1) % 3]
        moves = (f"{INTO_VIENNA} exf4 d3", f"{INTO_VIENNA} exf4 e5", f"{INTO_LEGAL} Bxd1 Bxf7+ Ke7")[day % 2]
        games.append(game(moves, white, black, Date=f"2025.{day:02}.10"))
    return games


def checked(folder: Path, *, names: bool = False, lesson: date | None = date(2025, 6, 1)) -> PupilsCheck:
    """The season held against the club's store."""
    store = club_store(folder)
    players = [Member(name, "Fridays") for name in NAMES]
    return check_games(store, [written(folder, season())], players, lesson=lesson, names=names)


def rows(contents: bytes) -> list[list[str]]:
    """The cells of a CSV."""
    return list(csv.reader(io.StringIO(contents.decode(), newline="")))


def elements(page: str) -> list[tuple[str, list[str]]]:
    """The elements of a page in order, with the names of their attributes."""
    found: list[tuple[str, list[str]]] = []
    reader = HTMLParser()
    reader.handle_starttag = lambda tag, attrs: found.append((tag, [name for name, _ in attrs]))  # type: ignore[method-assign]
    reader.feed(page)
    return found


def test_files(tmp_path: Path) -> None:
    """The group's three files; for each pupil pages, and exercises where there are any."""
    check = checked(tmp_path)

    files = pupils_files(check)

    assert {"group.html", "group.pdf", "group.csv"} <= files.keys()
    for pupil in check.by_pupil["pupil"]:
        name = pupil.lower().replace(" ", "-")
        assert {f"{name}{suffix}" for suffix in (".html", ".pdf", ".pgn", ".epd")} <= files.keys()


def test_no_names(tmp_path: Path) -> None:
    """No name of a player stands in any file, in its name, or in a PDF's text."""
    files = pupils_files(checked(tmp_path))

    for name, contents in files.items():
        assert not WORDS.search(name)
        assert not WORDS.search(contents.decode("utf-8", "replace")), name
        if name.endswith(".pdf"):
            assert not WORDS.search(" ".join(texts(contents))), name


def test_names_only_if_asked_for(tmp_path: Path) -> None:
    """With names they stand on the pages, each private page holds only its own, and no file name one."""
    files = pupils_files(checked(tmp_path, names=True))

    assert all(name in files["group.html"].decode() for name in NAMES)
    assert not any(WORDS.search(name) for name in files)
    for name, contents in files.items():
        if name.startswith("pupil-") and name.endswith(".html"):
            assert sum(one in contents.decode() for one in NAMES) == 1, name
        if name.endswith((".pgn", ".epd")):
            assert not WORDS.search(contents.decode()), name


def test_same_bytes(tmp_path: Path) -> None:
    """The same store and games give the same files."""
    first = pupils_files(checked(tmp_path))
    store, games = Store.open(tmp_path / "store"), str(tmp_path / "pupils.pgn")

    players = [Member(name, "Fridays") for name in NAMES]
    again = check_games(store, [games], players, lesson=date(2025, 6, 1))

    assert pupils_files(again) == first


def test_group_csv(tmp_path: Path) -> None:
    """One line a pupil, whose counts are those of the table, and what changed."""
    check = checked(tmp_path)

    head, *lines = rows(pupils_files(check, pdf=False)["group.csv"])

    assert [line[0] for line in lines] == list(check.by_pupil["pupil"])
    fell = head.index("fell_in")
    assert [int(line[fell]) for line in lines] == list(check.by_pupil["fell_in"])
    assert {line[head.index("falling in verdict")] for line in lines} == {"too little to tell"}


def test_without_a_lesson(tmp_path: Path) -> None:
    """Nothing is said of progress."""
    files = pupils_files(checked(tmp_path, lesson=None), pdf=False)

    assert not any("lesson" in contents.decode().lower() for contents in files.values())


def test_paper_says_what_the_page_says(tmp_path: Path) -> None:
    """The PDFs tell the same numbers, and show the exercises' positions."""
    check = checked(tmp_path)
    pupil = check.by_pupil["pupil"].iloc[0]
    files = pupils_files(check)
    name = pupil.lower().replace(" ", "-")

    group, own = " ".join(texts(files["group.pdf"])), texts(files[f"{name}.pdf"])

    assert "Pupils made one of the common mistakes" in group
    assert all(one in group for one in check.by_pupil["pupil"])
    assert "12 games seen, 12 looked at" in group
    assert own[0].startswith(pupil)
    assert "Too little to tell" in own[0]
    assert own[1].startswith(f"Next exercises: {pupil}")
    assert own[-1].startswith(f"Answers: {pupil}")
    games = files[f"{name}.pgn"].decode().count("[FEN ")
    assert len(diagrams(files[f"{name}.pdf"])) == games


def test_exercises_can_be_read(tmp_path: Path) -> None:
    """A second program reads the exercises, each from its position on."""
    files = pupils_files(checked(tmp_path), pdf=False)

    for name, contents in files.items():
        if name.endswith(".pgn"):
            read = io.StringIO(contents.decode())
            while (one := chess.pgn.read_game(read)) is not None:
                assert not one.errors
                assert one.board().fen() == one.headers["FEN"]
                assert one.mainline_moves()
        if name.endswith(".epd"):
            for line in contents.decode().splitlines():
                assert chess.Board().set_epd(line)["id"]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text(tmp_path: Path, text: str) -> None:
    """Openings, groups, names and dates that look like markup stay text, in every format."""
    findings = [replace(one, opening=text, eco=text, reason_detail=text) for one in club_findings()]
    line = text.replace("\r\n", " ").replace("\u2028", " ")
    tag = line.replace("\\", "\\\\").replace('"', '\\"')
    store = club_store(tmp_path, findings)
    games = written(tmp_path, [game(f"{INTO_VIENNA} exf4 d3", tag, "Bert", Date="2025<script>")])

    check = check_games(store, [games], [Member(line, text)], lesson=date(2025, 6, 1), names=True)
    files = pupils_files(check)

    assert len(check.by_pupil) == 1
    for name, contents in files.items():
        if name.endswith(".html"):
            assert b"<script" not in contents
            assert b"</svg><script>" not in contents
        if name.endswith(".csv"):
            assert all(
                not cell.startswith(("=", "+", "-", "@")) for row in rows(contents)[1:] for cell in row[:2]
            )
        if name.endswith(".pdf"):
            assert texts(contents)


def every_text(value: Any, text: str) -> Any:
    """Data with this text in place of each that they hold, but for drawings."""
    if isinstance(value, dict):
        return {key: one if key == "svg" else every_text(one, text) for key, one in value.items()}
    if isinstance(value, list):
        return [every_text(one, text) for one in value]
    return text if isinstance(value, str) else value


@pytest.mark.parametrize("text", [*HOSTILE, '"><script>alert(1)</script>', "' onclick=alert(1) '"])
def test_hostile_text_in_every_place(tmp_path: Path, text: str) -> None:
    """Whatever stands in the data of a page, the page has the same elements with the same attributes."""
    check = checked(tmp_path)
    group = group_data(check)
    pupil, _ = pupil_data(check, check.by_pupil["pupil"].iloc[0], 6)
    svg = {"svg": "<svg></svg>"}
    group["findings"] = [finding | svg for finding in group["findings"]]
    pupil["exercises"] = [exercise | svg for exercise in pupil["exercises"]]

    for template, data in (("pupils/group.html", group), ("pupils/pupil.html", pupil)):
        hostile, harmless = (
            elements(page_bytes(template, every_text(data, one), "").decode()) for one in (text, "A")
        )
        assert hostile == harmless


def test_nobody(tmp_path: Path) -> None:
    """A list of which nobody has a game there gives a page that says so."""
    check = check_games(club_store(tmp_path), [written(tmp_path, [game(QUIET)])], ["Nobody"])

    files = pupils_files(check)

    assert set(files) == {"group.html", "group.pdf", "group.csv"}
    assert "number 1 of the list" in files["group.html"].decode()
