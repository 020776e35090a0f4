"""The bands of a list together, as one: numbers of the same columns, weighted by who is among them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner import pooling, stats
from miner.terms import ALL_BANDS, UNRATED, BandScheme

REPLY = ["key", "move"]
FEWEST_PEOPLE = 5
"""Different players at a position below which its rates are those of some persons, not of a band."""
_SUMS = [
    *("games", "players", "games_unknown", "score_sum", "games_at_position", "score_sum_at_position"),
    *("players_at_position", "games_squared_at_position", "known_games"),
]
_GAINS = ("gain_for_band", "gain_low", "gain_usual", "punish_gain", "punish_gain_low")


@dataclass(frozen=True, slots=True)
class Group:
    """The bands that a list is for, in the order of ratings."""

    name: str
    bands: tuple[str, ...]
    with_neighbours: tuple[str, ...]  # and the bands beside them

    @classmethod
    def of(cls, asked: Collection[str], scheme: BandScheme) -> Group:
        """The bands that were asked for; none: all.

        >>> Group.of(["1000-1199", "800-999"], BandScheme((800, 1000, 1200))).name
        '800-1199'
        """
        names = scheme.names
        bands = tuple(band for band in names if band in asked or not asked)
        places = [names.index(band) for band in bands if band != UNRATED]
        beside = {place + step for place in places for step in (-1, 0, 1)}
        around = tuple(
            band for place, band in enumerate(names) if band in bands or (place in beside and band != UNRATED)
        )
        return cls(_group_name(bands, names), bands, around)

    @property
    def is_one_band(self) -> bool:
        """Whether there is nothing to put together."""
        return len(self.bands) == 1


def _group_name(bands: Sequence[str], names: Sequence[str]) -> str:
    if len(bands) == len(names):
        return ALL_BANDS
    place = names.index(bands[0])
    if len(bands) == 1 or UNRATED in bands or tuple(bands) != tuple(names[place : place + len(bands)]):
        return ", ".join(bands)
    lowest, highest = bands[0].split("-")[0], bands[-1]
    return f"{lowest}+" if highest.endswith("+") else f"{lowest}-{highest.split('-')[1]}"


def is_many_people(rows: pd.DataFrame) -> pd.Series[bool]:
    """For each row: whether its rates are those of enough players; who is not known counts as another one."""
    people: pd.Series[int] = rows["players_at_position"] + rows["games_at_position"] - rows["known_games"]
    return people >= FEWEST_PEOPLE


def band_games(replies: pd.DataFrame, reach: pd.DataFrame, white: pd.Series[bool]) -> pd.Series[float]:
    """Games of each band's players with either colour: a series by (band, whether with White).

    `replies` and `reach` are those tables, `white` says by key whether White is to move. Plain reach is the
    share of these games that go through a position.
    """
    there = replies.groupby(["key", "band"])["games_at_position"].first().rename("there").reset_index()
    rows = there.merge(reach[["key", "band", "plain_reach"]], on=["key", "band"])
    rows = rows[rows["plain_reach"] > 0.0].assign(games=lambda row: row["there"] / row["plain_reach"])
    games: pd.Series[float] = rows.groupby(["band", rows["key"].map(white)])["games"].max()
    return games


def together(rows: pd.DataFrame, games_of: pd.Series[float], rates: pd.DataFrame, name: str) -> pd.DataFrame:
    """One row per losing reply for all its bands, under the `name` of their group.

    `rows` has a row for each band that met the position, also if none of it chose the reply, with gain and
    after_games. Games and scores are added up; pick rates are those of `pooled_rates`. Reach is the mean over
    the bands, each by its games with this colour (`games_of`); the gain, that over those who chose the reply.
    """
    of_reply = rows.groupby(REPLY, sort=False)
    sums = of_reply[_SUMS].sum()
    colours = games_of.groupby(level=1).sum()
    own = games_of.reindex(pd.MultiIndex.from_frame(rows[["band", "white_errs"]])).to_numpy(dtype=np.float64)
    share = np.nan_to_num(own / colours.reindex(rows["white_errs"]).to_numpy(dtype=np.float64))
    steered = share * rows["steered_reach"].to_numpy()
    weighted = rows.assign(
        plain_reach=share * rows["plain_reach"],
        steered_reach=steered,
        steered_log_variance=steered**2 * rows["steered_log_variance"],
        **{gain: rows["games"] * rows[gain] for gain in _GAINS},
        expected_after=rows["after_games"] * rows["expected_after"],
    ).groupby(REPLY, sort=False)
    added = weighted[
        [
            *("plain_reach", "steered_reach", "steered_log_variance"),
            *(*_GAINS, "expected_after", "after_games"),
        ]
    ].sum()
    same = of_reply[[column for column in rows if column not in {*_SUMS, *added, *_BY_BAND}]].first()
    grouped: pd.DataFrame = same.join(sums).assign(
        band=name,
        **rates.reindex(sums.index),
        plain_reach=added["plain_reach"],
        steered_reach=added["steered_reach"],
        steered_log_variance=added["steered_log_variance"] / np.maximum(added["steered_reach"] ** 2, 1e-24),
        **{gain: added[gain] / sums["games"] for gain in _GAINS},
        expected_after=added["expected_after"] / added["after_games"].where(added["after_games"] > 0),
        curve=_curve_of_most(rows),
    )
    return grouped.reset_index()


def pooled_rates(replies: pd.DataFrame, *, confidence: float, correlation: float) -> pd.DataFrame:
    """Pick rates of bands taken for one: by (key, move) pick_rate, pick_rate_low and pick_rate_high.

    `replies`: rows of that table of these bands. A share of few games is drawn to what is left for other
    replies, as far as all positions together warrant; games of one player count for less, as the tally's
    `correlation` of players with themselves has it.
    """
    chosen = replies.groupby(REPLY)["games"].sum()
    there = replies.drop_duplicates(["key", "band"]).groupby("key")
    played, squared = (
        there[name].sum().to_numpy(dtype=np.float64)
        for name in ("games_at_position", "games_squared_at_position")
    )
    worth = pooling.worth_of_games(played, squared, correlation)
    place = np.unique(chosen.index.get_level_values("key"), return_inverse=True)[1]
    successes, failures = pooling.pool_as_one(chosen.to_numpy(dtype=np.float64), place, worth)
    low, high = stats.beta_intervals(successes, failures, confidence=confidence)
    rates = {"pick_rate": successes / (successes + failures), "pick_rate_low": low, "pick_rate_high": high}
    return pd.DataFrame(rates, index=chosen.index)


_BY_BAND = {"key", "move", "band", "pick_rate", "pick_rate_low", "pick_rate_high", "curve"}


def _curve_of_most(rows: pd.DataFrame) -> pd.Series[str]:
    """By reply: where the curve comes from of the band that chose it most."""
    most: pd.Series[str] = (
        rows.sort_values("games", ascending=False, kind="stable").groupby(REPLY, sort=False)["curve"].first()
    )
    return most
