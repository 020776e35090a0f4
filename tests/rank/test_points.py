"""What knowing a losing reply is worth, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.rank.points import Chances, points

SHARE = st.floats(0.001, 1.0)


def chances(reach: float, log_variance: float, rate: float, rate_low: float, loss: float) -> Chances:
    """One losing reply."""
    return Chances(
        reach=np.array([reach]),
        reach_log_variance=np.array([log_variance]),
        pick_rate=np.array([rate]),
        pick_rate_low=np.array([rate_low]),
        loss=np.array([loss]),
    )


def test_points_by_hand() -> None:
    """A position in 1 of 5 games, where 1 of 4 chooses a reply that loses 0.4: 2 points per 100 games."""
    worth = points(chances(0.2, 0.0, 0.25, 0.2, 0.4), confidence=0.9)

    assert worth.per_100[0] == pytest.approx(2.0)
    assert worth.low[0] == pytest.approx(100 * 0.2 * 0.2 * 0.4)  # the reach is certain


def test_uncertain_reach_lowers_the_bound() -> None:
    """With a certain pick rate the bound is that of the reach: 1.645 standard deviations of its logarithm."""
    worth = points(chances(0.2, 0.04, 0.25, 0.25, 0.4), confidence=0.9)

    assert worth.low[0] == pytest.approx(2.0 * math.exp(-1.6449 * 0.2), rel=1e-4)


@given(reach=SHARE, log_variance=st.floats(0.0, 4.0), rate=SHARE, part=SHARE, loss=SHARE)
def test_bound_is_no_more_than_the_points(
    reach: float, log_variance: float, rate: float, part: float, loss: float
) -> None:
    """The lower bound lies above 0 and not above the points, nor above what either uncertainty leaves."""
    worth = points(chances(reach, log_variance, rate, rate * part, loss), confidence=0.9)

    only_rate = points(chances(reach, 0.0, rate, rate * part, loss), confidence=0.9)
    only_reach = points(chances(reach, log_variance, rate, rate, loss), confidence=0.9)
    least = min(only_rate.low[0], only_reach.low[0])
    assert 0.0 < worth.low[0] <= least * (1 + 1e-9)
    assert least <= worth.per_100[0] * (1 + 1e-9)


def test_more_games_raise_the_bound_not_the_points() -> None:
    """Of two replies worth the same the better known one comes first."""
    few = points(chances(0.2, 0.0, 0.25, 0.05, 0.4), confidence=0.9)
    many = points(chances(0.2, 0.0, 0.25, 0.24, 0.4), confidence=0.9)

    assert few.per_100 == many.per_100
    assert few.low < many.low


def test_no_lower_rate_is_no_error() -> None:
    """A lower rate that is nil for the computer gives a bound of nearly nothing."""
    worth = points(chances(0.2, 0.0, 0.25, 0.0, 0.4), confidence=0.9)

    assert 0.0 <= worth.low[0] < 1e-9
