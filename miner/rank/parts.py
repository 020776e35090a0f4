"""The part of what the curve expects that games show: one for all losing replies, and how replies scatter
about it.

A difference that is seen, of one reply in one band, is taken to be part x expected + (own - part) x gain,
give or take the scatter of results: `expected` is the curve's step between what both groups of games really
chose, `gain` that of the reply whose own part is asked for. Own parts scatter about the common one with a
standard deviation that is fitted, too: the less a reply's games tell, the more it is drawn to the others. All
doubts are carried on: of the common part, of the scatter (by a grid), of the reply.

Sources (from memory): C. Morris, J. Amer. Stat. Assoc. 78 (1983) 47-55, and A. Gelman et al., Bayesian Data
Analysis, 3rd ed., chapter 5, for estimates that are drawn together by a fitted scatter, with all doubts added
up; W. Cochran, Biometrics 10 (1954) 417-451, for the weights n m / (n + m).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner.arrays import Floats

_EXPECTED = 1.0  # the common part beforehand
_SCATTERS = np.linspace(0.0, 2.0, 41)  # of replies about it, of which small ones are likelier beforehand
_USUAL_SCATTER = 1.0
_REPLY = ["key", "move"]


@dataclass(frozen=True, slots=True)
class Parts:
    """Parts of the curve's gain: means and standard deviations."""

    mean: float  # of the common part
    deviation: float
    scatter: float  # standard deviation of own parts about it
    own: pd.DataFrame  # by (key, move), for replies of which something was seen: part, deviation

    def of(self, replies: pd.DataFrame) -> tuple[Floats, Floats]:
        """The own part of each row's reply (columns key and move), and its standard deviation."""
        own = self.own.reindex(pd.MultiIndex.from_frame(replies[_REPLY]))
        unseen = float(np.hypot(self.deviation, self.scatter))
        return (
            own["part"].fillna(self.mean).to_numpy(dtype=np.float64),
            own["deviation"].fillna(unseen).to_numpy(dtype=np.float64),
        )


def fit_parts(seen: pd.DataFrame, variance: float, vague: float) -> Parts:
    """The parts by what was seen: rows of key, move, gain, expected, difference, weight.

    `weight` is n m / (n + m) for a difference between the means of n and m games; `variance` that of a
    result. The common part may beforehand be away from 1 by the standard deviation `vague`.
    """
    sums = _sums(seen, variance)
    gains, cross, pull = (sums[name].to_numpy()[:, None] for name in ("gg", "ge", "gd"))
    drawn = _SCATTERS**2 / (1.0 + _SCATTERS**2 * gains)  # (replies, scatters): variance of an own part
    precision = vague**-2 + sums["ee"].sum() - (drawn * cross**2).sum(axis=0)
    mean = (_EXPECTED * vague**-2 + sums["ed"].sum() - (drawn * cross * pull).sum(axis=0)) / precision
    likelihood = 0.5 * (
        precision * mean**2
        - np.log(precision)
        + (drawn * pull**2 - np.log1p(_SCATTERS**2 * gains)).sum(axis=0)
        - (_SCATTERS / _USUAL_SCATTER) ** 2
    )
    share = np.exp(likelihood - likelihood.max())
    share /= share.sum()
    own = mean * (1.0 - drawn * cross) + drawn * pull
    part, deviation = _mixed(own, drawn + (1.0 - drawn * cross) ** 2 / precision, share)
    [middle], [doubt] = _mixed(mean[None], 1.0 / precision[None], share)
    return Parts(
        float(middle),
        float(doubt),
        float(np.sqrt(share @ _SCATTERS**2)),
        pd.DataFrame({"part": part, "deviation": deviation}, index=sums.index),
    )


def _sums(seen: pd.DataFrame, variance: float) -> pd.DataFrame:
    """Weighted sums of products by reply, in units of the variance."""
    gain, expected, difference = (seen[name] for name in ("gain", "expected", "difference"))
    weight = seen["weight"] / variance
    products = seen[_REPLY].assign(
        gg=weight * gain**2,
        ge=weight * gain * expected,
        gd=weight * gain * difference,
        ee=weight * expected**2,
        ed=weight * expected * difference,
    )
    sums: pd.DataFrame = products.groupby(_REPLY).sum()
    return sums


def _mixed(means: Floats, variances: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of mixtures, (entries, parts) of these shares."""
    middle = means @ share
    return middle, np.sqrt((variances + (means - middle[:, None]) ** 2) @ share)
