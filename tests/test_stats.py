"""Intervals and pooling, by hand and by properties; published values are in tests/external."""

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


def test_neighbours_weigh_by_steps() -> None:
    """The next band counts a half, the one after it a quarter; itself not at all; unrated a quarter."""
    weights = stats.band_weights(4)

    assert weights.tolist() == [
        [0.0, 0.5, 0.25, 0.25],
        [0.5, 0.0, 0.5, 0.25],
        [0.25, 0.5, 0.0, 0.25],
        [0.25, 0.25, 0.25, 0.0],
    ]


def test_prior_by_hand() -> None:
    """10 of 20 games next door (weight 1/2), and one game shared by two replies and one not seen."""
    chosen, played = np.array([[1, 10, 0]]), np.array([[4, 20, 0]])

    mean, support = stats.pooled_priors(chosen, played, np.array([2]))

    assert support[0, 0] == pytest.approx(20 * 0.5 + 1)
    assert mean[0, 0] == pytest.approx((10 * 0.5 + 1 / 3) / 11)


def test_rates_by_hand() -> None:
    """3 of 4 games, and a prior of 8 games with a mean of 0.1: 3.8 of 12."""
    chosen, played = np.array([[3]]), np.array([[4]])

    successes, failures = stats.pooled_rates(chosen, played, np.array([[0.1]]), np.array([[50.0]]), 8.0)

    assert successes[0, 0] == pytest.approx(3.8)
    assert successes[0, 0] + failures[0, 0] == pytest.approx(12.0)


def test_prior_is_no_stronger_than_its_games() -> None:
    """Where the other bands have only 2 games the prior counts for no more."""
    successes, failures = stats.pooled_rates(
        np.array([[3]]), np.array([[4]]), np.array([[0.1]]), np.array([[2.0]]), 500.0
    )

    assert successes[0, 0] + failures[0, 0] == pytest.approx(6.0)


@pytest.mark.parametrize(("successes", "failures"), [(30.0, 70.0), (400.0, 100.0)])
def test_log_variance_against_draws(successes: float, failures: float) -> None:
    """The variance of the logarithm is that of draws from the distribution."""
    draws = np.random.default_rng(5).beta(successes, failures, size=200_000)

    assert stats.log_variance_of_share(successes, failures) == pytest.approx(np.log(draws).var(), rel=0.05)
