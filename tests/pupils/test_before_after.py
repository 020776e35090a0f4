"""Rates before and after a lesson, against scipy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from miner.pupils.before_after import (
    EVERYBODY,
    ChangeVerdict,
    dispersion,
    progress_of,
    rate_change,
    verdict_of,
)

COUNTS = st.integers(0, 60)


@given(COUNTS, COUNTS, COUNTS, COUNTS)
def test_rates_are_jeffreys_posteriors(yes: int, no: int, yes_after: int, no_after: int) -> None:
    """Each rate is told by the quantiles of Beta(k + 1/2, n - k + 1/2)."""
    change = rate_change((yes, no), (yes_after, no_after), confidence=0.8)

    before, after = stats.beta(yes + 0.5, no + 0.5), stats.beta(yes_after + 0.5, no_after + 0.5)
    told = [change.before_low, change.before, change.before_high]
    assert told == pytest.approx(before.ppf([0.1, 0.5, 0.9]), abs=1e-9)
    told = [change.after_low, change.after, change.after_high]
    assert told == pytest.approx(after.ppf([0.1, 0.5, 0.9]), abs=1e-9)


@pytest.mark.parametrize(
    ("before", "after"), [((12, 8), (3, 17)), ((1, 0), (0, 1)), ((0, 0), (0, 0)), ((300, 900), (280, 920))]
)
def test_difference_against_integration(before: tuple[int, int], after: tuple[int, int]) -> None:
    """The bounds of the difference cut off a twentieth on either side, by numerical integration."""
    change = rate_change(before, after, confidence=0.9)

    first, second = (stats.beta(yes + 0.5, no + 0.5) for yes, no in (before, after))
    for bound, share in ((change.change_low, 0.05), (change.change, 0.5), (change.change_high, 0.95)):
        below, _ = integrate.quad(
            lambda u, bound=bound: second.cdf(first.ppf(u) + bound), 0.0, 1.0, limit=200
        )
        assert below == pytest.approx(share, abs=2e-3)
    lower, _ = integrate.quad(lambda u: second.cdf(first.ppf(u)), 0.0, 1.0, limit=200)
    assert change.p_lower == pytest.approx(lower, abs=2e-3)


def test_difference_against_drawing() -> None:
    """The same by a hundred thousand draws."""
    change = rate_change((12, 8), (3, 17))

    draw = np.random.default_rng(3)
    drawn = draw.beta(3.5, 17.5, 100_000) - draw.beta(12.5, 8.5, 100_000)
    assert [change.change_low, change.change_high] == pytest.approx(
        np.quantile(drawn, [0.05, 0.95]), abs=0.01
    )


@given(COUNTS, COUNTS, COUNTS, COUNTS)
def test_turned_around(yes: int, no: int, yes_after: int, no_after: int) -> None:
    """Exchanging before and after turns the difference's sign."""
    there, back = (
        rate_change((yes, no), (yes_after, no_after)),
        rate_change((yes_after, no_after), (yes, no)),
    )

    assert there.change_low == pytest.approx(-back.change_high, abs=2e-3)
    assert there.change_high == pytest.approx(-back.change_low, abs=2e-3)


def test_dispersion() -> None:
    """Pupils who differ as by chance have 1; two who do the opposite, Pearson's statistic: by hand 20 / 1."""
    alike = dispersion(np.array([5.0, 5.0]), np.array([5.0, 5.0]))
    opposite = dispersion(np.array([10.0, 0.0]), np.array([0.0, 10.0]))
    alone = dispersion(np.array([3.0]), np.array([7.0]))

    assert (alike, opposite, alone) == (1.0, 20.0, 1.0)


def test_dispersion_is_the_chi_square_test_s() -> None:
    """Over pupils with one rate it is the statistic of the test of homogeneity by its degrees of freedom."""
    yes, no = np.array([9.0, 1.0, 4.0]), np.array([3.0, 11.0, 8.0])

    expected = stats.chi2_contingency(np.stack([yes, no]), correction=False)

    assert dispersion(yes, no) == pytest.approx(expected.statistic / expected.dof)


def meetings(*told: tuple[str, str, str, int]) -> pd.DataFrame:
    """So many meetings, each in a game of its own: pupil, period, outcome, how often."""
    rows: list[dict[str, Any]] = []
    for pupil, period, outcome, times in told:
        rows += [
            {
                "pupil": pupil,
                "period": period,
                "outcome": outcome,
                "source": 1,
                "number": len(rows) + at,
                "key": 1,
            }
            for at in range(times)
        ]
    return pd.DataFrame(rows, columns=["pupil", "period", "outcome", "source", "number", "key"])


def verdict(table: pd.DataFrame, pupil: str = "A", skill: str = "falling in") -> str:
    """What is said of a pupil."""
    [row] = table[(table["pupil"] == pupil) & (table["skill"] == skill)].to_dict("records")
    return str(row["verdict"])


@pytest.mark.parametrize(
    ("fell", "avoided", "fell_after", "avoided_after", "said"),
    [
        (18, 2, 2, 18, "better"),
        (2, 18, 18, 2, "worse"),
        (10, 10, 9, 11, "no clear change"),
        (1, 16, 3, 6, "no clear change"),
        (0, 20, 6, 14, "worse"),
        (4, 0, 0, 20, "too little to tell"),
        (20, 0, 0, 4, "too little to tell"),
    ],
)
def test_verdicts(fell: int, avoided: int, fell_after: int, avoided_after: int, said: str) -> None:
    """A change is told where it is clear, and only from five occasions on either side on.

    Of 1 in 17 and 3 in 9 the exact test makes p 0.10, of 0 in 20 and 6 in 20 p 0.02.
    """
    table = progress_of(
        meetings(
            ("A", "before", "fell in", fell),
            ("A", "before", "avoided", avoided),
            ("A", "after", "fell in", fell_after),
            ("A", "after", "avoided", avoided_after),
        ),
        confidence=0.9,
    )

    assert verdict(table) == said


def test_shares_of_weighed_counts_are_not_rounded_away() -> None:
    """6 of 14 and then 2 of 17, worth 16.15 times, is no clear change: p = 0.10 by 2 of 16, not 0.04."""
    shown, weighed = (6, 8, 2, 15), (6.0, 8.0, 1.9, 14.25)

    assert verdict_of("falling in", shown, weighed) is ChangeVerdict.UNCLEAR


def test_more_punishing_is_better() -> None:
    """Of falling in, less is better; of punishing, more is."""
    told = meetings(
        ("A", "before", "missed", 18),
        ("A", "before", "punished", 2),
        ("A", "after", "punished", 18),
        ("A", "after", "missed", 2),
    )

    assert verdict(progress_of(told, confidence=0.9), skill="punishing") == "better"


def test_group_compares_the_same_pupils() -> None:
    """Who has no games on one side does not count for the group."""
    told = meetings(
        ("A", "before", "fell in", 10),
        ("A", "after", "avoided", 10),
        ("B", "before", "avoided", 50),
        ("C", "after", "fell in", 50),
    )

    table = progress_of(told, confidence=0.9)

    [row] = table[table["pupil"] == EVERYBODY].to_dict("records")
    assert [row[name] for name in ("yes_before", "no_before", "yes_after", "no_after")] == [10, 0, 0, 10]


def test_group_allows_for_differences() -> None:
    """Pupils who differ much from each other make the group's interval wider than their games alone would."""
    told = meetings(
        ("A", "before", "fell in", 20),
        ("A", "after", "avoided", 20),
        ("B", "before", "avoided", 20),
        ("B", "after", "avoided", 20),
    )

    row = progress_of(told, confidence=0.9).query("pupil == 'all'").iloc[0]

    by_games = rate_change((20, 20), (0, 40))
    assert row["change_low"] < by_games.change_low
    assert row["change_high"] > by_games.change_high


def test_games_without_a_side_do_not_count() -> None:
    """Undated games and those of the day itself are on neither side."""
    assert progress_of(meetings(("A", "", "fell in", 9)), confidence=0.9).empty
