"""What knowing a losing reply is worth over the board. Arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from miner import stats

Floats = npt.NDArray[np.float64]

_NOTHING = 1e-12  # stands for 0 where a logarithm is taken


@dataclass(frozen=True, slots=True)
class Share:
    """Shares (0 to 1) with the lower bounds of an interval, one entry per losing reply, band and kind."""

    value: Floats
    low: Floats

    @classmethod
    def certain(cls, value: Floats) -> Share:
        """Shares that are known."""
        return cls(value, value)

    @property
    def log_spread(self) -> Floats:
        """How far the lower bound is below the value, on a logarithmic scale."""
        spread: Floats = np.log(np.maximum(self.value, _NOTHING) / np.maximum(self.low, _NOTHING))
        return spread


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """What the points are made of."""

    reach: Share  # steered for a trap, plain for a pitfall
    pick_rate: Share
    gain: Share  # expected score that the reply gives away
    missed: Share  # share of the gain that the side that profits lets slip today


@dataclass(frozen=True, slots=True)
class Points:
    """Points per 100 games and their lower bounds: of the reply, and what teaching it still adds."""

    per_100: Floats
    low: Floats
    teaching: Floats
    teaching_low: Floats


def reach_share(reach: Floats, log_variance: Floats, *, confidence: float) -> Share:
    """A reach with the lower bound that the variance of its logarithm makes."""
    z = stats.normal_quantile((1.0 + confidence) / 2.0)
    return Share(reach, reach * np.exp(-z * np.sqrt(log_variance)))


def points(chances: Chances) -> Points:
    """100 x reach x pick rate x gain, and that times the share that is missed today, with lower bounds.

    The bounds have the confidence of the shares' own. The shares are taken as independent on a logarithmic
    scale, so that their spreads add up in squares; where all but one are certain the bound is that one's.
    """
    per_100 = 100.0 * chances.reach.value * chances.pick_rate.value * chances.gain.value
    teaching = per_100 * chances.missed.value
    spread = sum(one.log_spread**2 for one in (chances.reach, chances.pick_rate, chances.gain))
    with_missed = spread + chances.missed.log_spread**2
    return Points(
        per_100, per_100 * np.exp(-np.sqrt(spread)), teaching, teaching * np.exp(-np.sqrt(with_missed))
    )
