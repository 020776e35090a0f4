"""How often a losing reply is still chosen, season by season. Counts in, shares and a trend out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from miner import stats

Trend = Literal["falling", "rising", "steady", ""]

ENOUGH_GAMES = 20
"""Games at the position from which a season is compared with another."""
CHANCE = 0.05
"""How likely chance alone may make a change that is still called one."""


def season_of(year: int, month: int, starts: int) -> str:
    """The season of a month (0: not known) where seasons begin in month `starts`; empty: not known.

    Only where seasons are calendar years is the year alone enough.

    >>> season_of(2025, 3, 8), season_of(2025, 8, 8), season_of(2025, 0, 8), season_of(2025, 0, 1)
    ('2024/25', '2025/26', '', '2025')
    """
    if starts == 1:
        return str(year)
    if not 1 <= month <= 12:
        return ""
    first = year if month >= starts else year - 1
    return f"{first}/{(first + 1) % 100:02d}"


def seasons_of(by_month: pd.DataFrame, starts: int, confidence: float) -> pd.DataFrame:
    """The rows of `seasons`; `by_month` has the columns key, move, year, month (0: none), games, with_reply.

    Intervals are those of Beta(with + 1/2, without + 1/2).
    Source: H. Jeffreys, Theory of Probability, 3rd ed., section 3.1 (from memory), for the prior.
    """
    seasons = [
        season_of(int(year), int(month), starts)
        for year, month in zip(by_month["year"], by_month["month"], strict=True)
    ]
    known = by_month.assign(season=seasons)
    by_season = known[known["season"] != ""].groupby(["key", "move", "season"])[["games", "with_reply"]]
    counted = by_season.sum().astype(np.int64).reset_index()
    chosen, there = counted["with_reply"].to_numpy(), counted["games"].to_numpy()
    low, high = stats.beta_interval(chosen + 0.5, there - chosen + 0.5, confidence=confidence)
    rows: pd.DataFrame = counted.rename(
        columns={"games": "games_at_position", "with_reply": "games_with_reply"}
    ).assign(share=chosen / there, share_low=low, share_high=high)
    return rows


@dataclass(frozen=True, slots=True)
class Change:
    """A share's change from one season to the next; empty if there are no two to be compared."""

    trend: Trend = ""
    p: float | None = None  # how likely chance alone makes such a change
    before: str = ""  # the seasons that are compared
    last: str = ""


def change_between(seasons: Sequence[tuple[str, int, int]], *, enough: int = ENOUGH_GAMES) -> Change:
    """The change between the last two seasons with enough games at the position.

    Each season is its name, the games at the position and those of them with the reply.
    Source: R. A. Fisher's exact test, two-sided, as in scipy.

    >>> change_between([("2023/24", 40, 20), ("2024/25", 40, 4)]).trend
    'falling'
    """
    usable = sorted(season for season in seasons if season[1] >= enough)[-2:]
    if len(usable) < 2:
        return Change()
    # It takes half as long to import as all the rest, and every command would wait for it.
    from scipy.stats import fisher_exact

    (before, there_before, chosen_before), (last, there, chosen) = usable
    table = np.array([[chosen, there - chosen], [chosen_before, there_before - chosen_before]])
    p = float(fisher_exact(table).pvalue)
    if p >= CHANCE:
        return Change("steady", p, before, last)
    rises = chosen / there > chosen_before / there_before
    return Change("rising" if rises else "falling", p, before, last)
