from __future__ import annotations

import pytest

from miner.pgn.tags import is_within, rated_of


@pytest.mark.parametrize(
    ("date", "since", "until", "passes"),
    [
        ("2024.09.15", "", "", True),
        ("2024.09.15", "2024.09.15", "2024.09.15", True),
        ("2024.09.14", "2024.09.15", "", False),
        ("2024.09.??", "2024", "2024", True),
        ("2024.09.??", "2024.09", "", True),
        ("2024.09.??", "2024.09.01", "", False),
        ("2024.??.??", "", "2024.12", False),
        ("????.??.??", "1900", "", False),
        ("", "1900", "", False),
        ("2025.01.01", "", "2024", False),
    ],
)
def test_dates(date: str, since: str, until: str, passes: bool) -> None:
    """A date passes if it is known as far as the limit goes and lies within."""
    assert is_within(date, since, until) is passes


@pytest.mark.parametrize(
    ("event", "rated"),
    [
        ("Rated blitz game", "rated"),
        ("Casual game", "casual"),
        ("Unrated game", "casual"),
        ("Club evening", ""),
    ],
)
def test_rated(event: str, rated: str) -> None:
    """The event says whether a game was rated, or nothing."""
    assert rated_of(event) == rated
