"""What knowing a losing reply is worth, by hand and in general."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.arrays import Floats
from miner.rank.worth import Share, points, reach_share

SHARES = st.floats(0.001, 1.0)
CERTAIN = 1.0  # the lower bound is the value


def worth_of(
    reach: float, rate: float, gain: float, missed: float = 1.0, *, parts: tuple[float, ...] = (CERTAIN,) * 4
) -> dict[str, Floats]:
    """One losing reply; `parts` are the lower bounds as shares of the values."""
    values = (reach, rate, gain, missed)
    shares = [
        Share(np.array([value]), np.array([value * part])) for value, part in zip(values, parts, strict=True)
    ]
    return points(*shares)


def test_points_by_hand() -> None:
    """A position in 1 of 5 games, where 1 of 4 chooses a reply that loses 0.4: 2 points per 100 games."""
    worth = worth_of(0.2, 0.25, 0.4)

    assert worth["points_per_100"][0] == worth["points_per_100_low"][0] == pytest.approx(2.0)


def test_teaching_adds_what_is_missed_today() -> None:
    """Where 3 of 4 pupils find the punishment by themselves, teaching it adds a quarter of the 2 points."""
    worth = worth_of(0.2, 0.25, 0.4, missed=0.25)

    assert worth["teaching_value"][0] == worth["teaching_value_low"][0] == pytest.approx(0.5)
    assert worth["points_per_100"][0] == pytest.approx(2.0)


def test_spreads_add_up_in_squares() -> None:
    """Pick rate and gain each down by e^-0.3 and e^-0.4: the bound is down by e^-0.5."""
    worth = worth_of(0.2, 0.25, 0.4, parts=(CERTAIN, math.exp(-0.3), math.exp(-0.4), CERTAIN))

    assert worth["points_per_100_low"][0] == pytest.approx(2.0 * math.exp(-0.5))


def test_uncertain_reach() -> None:
    """The lower bound of a reach is 1.645 standard deviations of its logarithm below."""
    share = reach_share(np.array([0.2]), np.array([0.04]), confidence=0.9)

    assert share.low[0] == pytest.approx(0.2 * math.exp(-1.6449 * 0.2), rel=1e-4)


@given(values=st.tuples(SHARES, SHARES, SHARES, SHARES), parts=st.tuples(SHARES, SHARES, SHARES, SHARES))
def test_bounds_are_no_more_than_any_share_leaves(
    values: tuple[float, ...], parts: tuple[float, ...]
) -> None:
    """A bound lies above 0 and not above what any one of the uncertainties leaves."""
    worth = worth_of(*values, parts=parts)

    assert 0.0 < worth["points_per_100_low"][0] <= worth["points_per_100"][0] * min(parts[:3]) * (1 + 1e-9)
    assert 0.0 < worth["teaching_value_low"][0] <= worth["teaching_value"][0] * min(parts) * (1 + 1e-9)
    assert worth["teaching_value"][0] <= worth["points_per_100"][0] * (1 + 1e-9)


def test_more_games_raise_the_bound_not_the_points() -> None:
    """Of two replies worth the same the better known one comes first."""
    few = worth_of(0.2, 0.25, 0.4, parts=(CERTAIN, 0.2, CERTAIN, CERTAIN))
    many = worth_of(0.2, 0.25, 0.4, parts=(CERTAIN, 0.9, CERTAIN, CERTAIN))

    assert few["points_per_100"] == many["points_per_100"]
    assert few["teaching_value_low"] < many["teaching_value_low"]


def test_no_lower_rate_is_no_error() -> None:
    """A lower rate that is nil for the computer gives a bound of nearly nothing."""
    worth = worth_of(0.2, 0.25, 0.4, parts=(CERTAIN, 0.0, CERTAIN, CERTAIN))

    assert 0.0 <= worth["points_per_100_low"][0] < 1e-6
