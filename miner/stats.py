"""Intervals and pooling: numbers in, numbers out."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CONCENTRATIONS = np.geomspace(0.5, 2000.0, 40)
"""Strengths of a prior, in games, among which the likeliest is chosen."""

_NEIGHBOUR = 0.5
"""How much a band one step away counts against a band's nearest neighbours: each step halves it."""

_UNRATED = 0.25
"""What unrated players count for a rated band, and the other way round: nobody knows how near they are."""


def normal_quantile(probability: float) -> float:
    """The value below which a standard normal variable lies with this probability.

    >>> round(normal_quantile(0.95), 4)
    1.6449
    """
    return float(special.ndtri(probability))


def beta_interval(successes: Floats, failures: Floats, *, confidence: float = 0.9) -> tuple[Floats, Floats]:
    """Equal-tailed bounds of Beta(successes, failures), for arrays of equal shape (each above 0)."""
    tail = (1.0 - confidence) / 2.0
    low = np.asarray(special.betaincinv(successes, failures, tail), dtype=np.float64)
    high = np.asarray(special.betaincinv(successes, failures, 1.0 - tail), dtype=np.float64)
    return low, high


def band_weights(bands: int) -> Floats:
    """How much each band tells about each other one, shape (bands, bands), zero on the diagonal.

    The last band is `unrated`; the others are in order of strength.
    """
    steps = np.abs(np.subtract.outer(np.arange(bands), np.arange(bands))).astype(np.float64)
    weights: Floats = _NEIGHBOUR**steps
    weights[-1, :] = weights[:, -1] = _UNRATED
    np.fill_diagonal(weights, 0.0)
    return weights


def pooled_priors(chosen: Ints, played: Ints, choices: Ints) -> tuple[Floats, Floats]:
    """What the other bands say of each reply's pick rate in each band.

    `chosen` (replies, bands): games with the reply; `played`, same shape: games at its position;
    `choices` (replies,): number of different replies seen there. Gives the prior mean and the games it
    rests on, both (replies, bands). One made-up game, shared equally by the replies seen and one more that
    was not, stands under every mean, so that it exists without other bands, too.
    """
    weights = band_weights(chosen.shape[1])
    support = played @ weights + 1.0
    mean = (chosen @ weights + 1.0 / (choices[:, None] + 1.0)) / support
    return mean, support


def likeliest_concentration(chosen: Ints, played: Ints, mean: Floats, support: Floats) -> float:
    """The strength of the prior, in games, under which the observed counts are likeliest.

    Beta-binomial marginal likelihood over all cells with games and with other bands to learn from; a prior is
    never stronger than the games it rests on. All arrays are of one shape. Without any such cell: 1.
    Source: A. Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.3 (from memory), for the model.
    """
    usable = (played > 0) & (support > 2.0)
    if not usable.any():
        return 1.0
    n, k, p, most = (values[usable] for values in (played, chosen, mean, support))

    def log_likelihood(concentration: float) -> float:
        strength = np.minimum(concentration, most)
        alpha, beta = strength * p, strength * (1.0 - p)
        return float(np.sum(special.betaln(k + alpha, n - k + beta) - special.betaln(alpha, beta)))

    return float(max(CONCENTRATIONS, key=log_likelihood))


def pooled_rates(
    chosen: Ints, played: Ints, mean: Floats, support: Floats, concentration: float
) -> tuple[Floats, Floats]:
    """Parameters of the Beta distributions of pick rates: the other bands' prior and a band's own games.

    Shapes as in `pooled_priors`. Their means are the pooled pick rates: a reply seen 3 times in 4 games is
    not a 75% reply.
    """
    strength = np.minimum(concentration, support)
    return chosen + strength * mean, played - chosen + strength * (1.0 - mean)


def log_variance_of_share(successes: Any, failures: Any) -> Any:
    """Variance of the logarithm of a Beta variable, to first order: failures / (successes (total + 1))."""
    return failures / (successes * (successes + failures + 1.0))
