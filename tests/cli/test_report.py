"""`miner report`: what it writes and says."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from miner.store import Store
from tests.cli.conftest import Told
from tests.report.stores import contents_of

Miner = Callable[..., Told]


def test_page_is_written_and_told(club: Path, miner: Miner, tmp_path: Path) -> None:
    """One file with all findings, and a line that says so."""
    told = miner("report", "--store", club, "--out", tmp_path / "report.html")

    rows = Store.open(club).read_table("findings").num_rows
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith(f"wrote {tmp_path / 'report.html'} ({rows} findings, ")


def test_page_shows_no_names(club: Path, miner: Miner, tmp_path: Path) -> None:
    """No pupil's name is in it."""
    miner("report", "--store", club, "--out", tmp_path / "report.html")

    assert not re.search(r"Pupil \d", (tmp_path / "report.html").read_text(encoding="utf-8"))


def test_comments_on_a_model_game(club: Path, miner: Miner, tmp_path: Path) -> None:
    """As many as were asked for are told to be there; what is said of the move that errs is on the page."""
    page, means = tmp_path / "report.html", ("--cache", tmp_path / "cache", "--nodes", "1000")

    told = miner("report", "--store", club, "--out", page, "--comments", "1", *means)

    assert (told.code, told.err) == (0, "")
    assert ", 1 model game with comments, " in told.out
    first, *others = [model for one in contents_of(page)["mistakes"] for model in one["models"]]
    assert first["at"] in [one["ply"] for one in first["comments"]["beside"]]
    assert not any(model["comments"] for model in others)
    assert not re.search(r"Pupil \d", page.read_text(encoding="utf-8"))


def test_other_suffix(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A page is HTML; nothing is written under another name."""
    told = miner("report", "--store", club, "--out", tmp_path / "report.pdf")

    assert told.code == 2
    assert ".html" in told.err
    assert list(tmp_path.iterdir()) == []


def test_motifs_of_the_scan(raided: Path, miner: Miner, tmp_path: Path) -> None:
    """They are on the page, with whole games to step through, and on the boxes of the map."""
    told = miner("report", "--store", raided, "--out", tmp_path / "report.html")

    contents = contents_of(tmp_path / "report.html")
    assert told.code == 0
    assert contents["motifs"]["games"] == 10
    told_of = contents["motifs"]["list"]
    names = [motif["name"] for motif in told_of]
    assert "double attack: queen on e5" in names
    assert all(example["path"]["san"] for motif in told_of for example in motif["examples"])
    assert contents["map"]["motifs"][0][0] == 10
