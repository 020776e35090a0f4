"""Intervals for shares against SciPy and against published examples.

Sources:
- SciPy's `binomtest(...).proportion_ci(method="wilson")` and `scipy.stats.beta.ppf`.
- R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998)
  857-872, table I, method 3 (score method without continuity correction), from memory.
- Rule of the textbooks: the 95 % score interval of no success in n trials ends at z^2 / (n + z^2).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from miner import stats

COUNTS = st.integers(1, 5_000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
PARAMETERS = st.floats(0.05, 5_000.0)
CONFIDENCES = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])


@given(COUNTS, CONFIDENCES)
def test_wilson_is_scipys(counts: tuple[int, int], confidence: float) -> None:
    """For any count and confidence both bounds are SciPy's."""
    successes, trials = counts

    interval = stats.wilson_interval(successes, trials, confidence=confidence)

    theirs = scipy_stats.binomtest(successes, trials).proportion_ci(confidence, method="wilson")
    assert interval == pytest.approx((theirs.low, theirs.high), abs=1e-9)


# Newcombe 1998, table I: successes, trials, lower and upper bound at 95 %.
PUBLISHED = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("successes", "trials", "low", "high"), PUBLISHED)
def test_wilson_is_as_published(successes: int, trials: int, low: float, high: float) -> None:
    """Newcombe's four examples to four places."""
    interval = stats.wilson_interval(successes, trials, confidence=0.95)

    assert interval == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("trials", [1, 4, 10, 100])
def test_nothing_in_n_trials(trials: int) -> None:
    """No success in n trials: from 0 to z^2 / (n + z^2)."""
    z_squared = 1.959964**2

    interval = stats.wilson_interval(0, trials, confidence=0.95)

    assert interval == pytest.approx((0.0, z_squared / (trials + z_squared)), abs=1e-6)


@given(st.lists(st.tuples(PARAMETERS, PARAMETERS), min_size=1, max_size=8), CONFIDENCES)
def test_beta_bounds_are_scipys(parameters: list[tuple[float, float]], confidence: float) -> None:
    """Equal tails of any Beta distribution are SciPy's quantiles."""
    successes, failures = np.array(parameters).T

    low, high = stats.beta_interval(successes, failures, confidence=confidence)

    tail = (1 - confidence) / 2
    assert low == pytest.approx(scipy_stats.beta.ppf(tail, successes, failures), rel=1e-6, abs=1e-12)
    assert high == pytest.approx(scipy_stats.beta.ppf(1 - tail, successes, failures), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("probability", "quantile"), [(0.5, 0.0), (0.95, 1.644854), (0.975, 1.959964)])
def test_normal_quantiles(probability: float, quantile: float) -> None:
    """The quantiles of every statistical table."""
    assert stats.normal_quantile(probability) == pytest.approx(quantile, abs=1e-6)
