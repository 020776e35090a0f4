"""What knowing a losing reply is worth over the board. Arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from miner import stats

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """One entry per losing reply, band and kind; all shares 0 to 1."""

    reach: Floats  # steered for a trap, plain for a pitfall
    reach_log_variance: Floats  # variance of its natural logarithm
    pick_rate: Floats
    pick_rate_low: Floats  # lower bound of the same confidence that the points are wanted for
    loss: Floats  # expected score that the reply gives away


@dataclass(frozen=True, slots=True)
class Points:
    """Points per 100 games, and their lower bound."""

    per_100: Floats
    low: Floats


def points(chances: Chances, *, confidence: float) -> Points:
    """100 x reach x pick rate x loss, with the lower bound of an interval of that confidence.

    The bound widens by the pick rate's own lower bound and by the reach's spread, both taken as independent
    on a logarithmic scale; with a certain reach it is just 100 x reach x lower pick rate x loss.
    The loss is taken as the engine has it.
    """
    per_100 = 100.0 * chances.reach * chances.pick_rate * chances.loss
    z = stats.normal_quantile((1.0 + confidence) / 2.0)
    from_picks = np.log(np.maximum(chances.pick_rate, 1e-12) / np.maximum(chances.pick_rate_low, 1e-12))
    spread = np.sqrt(from_picks**2 + z * z * chances.reach_log_variance)
    return Points(per_100, per_100 * np.exp(-spread))
