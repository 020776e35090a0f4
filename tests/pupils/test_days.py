"""Before a lesson or after it."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.pupils.roster import is_day, period_of

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
