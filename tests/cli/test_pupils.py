"""`miner pupils`: what it writes and says."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

from tests.cli.conftest import NAMES, Told

Miner = Callable[..., Told]


def test_pages_are_written_and_told(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """The games seen, the folder, and where to begin; no name is told or written."""
    told = miner("pupils", "--store", club, "--games", games, "--out", tmp_path / "out", "--no-pdf")

    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("26 games seen: 26 kept\nwrote ")
    assert (tmp_path / "out" / "group.html").is_file()
    # The club's players are called Pupil 1 to Pupil 10; pseudonyms have four digits.
    for file in (tmp_path / "out").iterdir():
        assert not any(f"{name}<" in file.read_text(encoding="utf-8") for name in NAMES)


def test_listed_players(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Only listed players get a page; how many of the list are not there is told, but not who."""
    (tmp_path / "list.txt").write_text(f"{NAMES[0]}\nSomebody Else\n", encoding="utf-8")
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--out", tmp_path / "out")

    told = miner(*call, "--players", tmp_path / "list.txt")

    assert told.err == "1 of the list have no game there\n"
    assert len(list((tmp_path / "out").glob("pupil-*.html"))) == 1


def test_names(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Names are on the pages if asked for, and the coach is reminded."""
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--out", tmp_path / "out")

    told = miner(*call, "--names")

    assert told.out.endswith("The pages hold names: keep them to yourself.\n")
    assert f">{NAMES[0]}<" in (tmp_path / "out" / "group.html").read_text(encoding="utf-8")


def test_forgotten_pupil(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Who was forgotten has no page again, nor a line or a number in the group's, from the old games."""
    store = shutil.copytree(club, tmp_path / "store")
    call = ("pupils", "--store", store, "--games", games, "--no-pdf", "--names", "--out")
    miner(*call, tmp_path / "before")
    miner("forget", NAMES[0], "--store", store, "--yes", "--run", "--cache", club.parent / "cache")

    told = miner(*call, tmp_path / "after")

    before, after = ({file.name for file in (tmp_path / name).iterdir()} for name in ("before", "after"))
    assert told.out.startswith("26 games seen: 23 kept, 3 forgotten\n")
    assert len([name for name in before - after if name.endswith(".html")]) == 1
    for file in (tmp_path / "after").iterdir():
        assert not re.search(rf"{NAMES[0]}\b", file.read_text(encoding="utf-8")), file.name


def test_pages_of_an_earlier_call(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Pages of pupils who are not listed any more are told, not deleted."""
    (tmp_path / "list.txt").write_text(NAMES[0], encoding="utf-8")
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--out", tmp_path / "out")
    miner(*call)

    told = miner(*call, "--players", tmp_path / "list.txt")

    assert "still holds" in told.err


def test_wrong_day(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """A day that is none is wrong use, and nothing is written."""
    told = miner(
        "pupils", "--store", club, "--games", games, "--out", tmp_path / "out", "--lesson-date", "soon"
    )

    assert told.code == 2
    assert not (tmp_path / "out").exists()
