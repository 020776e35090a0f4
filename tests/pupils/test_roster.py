"""Whose games count, pseudonyms, and the days of games."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.errors import MinerError, SourceError, UsageError
from miner.pupils.roster import Member, Roster, is_day, period_of, read_roster


def listed(folder: Path, text: str, encoding: str = "utf-8") -> list[Member]:
    """The members of a file with this text."""
    path = folder / "players.csv"
    path.write_text(text, encoding=encoding)
    return read_roster(path)


def test_one_name_a_line(tmp_path: Path) -> None:
    """Without a heading a line is a name, commas and all; empty lines do not count."""
    assert listed(tmp_path, "Moor, Anna\n\n  Bert \r\n") == [Member("Moor, Anna"), Member("Bert")]


@pytest.mark.parametrize("comma", [",", ";"])
def test_table(tmp_path: Path, comma: str) -> None:
    """Columns in any order, names in quotation marks, dates with hyphens or points."""
    rows = [["Group", "Name", "Since"], ["U12", '"Moor, Anna; jun."', "2025-01-15"], ["", "Bert", ""]]
    text = "\n".join(comma.join(row) for row in rows)

    assert listed(tmp_path, text, "utf-8-sig") == [
        Member("Moor, Anna; jun.", "U12", "2025.01.15"),
        Member("Bert"),
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("name,group\nAnna,U12\nMoor, Bert,U12\n", 3),
        ("name,since\nAnna,soon\n", 2),
        ("", None),
        ("name,group\n", None),
    ],
)
def test_what_is_wrong_is_told_without_names(tmp_path: Path, text: str, line: int | None) -> None:
    """The line is told, and nothing of what stands in it."""
    with pytest.raises(UsageError) as caught:
        listed(tmp_path, text)

    assert caught.value.where is not None
    assert caught.value.where.line == line
    assert not any(name in str(caught.value) for name in ("Anna", "Bert", "Moor"))


def test_other_encoding(tmp_path: Path) -> None:
    """A list in another encoding says how to save it."""
    with pytest.raises(SourceError, match="UTF-8"):
        listed(tmp_path, "Jürgen", "latin-1")


def test_no_list(tmp_path: Path) -> None:
    """A file that is not there is named."""
    with pytest.raises(MinerError, match="players"):
        read_roster(tmp_path / "players.txt")


def test_first_entry_counts() -> None:
    """Who is listed twice counts as the first entry says."""
    roster = Roster.of(b"salt", [Member("Anna", "U12"), Member(" ANNA ", "U14"), Member("?")])

    [member] = roster.members.values()
    assert member.group == "U12"


LESSON = date(2025, 1, 20)


@pytest.mark.parametrize(
    ("day", "period"),
    [
        ("2025.01.19", "before"),
        ("2025.01.20", ""),
        ("2025.01.21", "after"),
        ("2024.??.??", "before"),
        ("2025.??.??", ""),
        ("2025.01.??", ""),
        ("2025.02.??", "after"),
        ("2026", "after"),
        ("????.??.??", ""),
        ("2025.1.5", "before"),
        ("20.01.2025", ""),
        ("", ""),
        ("<b>", ""),
    ],
)
def test_period(day: str, period: str) -> None:
    """A date decides as far as it is known; the day itself and what is left open do not."""
    assert period_of(day, LESSON) == period


@given(st.dates(), st.integers(-400, 400))
def test_whole_dates(lesson: date, days: int) -> None:
    """A whole date is before or after as the calendar has it."""
    try:
        day = lesson + timedelta(days=days)
    except OverflowError:
        return

    assert period_of(f"{day:%Y}".zfill(4) + f".{day:%m.%d}", lesson) == (
        "before" if days < 0 else "after" if days else ""
    )


@pytest.mark.parametrize(
    ("text", "fine"),
    [("2025", True), ("2025.01", True), ("2025.01.02", True), ("25", False), ("2025.", False)],
)
def test_limits(text: str, fine: bool) -> None:
    """The dates that a list may hold."""
    assert is_day(text) == fine
