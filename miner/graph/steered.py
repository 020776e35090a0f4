"""How often positions arise: plain, and when one side plays towards them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from miner.arrays import Floats, Ints
from miner.graph.walk import spans


@dataclass(frozen=True, slots=True)
class Steered:
    """Per position: steered reach (0 to 1; 0: no tallied way) and the variance of its logarithm."""

    reach: Floats
    log_variance: Floats


@dataclass(frozen=True, slots=True)
class Steps:
    """The replies that lead from one tallied position to another."""

    replies: Ints  # their numbers
    parents: Ints  # places of positions, rising
    children: Ints
    begins: Ints  # (positions + 1,): the first of those from each position, and the end

    @classmethod
    def between(cls, parents: Ints, children: Ints, positions: int) -> Steps:
        """The steps among replies, given by the places of the positions before and after (-1: none) each."""
        leads = np.flatnonzero(children >= 0)
        leads = leads[np.argsort(parents[leads], kind="stable")]
        begins = np.searchsorted(parents[leads], np.arange(positions + 1))
        return cls(leads, parents[leads], children[leads], begins)


def steer(
    parents: Ints, children: Ints, rates: Floats, log_variances: Floats, *, positions: int, start: int
) -> Steered:
    """The best product of rates over all ways from `start`, transpositions merged.

    One entry per reply in `parents`, `children` (places of positions; children -1: leads nowhere),
    `rates` (0 to 1; 1 for moves that our own side chooses) and `log_variances`.
    """
    steps = Steps.between(parents, children, positions)
    return steer_along(steps, rates[steps.replies], log_variances[steps.replies], start=start)


def steer_along(steps: Steps, rates: Floats, log_variances: Floats, *, start: int) -> Steered:
    """As `steer`, over steps; `rates` and `log_variances` have one entry for each.

    It takes as many rounds as the longest chain has steps: about as many as plies are kept.
    """
    positions = len(steps.begins) - 1
    reach, variance = np.zeros(positions), np.zeros(positions)
    best_step, is_risen = np.zeros(positions, dtype=np.int64), np.zeros(positions, dtype=np.bool_)
    reach[start] = 1.0
    risen = np.array([start], dtype=np.int64)
    for _ in range(positions):
        # Only from where the reach has just risen can it rise elsewhere.
        via, _ = spans(steps.begins, risen)
        offered = reach[steps.parents[via]] * rates[via]
        is_better = offered > reach[steps.children[via]]
        via, offered = via[is_better], offered[is_better]
        if not len(via):
            break
        children = steps.children[via]
        # A strictly better way replaces the old one, so ways never run in a circle.
        onward = variance[steps.parents[via]] + log_variances[via]
        np.maximum.at(reach, children, offered)
        is_best = offered == reach[children]
        # Of equally good steps the first is taken: written last, it stays.
        best_step[children[is_best][::-1]] = np.flatnonzero(is_best)[::-1]
        is_risen[:] = False
        is_risen[children] = True
        risen = np.flatnonzero(is_risen)
        variance[risen] = onward[best_step[risen]]
    return Steered(reach, variance)
