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
from miner.pupils.page_data import answers_data, group_data, pupil_data
from miner.pupils.pages import pupils_files
from miner.store import Store
from tests.export.examples import vienna
from tests.lesson.pages import HOSTILE, diagrams, texts
from tests.pupils.clubs import (
    INTO_LEGAL,
    INTO_VIENNA,
    QUIET,
    club_findings,
    club_store,
    followed_row,
    game,
    written,
)

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
        answers, page = files[f"{name}-answers.html"].decode(), files[f"{name}.html"].decode()
        assert f'href="{name}-answers.html"' in page
        assert page.count("<figure>") == answers.count("<li>") > 0
        assert f"<h1>Answers: {pupil}</h1>" in answers
        first = answers.split("<li><b>")[1].partition("</b>")[0]  # a solution
        assert first not in page


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


def test_a_change_is_told_in_plain_words(tmp_path: Path) -> None:
    """Counts on either side, a picture of them, and what they say; no percentage points."""
    moves = [f"{INTO_VIENNA} exf4 e5"] * 10 + [f"{INTO_VIENNA} d5 fxe5"] * 10
    days = [*(f"2025.01.{day:02}" for day in range(1, 11)), *(f"2025.03.{day:02}" for day in range(1, 11))]
    games = [game(line, "Anna", "Bert", Date=day) for line, day in zip(moves, days, strict=True)]
    store = club_store(tmp_path)

    check = check_games(store, [written(tmp_path, games)], ["Bert"], lesson=date(2025, 2, 1))
    files = pupils_files(check, pdf=False)

    page = files[f"{check.by_pupil['pupil'].iloc[0].lower().replace(' ', '-')}.html"].decode()
    assert "10 of 10 times before the lesson, 0 of 10 times after it. That is better, and by more" in page
    assert 'aria-label="before 100 of 100 times; after 0 of 100 times"' in page
    assert "percentage" not in page
    assert "probability" not in page


@pytest.mark.parametrize(
    ("kept", "words"),
    [
        (0.6, "answered 3...exf4 with 4.d3 (which keeps at least half of the gain)"),
        (0.4, "answered 3...exf4 with 4.d3"),
        (None, "answered 3...exf4 with 4.d3"),
    ],
)
def test_an_answer_that_keeps_half_is_told_so(tmp_path: Path, kept: float | None, words: str) -> None:
    """It does not punish as it could, and yet its player stands better for the mistake."""
    store = club_store(tmp_path, followed=[followed_row(vienna(), "d3", kept)])

    check = check_games(store, [written(tmp_path, [game(f"{INTO_VIENNA} exf4 d3")])], ["Anna"])

    [wrong] = pupil_data(check, check.by_pupil["pupil"].iloc[0], 6)[0]["wrong"]
    assert wrong["what"] == words


def test_group_and_pupil_agree(tmp_path: Path) -> None:
    """The column of the group says of common mistakes what the pupil's page says of them."""
    moves = [f"{INTO_VIENNA} exf4 e5", f"{INTO_VIENNA} d5 fxe5"] * 6 + [f"{INTO_LEGAL} h6 h3"]
    days = [f"2025.{'01' if at % 4 < 2 else '03'}.{at + 1:02}" for at in range(len(moves))]
    games = [game(line, "Anna", "Bert", Date=day) for line, day in zip(moves, days, strict=True)]
    trap = game(f"{INTO_VIENNA} exf4 e5", "Bert", "Anna", Date="2025.03.20")
    store = club_store(tmp_path)

    check = check_games(store, [written(tmp_path, [*games, trap])], ["Bert"], lesson=date(2025, 2, 1))
    group, (pupil, _) = group_data(check), pupil_data(check, check.by_pupil["pupil"].iloc[0], 6)

    assert group["pupils"][0]["since"] == "made: no clear change, punished: too little to tell"
    assert pupil["lesson"]["told"] == [
        "No clear change (as much may be chance): common mistakes (made).",
        "Too little to tell (it takes 5 times on either side): common mistakes (punished).",
    ]
    made, punished = pupil["lesson"]["parts"]
    assert ("shorter" in made["heading"], "longer" in punished["heading"]) == (True, True)
    assert [len(part["rows"][0]["bars"]) for part in (made, punished)] == [2, 0]
    assert "Common mistakes since the lesson" in pupils_files(check, pdf=False)["group.html"].decode()


@pytest.mark.parametrize(
    ("games", "praise"),
    [
        (
            [f"{INTO_VIENNA} d5 fxe5"] * 2,
            "<b>3...exf4</b> (Vienna Gambit): avoided twice, each time; players",
        ),
        ([f"{INTO_VIENNA} d5 fxe5"], None),
        ([f"{INTO_VIENNA} d5 fxe5", f"{INTO_VIENNA} exf4 e5"], None),
    ],
)
def test_what_went_well_only_if_it_did(tmp_path: Path, games: list[str], praise: str | None) -> None:
    """To avoid what a third fall for once is chance; to have fallen for it is nothing to be praised."""
    store = club_store(tmp_path, [vienna(pick_rate=0.35)])
    played = [game(moves, Date=f"2025.01.{day:02}") for day, moves in enumerate(games, start=1)]

    check = check_games(store, [written(tmp_path, played)], ["Bert"])
    files = pupils_files(check, pdf=False)

    [page] = [text.decode() for name, text in files.items() if re.fullmatch(r"pupil-\d+\.html", name)]
    assert ("What went well" in page) == (praise is not None)
    assert praise is None or praise in page


def test_games_can_be_found_again(tmp_path: Path) -> None:
    """By number, colour and day; by the file as well where there are two, and those are named with names."""
    store = club_store(tmp_path)
    files = [
        written(tmp_path, [game(QUIET, Date=day), game(f"{INTO_VIENNA} exf4 e5", Date=day)], name)
        for name, day in (("a.pgn", "2025.01.10"), ("b.pgn", "2025.01.11"))
    ]
    members = [Member("Bert")]

    one = pupils_files(check_games(store, files[:1], members), pdf=False)
    two = pupils_files(check_games(store, files, members, names=True), pdf=False)

    [page], [both] = (
        [text.decode() for name, text in made.items() if re.fullmatch(r"pupil-\d+\.html", name)]
        for made in (one, two)
    )
    assert "game 2 (Black, 2025.01.10)" in page
    assert "A game&#39;s number counts the games of its file from 1" in page
    assert "file 2, game 2 (Black, 2025.01.11)" in both
    assert "file 1 is a.pgn; file 2 is b.pgn" in two["group.html"].decode()
    assert "a.pgn" not in one["group.html"].decode()


def test_dates_are_those_of_all_games(tmp_path: Path) -> None:
    """Games that met no finding, and of others none but the undated, belong to the days that are told."""
    store = club_store(tmp_path, [vienna()])
    played = [
        game(QUIET, Date="2024.11.02"),
        game(f"{INTO_VIENNA} exf4 e5", Date="2025.01.10"),
        game(QUIET, "Cleo", Date="2025.02.01"),
        game(QUIET, Date="????.??.??"),
        game(QUIET, "Cleo", "Dora", Date="2025.06.28"),
    ]

    check = check_games(store, [written(tmp_path, played)], ["Bert", "Cleo"], names=True)

    pages = {called: pupil_data(check, pupil, 6)[0]["subtitle"] for pupil, called in check.names.items()}
    assert pages == {
        "Bert": "4 games, from 2024.11.02 to 2025.02.01",
        "Cleo": "2 games, from 2025.02.01 to 2025.06.28",
    }
    assert "5 games of theirs, from 2024.11.02 to 2025.06.28" in group_data(check)["subtitle"]


def test_one_is_singular(tmp_path: Path) -> None:
    """One player of the list has no game, one game is of nobody."""
    store = club_store(tmp_path)
    played = written(tmp_path, [game(f"{INTO_VIENNA} exf4 e5"), game(QUIET, "Carl", "Dora")])

    page = pupils_files(check_games(store, [played], ["Bert", "Emma"]), pdf=False)["group.html"].decode()

    assert "1 player of the list has no game here: number 2" in page
    assert "1 game does not count: none of the pupils played in them" in page


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


def group_motif() -> dict[str, str]:
    """A motif of the group's page."""
    names = ("fen", "bottom", "alt", "motif", "line", "opening", "who", "pupils", "fell", "found", "costs")
    return dict.fromkeys(names, "A")


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
    group["motifs"] = [group_motif() | svg]
    pupil["exercises"] = [exercise | svg for exercise in pupil["exercises"]]

    pages = {"group": group, "pupil": pupil, "answers": answers_data(pupil)}
    for name, data in pages.items():
        template = f"pupils/{name}.html"
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
