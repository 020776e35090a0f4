"""Intervals for shares against SciPy and against published examples.

Sources:
- SciPy's `scipy.stats.beta.ppf`.
- R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998)
  857-872, table I, method 5 (Clopper and Pearson's exact interval), from memory. Its bounds for k of n are
  quantiles of Beta(k, n - k + 1) and of Beta(k + 1, n - k).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from miner import stats

PARAMETERS = st.floats(0.05, 5_000.0)
CONFIDENCES = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])


@given(st.lists(st.tuples(PARAMETERS, PARAMETERS), min_size=1, max_size=8), CONFIDENCES)
def test_beta_bounds_are_scipys(parameters: list[tuple[float, float]], confidence: float) -> None:
    """Equal tails of any Beta distribution are SciPy's quantiles."""
    successes, failures = np.array(parameters).T

    low, high = stats.beta_interval(successes, failures, confidence=confidence)

    tail = (1 - confidence) / 2
    assert low == pytest.approx(scipy_stats.beta.ppf(tail, successes, failures), rel=1e-6, abs=1e-12)
    assert high == pytest.approx(scipy_stats.beta.ppf(1 - tail, successes, failures), rel=1e-6, abs=1e-12)


# Newcombe 1998, table I: successes, trials, lower and upper bound at 95%.
PUBLISHED = [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (1, 29, 0.0009, 0.1776)]


@pytest.mark.parametrize(("successes", "trials", "low", "high"), PUBLISHED)
def test_beta_bounds_are_as_published(successes: int, trials: int, low: float, high: float) -> None:
    """Newcombe's examples of the exact interval to four places."""
    shape = np.array([successes, successes + 1.0]), np.array([trials - successes + 1.0, trials - successes])

    lows, highs = stats.beta_interval(*shape, confidence=0.95)

    assert (lows[0], highs[1]) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(("probability", "quantile"), [(0.5, 0.0), (0.95, 1.644854), (0.975, 1.959964)])
def test_normal_quantiles(probability: float, quantile: float) -> None:
    """The quantiles of every statistical table."""
    assert stats.normal_quantile(probability) == pytest.approx(quantile, abs=1e-6)
