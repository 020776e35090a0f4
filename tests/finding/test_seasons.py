"""Seasons of the school year, shares with intervals, and whether a mistake dies out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats as scipy_stats

from miner.finding.seasons import change_between, season_of, seasons_of


@pytest.mark.parametrize(
    ("year", "month", "starts", "season"),
    [
        (2024, 8, 8, "2024/25"),
        (2025, 7, 8, "2024/25"),
        (1999, 12, 8, "1999/00"),
        (2024, 5, 1, "2024"),
        (2024, 0, 1, "2024"),  # where seasons are calendar years, the year is enough
        (2024, 0, 8, ""),
        (2024, 13, 8, ""),
    ],
)
def test_season_of_a_date(year: int, month: int, starts: int, season: str) -> None:
    """A season is named by the two years it lies in."""
    assert season_of(year, month, starts) == season


def months(*rows: tuple[int, int, int, int]) -> pd.DataFrame:
    """Counts of one losing reply: year, month, games, games with the reply."""
    table = pd.DataFrame(rows, columns=["year", "month", "games", "with_reply"])
    return table.assign(key=1, move=2)


def test_months_are_added_up() -> None:
    """September and May are one season; a game without a month is left out."""
    found = seasons_of(months((2024, 9, 30, 10), (2025, 5, 10, 2), (2024, 0, 5, 5)), 8, confidence=0.9)

    [row] = found.to_dict("records")
    assert (row["season"], row["games_at_position"], row["games_with_reply"]) == ("2024/25", 40, 12)
    assert row["share"] == 0.3
    assert row["share_low"] == pytest.approx(scipy_stats.beta(12.5, 28.5).ppf(0.05))
    assert row["share_high"] == pytest.approx(scipy_stats.beta(12.5, 28.5).ppf(0.95))


def test_no_dates_no_seasons() -> None:
    """A database without months has an empty table with all columns."""
    found = seasons_of(months((2024, 0, 5, 5)), 8, confidence=0.9)

    assert len(found) == 0
    assert "share_high" in found.columns


def test_a_mistake_dies_out() -> None:
    """20 of 40 and then 4 of 40 is no chance; the p-value is that of the test by hand."""
    change = change_between([("2023/24", 40, 20), ("2024/25", 40, 4)])

    assert (change.trend, change.before, change.last) == ("falling", "2023/24", "2024/25")
    assert change.p == pytest.approx(scipy_stats.fisher_exact(np.array([[4, 36], [20, 20]])).pvalue)


def test_order_and_small_seasons_do_not_matter() -> None:
    """The last two seasons with enough games are compared, in their own order."""
    change = change_between([("2025/26", 3, 3), ("2024/25", 50, 40), ("2022/23", 50, 1), ("2023/24", 50, 10)])

    assert (change.trend, change.before, change.last) == ("rising", "2023/24", "2024/25")


def test_chance_is_no_trend() -> None:
    """10 and 12 of 40 are the same for all we know; one season is no trend at all."""
    assert change_between([("2023/24", 40, 10), ("2024/25", 40, 12)]).trend == "steady"
    assert change_between([("2024/25", 40, 12)]).trend == ""
    assert change_between([]).p is None


def test_tea_tasting() -> None:
    """Fisher's own table of four and four cups, three guessed right: p is 0.486 (two-sided).

    Source: R. A. Fisher, The Design of Experiments (1935), chapter II, from memory: 34 of 70.
    """
    change = change_between([("2023", 4, 1), ("2024", 4, 3)], enough=4)

    assert change.p == pytest.approx(34 / 70)
