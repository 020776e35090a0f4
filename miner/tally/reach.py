"""How often positions arise: plain, and when one side plays towards them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Steered:
    """Per position: steered reach (0 to 1; 0: no tallied way) and the variance of its logarithm."""

    reach: Floats
    log_variance: Floats


def steer(
    parents: Ints, children: Ints, rates: Floats, log_variances: Floats, *, positions: int, start: int
) -> Steered:
    """The best product of rates over all ways from `start`, transpositions merged.

    One entry per reply in `parents`, `children` (places of positions; children -1: leads nowhere),
    `rates` (0 to 1; 1 for moves that our own side chooses) and `log_variances`. It takes as many rounds
    as the longest chain has steps: about as many as plies are kept.
    """
    leads = (children >= 0) & (rates > 0.0)
    order = np.argsort(children[leads], kind="stable")
    parents, children = parents[leads][order], children[leads][order]
    rates, log_variances = rates[leads][order], log_variances[leads][order]
    reach, variance = np.zeros(positions), np.zeros(positions)
    reach[start] = 1.0
    if not len(children):
        return Steered(reach, variance)
    firsts = np.flatnonzero(np.r_[True, children[1:] != children[:-1]])
    targets = children[firsts]
    counts = np.diff(np.r_[firsts, len(children)])
    for _ in range(positions):
        offered = reach[parents] * rates
        best = np.maximum.reduceat(offered, firsts)
        better = best > reach[targets]
        if not better.any():
            break
        is_best = offered == np.repeat(best, counts)
        via = _first_true(is_best, firsts)[better]
        # A strictly better way replaces the old one, so ways never run in a circle.
        variance[targets[better]] = variance[parents[via]] + log_variances[via]
        reach[targets[better]] = best[better]
    return Steered(reach, variance)


def _first_true(flags: npt.NDArray[np.bool_], firsts: Ints) -> Ints:
    """The place of the first true flag in each run; every run has one."""
    places = np.where(flags, np.arange(len(flags)), len(flags))
    first: Ints = np.minimum.reduceat(places, firsts)
    return first
