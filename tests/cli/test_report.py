"""`miner report`: what it writes and says."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from miner.store import Store
from tests.cli.conftest import Told

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


def test_other_suffix(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A page is HTML; nothing is written under another name."""
    told = miner("report", "--store", club, "--out", tmp_path / "report.pdf")

    assert told.code == 1
    assert ".html" in told.err
    assert list(tmp_path.iterdir()) == []
