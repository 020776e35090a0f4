"""Pooled rates and their likelihood against published values and SciPy.

- A. Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.1 (values and data from memory): in a group of
  14 rats 4 had a tumour; 70 earlier groups gave a Beta(1.4, 8.6) prior, hence a Beta(5.4, 18.6) posterior.
- SciPy's `betabinom` and `dirichlet_multinomial`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special
from scipy import stats as scipy_stats

from miner import pooling, stats
from miner.arrays import Floats
from miner.pooling import TYPICAL, ReplyCounts, Resemblance

NO_DISCOUNT = 1e-9

# Rats with a tumour, rats, groups of that kind.
RATS = """0 20 7, 0 19 4, 0 18 2, 0 17 1, 1 20 4, 1 19 2, 1 18 2, 2 25 1, 2 24 1, 2 23 1, 2 20 6, 1 10 1,
5 49 1, 2 19 1, 5 46 1, 3 27 1, 2 17 1, 7 49 1, 7 47 1, 3 20 2, 2 13 1, 9 48 1, 10 50 1, 4 20 7, 10 48 1,
4 19 3, 5 22 1, 11 46 1, 12 49 1, 5 20 2, 6 23 1, 5 19 1, 6 22 1, 6 20 3, 16 52 1, 15 47 1, 15 46 1, 9 24 1"""
EARLIER = np.array(
    [kind[:2] for row in RATS.split(",") for kind in [list(map(int, row.split()))] for _ in range(kind[2])]
)


def games_of(chosen: Floats, base: Floats | None = None) -> ReplyCounts:
    """Games of one band at positions with two replies, shape (positions, 2)."""
    positions = len(chosen)
    banded = np.stack([chosen.ravel(), np.zeros(2 * positions)], axis=1)
    bases = None if base is None else np.stack([np.tile(base, positions)] * 2, axis=1)
    return ReplyCounts(banded, np.repeat(np.arange(positions), 2), np.ones((positions, 2)), bases)


def test_rats_by_the_published_prior() -> None:
    """Strength 10 and mean 0.14: Beta(5.4, 18.6), mean 0.223 to the book's three digits (0.225 exactly)."""
    resemblance = Resemblance(common=0.07, own=0.03, discount=NO_DISCOUNT)

    pooled = pooling.pool(games_of(np.array([[4.0, 10.0]]), np.array([0.14, 0.86])), resemblance)

    assert pooled.successes[0, 0] == pytest.approx(5.4, rel=1e-5)
    assert pooled.failures[0, 0] == pytest.approx(18.6, rel=1e-5)
    low, high = stats.beta_interval(np.array([5.4]), np.array([18.6]))
    assert [low[0], high[0]] == pytest.approx(
        scipy_stats.beta.ppf(np.array([0.05, 0.95]), 5.4, 18.6), rel=1e-6
    )


def test_strength_of_the_rats_prior() -> None:
    """The strength with the greatest likelihood is the one that SciPy's beta-binomial finds."""
    assert len(EARLIER) == 70
    tumours, rats = EARLIER.T
    mean = tumours.sum() / rats.sum()

    def unlikeliness(log_strength: float) -> float:
        strength = np.exp(log_strength)
        shape = (strength * mean, strength * (1.0 - mean))
        return -float(scipy_stats.betabinom.logpmf(tumours, rats, *shape).sum())

    expected = np.exp(optimize.minimize_scalar(unlikeliness, bounds=(0.0, 6.0), method="bounded").x)
    games = games_of(
        np.stack([tumours, rats - tumours], axis=1).astype(np.float64), np.array([mean, 1.0 - mean])
    )
    fitted = pooling.fit_resemblance(games)

    # The discount and what is known beforehand move it a little.
    assert 1.0 / (fitted.common + fitted.own) == pytest.approx(expected, rel=0.15)


def test_likelihood_of_one_band() -> None:
    """With rates from an earlier database it is the Dirichlet-multinomial one, but for the order of games."""
    chosen, base = np.array([[7.0, 2.0], [1.0, 12.0], [0.0, 3.0]]), np.array([0.3, 0.7])
    resemblance = Resemblance(common=0.15, own=0.05, discount=NO_DISCOUNT)

    found = pooling.log_evidence(games_of(chosen, base), resemblance)

    orders = special.gammaln(chosen.sum(axis=1) + 1) - special.gammaln(chosen + 1).sum(axis=1)
    expected = scipy_stats.dirichlet_multinomial.logpmf(
        chosen.astype(int), base / 0.2, chosen.sum(axis=1).astype(int)
    )
    assert found == pytest.approx(float((expected - orders).sum()), rel=1e-6)


def test_two_bands_as_by_the_normal_distribution() -> None:
    """What a band takes from another is the conditional mean and variance of two normal variables."""
    resemblance = replace(TYPICAL, common=0.4, own=0.2, nearness=0.5)
    other = 25.0
    covariance = np.array([[0.6, 0.5], [0.5, 0.6 + 1 / other]])

    weights, strength = pooling.lean(np.array([[0.0, other, 0.0]]), resemblance)

    slope = covariance[0, 1] / covariance[1, 1]
    left = covariance[0, 0] - slope * covariance[0, 1]
    assert strength[0, 0] == pytest.approx(1.0 / left, rel=1e-5)
    assert weights[0, 0, 1] * other / strength[0, 0] == pytest.approx(slope, rel=1e-5)
