"""Intervals: numbers in, numbers out."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

Floats = npt.NDArray[np.float64]


def normal_quantile(probability: float) -> float:
    """The value below which a standard normal variable lies with this probability.

    >>> round(normal_quantile(0.95), 4)
    1.6449
    """
    return float(special.ndtri(probability))


def deviation_of(low: Floats, high: Floats, *, confidence: float) -> Floats:
    """Standard deviations by equal-tailed bounds, as if what they are of were normal."""
    deviations: Floats = (high - low) / (2.0 * normal_quantile((1.0 + confidence) / 2.0))
    return deviations


def beta_interval(successes: Floats, failures: Floats, *, confidence: float = 0.9) -> tuple[Floats, Floats]:
    """Equal-tailed bounds of Beta(successes, failures), for arrays of equal shape (each above 0)."""
    tail = (1.0 - confidence) / 2.0
    low = np.asarray(special.betaincinv(successes, failures, tail), dtype=np.float64)
    high = np.asarray(special.betaincinv(successes, failures, 1.0 - tail), dtype=np.float64)
    return low, high


def log_variance_of_share(successes: Any, failures: Any) -> Any:
    """Variance of the logarithm of a Beta variable, to first order: failures / (successes (total + 1))."""
    return failures / (successes * (successes + failures + 1.0))
