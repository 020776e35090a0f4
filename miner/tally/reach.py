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
    leads = np.flatnonzero((children >= 0) & (rates > 0.0))
    leads = leads[np.argsort(parents[leads], kind="stable")]
    begins = np.searchsorted(parents[leads], np.arange(positions + 1))
    reach, variance = np.zeros(positions), np.zeros(positions)
    reach[start] = 1.0
    risen = np.array([start], dtype=np.int64)
    for _ in range(positions):
        # Only from where the reach has just risen can it rise elsewhere.
        counts = begins[risen + 1] - begins[risen]
        via = leads[np.arange(counts.sum()) + np.repeat(begins[risen] - np.cumsum(counts) + counts, counts)]
        offered = reach[parents[via]] * rates[via]
        is_better = offered > reach[children[via]]
        via, offered = via[is_better], offered[is_better]
        if not len(via):
            break
        order = np.lexsort((via, -offered, children[via]))
        via, offered = via[order], offered[order]
        risen, firsts = np.unique(children[via], return_index=True)
        via = via[firsts]
        # A strictly better way replaces the old one, so ways never run in a circle.
        variance[risen] = variance[parents[via]] + log_variances[via]
        reach[risen] = offered[firsts]
    return Steered(reach, variance)
