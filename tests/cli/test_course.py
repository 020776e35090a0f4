"""`miner course` on the club's store, with a real engine."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import chess.pgn
import pytest
from pypdf import PdfReader

from tests.browser import OpenFile, browser, look
from tests.cli.conftest import Told

__all__ = ["browser", "look"]  # fixtures
pytestmark = pytest.mark.engine

Miner = Callable[..., Told]


@pytest.fixture
def asked(club: Path, engine: Path, tmp_path: Path) -> list[object]:
    """A course for White against Black's replies to 2.Qh5."""
    return [
        *("course", "--store", club, "--side", "white", "--band", "800-1399", "--nodes", "2000"),
        *("--from", "1.e4 e5 2.Qh5", "--engine", engine, "--cache", tmp_path / "cache"),
        *("--out", tmp_path / "out"),
    ]


def test_booklet_page_and_games(miner: Miner, asked: list[object], tmp_path: Path, look: OpenFile) -> None:
    """2...Nc6 comes too often for one chapter: there are three; games are read back, the page is quiet."""
    (tmp_path / "claims.txt").write_text("1.e4 e5 2.Qh5: g6 is bad\n", encoding="utf-8")

    told = miner(*asked, "--claims", tmp_path / "claims.txt")

    assert (told.code, told.err) == (0, "")
    assert "3 chapters: 3 lines cover " in told.out
    assert "1.e4 e5 2.Qh5: g6 is bad: Not to be told from these games." in told.out
    assert "chose 2...g6 in 10 of 26 games there. That was a first look only." in told.out
    out = tmp_path / "out"
    games = []
    text = io.StringIO((out / "course.pgn").read_text(encoding="utf-8"))
    while game := chess.pgn.read_game(text):
        games.append(game)
    assert not any(game.errors for game in games)
    assert [game.headers["Event"] for game in games] == [
        "Chapter 1: 2.Qh5 g6",
        "Chapter 2: 3.Bc4 Nf6",
        "Chapter 3: 3.Bc4 g6",
    ]
    assert [move.uci() for move in games[0].mainline_moves()][:5] == ["e2e4", "e7e5", "d1h5", "g7g6", "h5e5"]
    pdf = "".join(page.extract_text() for page in PdfReader(out / "course.pdf").pages)
    for part in (
        "What comes on the board".upper(),
        "3.Qxe5+",
        "Exercise 1.1",
        "Answers",
        "All of it on a page",
    ):
        assert part in pdf
    page = look(out / "course.html")
    assert page.page.locator("section h2").count() == 3
    assert page.page.locator("svg.coverage").count() == 1
    assert (page.complaints, page.requests) == ([], [page.url])


def test_same_course_gives_the_same_bytes(miner: Miner, asked: list[object], tmp_path: Path) -> None:
    """A second call changes no file."""
    miner(*asked)
    before = {file.name: file.read_bytes() for file in (tmp_path / "out").iterdir()}

    miner(*asked)

    assert {file.name: file.read_bytes() for file in (tmp_path / "out").iterdir()} == before
    assert {"course.pdf", "course.html", "course.pgn"} <= before.keys()
    assert not any(b"Pupil" in contents for contents in before.values())


def test_repertoire_decides(miner: Miner, asked: list[object], tmp_path: Path) -> None:
    """3.Qf3 is nobody's move but the repertoire's."""
    (tmp_path / "ours.pgn").write_text("1. e4 e5 2. Qh5 Nc6 3. Bc4 g6 4. Qf3 *\n", encoding="utf-8")

    told = miner(*asked, "--repertoire", tmp_path / "ours.pgn", "--no-pdf")

    assert told.code == 0
    assert "The moves are the repertoire's" in (tmp_path / "out" / "course.html").read_text(
        encoding="utf-8"
    ).replace("&#39;", "'")
    assert not (tmp_path / "out" / "course.pdf").exists()


@pytest.mark.parametrize(
    ("more", "code", "says"),
    [
        (("--band", "801-999"), 2, "no band is called 801-999"),
        (("--from", "1.h4"), 2, "too few games"),
        (("--band", "800-999", "--from", "1.e4 e5"), 2, "no reply comes often enough for a chapter"),
        (("--claims", "none.txt"), 1, "none.txt: the claims cannot be read"),
    ],
)
def test_wrong_use_is_told_in_a_line(
    miner: Miner, asked: list[object], more: tuple[str, ...], code: int, says: str
) -> None:
    """What is wrong and what to do; no traceback."""
    told = miner(*asked, *more)

    assert told.code == code
    assert says in told.err
    assert told.err.count("\n") == 1
