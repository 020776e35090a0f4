"""Intervals, by hand and by properties; published values are in tests/external."""

from __future__ import annotations

import numpy as np
import pytest

from miner import stats


def test_beta_interval_keeps_shapes() -> None:
    """Arrays of any shape come back in it, the lower bound below the upper one."""
    successes = np.array([[1.0, 2.0, 3.0], [10.0, 20.0, 0.1]])

    low, high = stats.beta_interval(successes, successes[::-1])

    assert low.shape == high.shape == (2, 3)
    assert (low < high).all()


@pytest.mark.parametrize(("successes", "failures"), [(30.0, 70.0), (400.0, 100.0)])
def test_log_variance_against_draws(successes: float, failures: float) -> None:
    """The variance of the logarithm is that of draws from the distribution."""
    draws = np.random.default_rng(5).beta(successes, failures, size=200_000)

    assert stats.log_variance_of_share(successes, failures) == pytest.approx(np.log(draws).var(), rel=0.05)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.99])
def test_deviation_by_the_bounds_of_many_games(confidence: float) -> None:
    """Of a rate that rests on many games the bounds tell the deviation, whatever their confidence."""
    successes, failures = np.array([300.0, 5_000.0]), np.array([700.0, 5_000.0])
    games, rate = successes + failures, successes / (successes + failures)
    low, high = stats.beta_interval(successes, failures, confidence=confidence)

    deviation = stats.deviation_of(low, high, confidence=confidence)

    assert deviation == pytest.approx(np.sqrt(rate * (1.0 - rate) / (games + 1.0)), rel=0.01)


def test_bounds_of_many_are_those_of_each() -> None:
    """Interpolated bounds are within 1e-7 of the exact ones, for parameters of all sizes."""
    rng = np.random.default_rng(1)
    successes, failures = np.exp(rng.uniform(np.log(0.02), np.log(1e5), (2, 30_000)))

    found = stats.beta_intervals(successes, failures, confidence=0.9)

    for bounds, exact in zip(found, stats.beta_interval(successes, failures, confidence=0.9), strict=True):
        assert np.abs(bounds - exact).max() < 1e-7
        assert ((bounds >= 0.0) & (bounds <= 1.0)).all()
