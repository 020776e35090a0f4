"""How often pupils err before a lesson and after it, with honest intervals."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from miner import stats
from miner.arrays import Floats

FEWEST = 5
"""Occasions on either side of the lesson below which nothing is said of a change."""

CLEAR_BELOW = 0.05
"""A change is clear if chance alone brings one as great in fewer comparisons than this share of them."""

EVERYBODY = "all"

_JEFFREYS = 0.5  # added to either count: Beta(1/2, 1/2) before anything was seen
_POINTS = 1_000  # of the first rate's distribution that the difference's is averaged over
_SKILLS = {"falling in": ("fell in", "avoided"), "punishing": ("punished", "missed")}
_COUNTS = ("yes_before", "no_before", "yes_after", "no_after")


class ChangeVerdict(StrEnum):
    """The judgement of a change."""

    BETTER = "better"
    WORSE = "worse"
    UNCLEAR = "no clear change"
    TOO_LITTLE = "too little to tell"


@dataclass(frozen=True, kw_only=True, slots=True)
class RateChange:
    """A rate before and after, and the difference, after less before; all shares 0 to 1."""

    before: float
    before_low: float
    before_high: float
    after: float
    after_low: float
    after_high: float
    change: float
    change_low: float
    change_high: float
    p_lower: float  # how likely the rate is lower after than before


def rate_change(
    before: tuple[float, float], after: tuple[float, float], *, confidence: float = 0.9
) -> RateChange:
    """The change between two shares, each given as how often it was so and how often not.

    Each rate has the posterior Beta(k + 1/2, n - k + 1/2), told by its median and equal-tailed interval, so
    that nothing is said about no games but that the rate lies between 0 and 1. The difference's interval is
    that of the difference of two independent such rates.

    Source: Jeffreys' prior as in L. Brown, T. Cai, A. DasGupta, Statistical Science 16 (2001) 101-133, from
    memory.
    """
    first = before[0] + _JEFFREYS, before[1] + _JEFFREYS
    second = after[0] + _JEFFREYS, after[1] + _JEFFREYS
    tail = (1.0 - confidence) / 2.0
    (before_low, after_low), (before_high, after_high) = stats.beta_interval(
        np.array([first[0], second[0]]), np.array([first[1], second[1]]), confidence=confidence
    )
    median_before, median_after = (float(special.betaincinv(*beta, 0.5)) for beta in (first, second))
    drawn = np.asarray(special.betaincinv(*first, (np.arange(_POINTS) + 0.5) / _POINTS), dtype=np.float64)
    return RateChange(
        before=median_before,
        before_low=float(before_low),
        before_high=float(before_high),
        after=median_after,
        after_low=float(after_low),
        after_high=float(after_high),
        change=_quantile(drawn, second, 0.5),
        change_low=_quantile(drawn, second, tail),
        change_high=_quantile(drawn, second, 1.0 - tail),
        p_lower=_below(0.0, drawn, second),
    )


def _below(difference: float, drawn: Floats, second: tuple[float, float]) -> float:
    """How likely the second rate exceeds the first by less than this, the first being one of `drawn`."""
    return float(special.betainc(*second, np.clip(drawn + difference, 0.0, 1.0)).mean())


def _quantile(drawn: Floats, second: tuple[float, float], probability: float) -> float:
    def too_much(difference: float) -> float:
        return _below(difference, drawn, second) - probability

    return float(optimize.brentq(too_much, -1.0, 1.0, xtol=1e-6))


def dispersion(yes: Floats, no: Floats) -> float:
    """How much more pupils differ from each other than chance alone would have it, at least 1.

    Pearson's statistic by its degrees of freedom, over pupils with one common rate. Counts of a group are
    divided by it, since games of one pupil are not independent of each other.

    Source: P. McCullagh, J. Nelder, Generalized Linear Models, 2nd ed., 4.5, from memory.
    """
    games = yes + no
    rate = yes.sum() / games.sum() if games.sum() else 0.0
    if len(games) < 2 or not 0.0 < rate < 1.0:
        return 1.0
    pearson = ((yes - games * rate) ** 2 / (games * rate * (1.0 - rate))).sum()
    return max(1.0, float(pearson / (len(games) - 1)))


_COLUMNS = ("pupil", "skill", *_COUNTS, *RateChange.__dataclass_fields__, "verdict")


def progress_of(meetings: pd.DataFrame, *, confidence: float) -> pd.DataFrame:
    """One row per pupil and skill, and one per skill for the pupil `all`.

    Columns: pupil; skill (falling in: fewer is better; punishing: more is better); yes_before, no_before,
    yes_after, no_after (positions in games before and after the lesson in which the pupil did it or not); the
    fields of `Change`; verdict. For `all` only pupils count who were asked on both sides of the lesson, so
    that it compares the same pupils, and their counts are divided by their `dispersion`.
    `meetings` as in `PupilsCheck`.
    """
    rows = []
    for skill, (yes, no) in _SKILLS.items():
        asked = meetings[meetings["outcome"].isin([yes, no]) & (meetings["period"] != "")]
        asked = asked.drop_duplicates(["pupil", "source", "number", "key"])
        counts = _counts(asked.assign(yes=(asked["outcome"] == yes).astype(np.int64)))
        rows += [_row(pupil, skill, four, four, confidence) for pupil, four in counts.items()]
        both = [four for four in counts.values() if four[0] + four[1] and four[2] + four[3]]
        if both:
            table = np.array(both, dtype=np.float64)
            sums = table.sum(axis=0)
            spread = np.repeat([dispersion(*table[:, :2].T), dispersion(*table[:, 2:].T)], 2)
            rows.append(_row(EVERYBODY, skill, sums, sums / spread, confidence))
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _counts(asked: pd.DataFrame) -> dict[str, tuple[int, int, int, int]]:
    """By pupil: yes and no before, yes and no after."""
    found = {}
    for pupil, rows in asked.groupby("pupil", sort=True):
        four = []
        for period in ("before", "after"):
            there = rows.loc[rows["period"] == period, "yes"]
            four += [int(there.sum()), int((1 - there).sum())]
        found[str(pupil)] = (four[0], four[1], four[2], four[3])
    return found


def _row(pupil: str, skill: str, shown: Any, weighed: Any, confidence: float) -> dict[str, Any]:
    """`shown` are the counts that are shown, `weighed` those that the intervals are made of."""
    change = rate_change((weighed[0], weighed[1]), (weighed[2], weighed[3]), confidence=confidence)
    counts = dict(zip(_COUNTS, map(int, shown), strict=True))
    verdict = str(verdict_of(skill, shown, weighed))
    return {"pupil": pupil, "skill": skill, **counts, **asdict(change), "verdict": verdict}


def verdict_of(skill: str, shown: Any, weighed: Any) -> ChangeVerdict:
    """By Fisher's exact test, two-sided, of the shares that are shown, in as many times as they are worth.

    Source: R. A. Fisher, as in scipy. The bounds of a rate that is hardly ever seen are too narrow for a
    verdict: 1 of 17 and then 3 of 9 lay outside them, though chance brings that in one of ten comparisons.
    """
    if min(shown[0] + shown[1], shown[2] + shown[3]) < FEWEST:
        return ChangeVerdict.TOO_LITTLE
    # It takes half as long to import as all the rest, and every command would wait for it.
    from scipy.stats import fisher_exact

    table = np.array([_whole(shown[:2], weighed[:2]), _whole(shown[2:], weighed[2:])])
    if fisher_exact(table).pvalue >= CLEAR_BELOW:
        return ChangeVerdict.UNCLEAR
    is_fewer = weighed[2] * (weighed[0] + weighed[1]) < weighed[0] * (weighed[2] + weighed[3])
    return ChangeVerdict.BETTER if is_fewer == (skill == "falling in") else ChangeVerdict.WORSE


def _whole(shown: Any, weighed: Any) -> tuple[int, int]:
    """Whole counts, yes and no, of one side: no more than they are worth, the share as near as it can be."""
    times = int(sum(weighed))
    yes = round(times * shown[0] / sum(shown))
    return yes, times - yes
