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
USUAL_SCATTER, LITTLE_SCATTER = 1.0, 0.2
_ROUNDS = 3  # in which the factor settles
_REPLY = ["key", "move"]


@dataclass(frozen=True, slots=True)
class Parts:
    """Parts of the curve's gain: means and standard deviations."""

    mean: float  # of the common part
    deviation: float
    scatter: float  # standard deviation of own parts about it
    own: pd.DataFrame  # by (key, move), for replies of which something was seen: part, deviation
    by_later: ByLater | None = None  # None: by results alone

    def of(self, replies: pd.DataFrame) -> tuple[Floats, Floats]:
        """The own part of each row's reply (columns key and move), and its standard deviation."""
        own = self.own.reindex(pd.MultiIndex.from_frame(replies[_REPLY]))
        unseen = float(np.hypot(self.deviation, self.scatter))
        return (
            own["part"].fillna(self.mean).to_numpy(dtype=np.float64),
            own["deviation"].fillna(unseen).to_numpy(dtype=np.float64),
        )

    def foreseen(self, rows: pd.DataFrame) -> pd.Series[float]:
        """The difference to be seen in each row (key, move, gain and expected)."""
        own, _ = self.of(rows)
        foreseen: pd.Series[float] = self.mean * rows["expected"] + (own - self.mean) * rows["gain"]
        return foreseen


@dataclass(frozen=True, slots=True)
class ByLater:
    """What evaluations later on say, and by which factor that counts in results, with its deviation."""

    parts: Parts
    factor: float
    deviation: float


@dataclass(frozen=True, slots=True)
class Differences:
    """What was seen of losing replies, a row for each and band.

    `rows`: key, move, band, gain, expected, difference and weight, which is n m / (n + m) for a difference
    between the means of n and m games; `variance` is that of one game.
    """

    rows: pd.DataFrame
    variance: float


def fit_parts(seen: Differences, vague: float) -> Parts:
    """The parts by what was seen; the common one may beforehand be away from 1 by the deviation `vague`."""
    sums = _sums(seen)
    certain = np.ones(len(sums)), np.zeros(len(sums))
    return _fit(sums, vague, certain, USUAL_SCATTER)


def fit_by_later(seen: Differences, later: Differences, luck: float, vague: float) -> Parts:
    """The parts by results and by evaluations later on.

    Evaluations tell replies from each other, results by which factor they count: one for all replies, about
    which these scatter little. `luck`: how much of what a game's evaluation has more than the others its
    result has, too. So much of the evaluations' own accidents is taken off the results of the same games.
    """
    before = fit_parts(later, vague)
    rows = seen.rows.assign(expected=before.foreseen(seen.rows))
    games = later.rows.assign(left=later.rows["difference"] - before.foreseen(later.rows))
    rows = rows.merge(
        games[[*_REPLY, "band", "left", "weight"]].rename(columns={"weight": "later_weight"}),
        on=[*_REPLY, "band"],
        how="left",
    ).fillna({"left": 0.0, "later_weight": 0.0})
    shared = (rows["later_weight"] / rows["weight"]).clip(upper=1.0)
    rows = rows.assign(difference=rows["difference"] - luck * shared * rows["left"])
    sums, factor = _sums(Differences(rows, seen.variance)), _EXPECTED
    base, doubt = before.of(sums.index.to_frame(index=False))
    for _ in range(_ROUNDS):
        fitted = _fit(sums, vague, (base, factor * doubt), LITTLE_SCATTER)
        factor = fitted.mean
    return Parts(
        factor * before.mean,
        float(np.hypot(before.mean * fitted.deviation, factor * before.deviation)),
        float(np.hypot(fitted.scatter, factor * before.scatter)),
        fitted.own,
        ByLater(before, factor, fitted.deviation),
    )


def _fit(sums: pd.DataFrame, vague: float, before: tuple[Floats, Floats], usual_scatter: float) -> Parts:
    """The parts by weighted sums: a common one times `before`, what is known of each reply, and its doubt."""
    gains, cross, pull = (sums[name].to_numpy()[:, None] for name in ("gg", "ge", "gd"))
    base, doubt = (numbers[:, None] for numbers in before)
    spread = _SCATTERS**2 + doubt**2  # (replies, scatters): of own parts about the common one
    drawn = spread / (1.0 + spread * gains)  # variance of an own part
    precision = vague**-2 + sums["ee"].sum() - (drawn * cross**2).sum(axis=0)
    mean = (_EXPECTED * vague**-2 + sums["ed"].sum() - (drawn * cross * pull).sum(axis=0)) / precision
    likelihood = 0.5 * (
        precision * mean**2
        - np.log(precision)
        + (drawn * pull**2 - np.log1p(spread * gains)).sum(axis=0)
        - (_SCATTERS / usual_scatter) ** 2
    )
    share = np.exp(likelihood - likelihood.max())
    share /= share.sum()
    own = mean * (base - drawn * cross) + drawn * pull
    part, deviation = _mixed(own, drawn + (base - drawn * cross) ** 2 / precision, share)
    [middle], [off] = _mixed(mean[None], 1.0 / precision[None], share)
    return Parts(
        float(middle),
        float(off),
        float(np.sqrt(share @ _SCATTERS**2)),
        pd.DataFrame({"part": part, "deviation": deviation}, index=sums.index),
    )


def _sums(seen: Differences) -> pd.DataFrame:
    """Weighted sums of products by reply, in units of the variance."""
    gain, expected, difference = (seen.rows[name] for name in ("gain", "expected", "difference"))
    weight = seen.rows["weight"] / seen.variance
    products = seen.rows[_REPLY].assign(
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
