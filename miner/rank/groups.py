"""The bands of a list together, as one: numbers of the same columns, weighted by who is among them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from miner import pooling, stats
from miner.arrays import Floats, Ints
from miner.habits import LIKELY
from miner.terms import ALL_BANDS, UNRATED, BandScheme

REPLY = ["key", "move"]
FEWEST_PEOPLE = 5
"""Different players at a position below which its rates are those of some persons, not of a band."""
_SUMS = [
    *("games", "players", "games_unknown", "score_sum", "games_at_position", "score_sum_at_position"),
    *("players_at_position", "games_squared_at_position", "known_games", "reach_games"),
    *("games_elsewhere", "games_at_position_elsewhere"),
]
UNLIKELY = 0.5
"""How likely a reply is that a band has not chosen, as a part of what it is at the most.

Measured, each half of the players by the other: of all replies of rated games three quarters would be
right, but those that lose, of which alone anything is told, are rarer than others that look alike. With a
half 847 choices of these are foretold, and 895 were made; of those of three games or more 698 and 649, of
masters 1,012 and 877.
"""
_NOTHING = 1e-12  # stands for 0 where it is divided by
_NEVER = 1e-6  # as rare as a reply can be that somebody chose
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


def band_games(tallied: Mapping[str, Sequence[int]]) -> pd.Series[int]:
    """Games of each band's players with either colour, of a tally's fact: by (band, whether with White)."""
    games = {(band, white): of[not white] for band, of in tallied.items() for white in (True, False)}
    index = pd.MultiIndex.from_tuples(list(games), names=["band", "white_errs"])
    return pd.Series(list(games.values()), index, dtype=np.int64)


def together(
    rows: pd.DataFrame,
    games_of: pd.Series[int],
    rates: pd.DataFrame,
    name: str,
    weights: pd.Series[float] | None = None,
) -> pd.DataFrame:
    """One row per losing reply for all its bands, under the `name` of their group.

    `rows` has a row for each band that met the position, also if none of it chose the reply, with gain and
    after_games. Games and scores are added up; pick rates are those of `pooled_rates`. Reach is the mean over
    the bands, each by its games with this colour (`games_of`); the gain, that over those who chose the reply,
    by the `weights` of their bands.
    """
    chosen = rows["games"] if weights is None else rows["games"] * rows["band"].map(weights)
    colours = games_of.groupby(level=1).sum()
    own = games_of.reindex(pd.MultiIndex.from_frame(rows[["band", "white_errs"]])).to_numpy(dtype=np.float64)
    of_colour = colours.reindex(rows["white_errs"]).to_numpy()
    rows = rows.assign(games_in_all=of_colour)  # also those of bands that never met the position
    of_reply = rows.groupby(REPLY, sort=False)
    sums = of_reply[_SUMS].sum()
    share = np.nan_to_num(own / of_colour.astype(np.float64))
    steered = share * rows["steered_reach"].to_numpy()
    weighted = rows.assign(
        plain_reach=share * rows["plain_reach"],
        steered_reach=steered,
        steered_log_variance=steered**2 * rows["steered_log_variance"],
        **{gain: chosen * rows[gain] for gain in _GAINS},
        chosen=chosen,
        expected_after=rows["after_games"] * rows["expected_after"],
    ).groupby(REPLY, sort=False)
    added = weighted[
        [
            *("plain_reach", "steered_reach", "steered_log_variance"),
            *(*_GAINS, "expected_after", "after_games", "chosen"),
        ]
    ].sum()
    same = of_reply[[column for column in rows if column not in {*_SUMS, *added, *_BY_BAND}]].first()
    grouped: pd.DataFrame = same.join(sums).assign(
        band=name,
        **rates.reindex(sums.index),
        plain_reach=added["plain_reach"],
        steered_reach=added["steered_reach"],
        steered_log_variance=added["steered_log_variance"] / np.maximum(added["steered_reach"] ** 2, 1e-24),
        **{gain: added[gain] / added["chosen"] for gain in _GAINS},
        expected_after=added["expected_after"] / added["after_games"].where(added["after_games"] > 0),
        curve=_curve_of_most(rows),
    )
    return grouped.reset_index()


def weights_of(replies: pd.DataFrame, games_of: pd.Series[int]) -> pd.Series[float] | None:
    """How much a game of the prior counts for, by band; None: there is no prior.

    Bands then count among its games as much as they do among the store's own: a club of beginners errs as
    beginners do, whoever plays most in the larger database.
    """
    elsewhere = replies.groupby("band")["games_elsewhere"].sum()
    if not elsewhere.any():
        return None
    own = games_of.groupby(level="band").sum().reindex(elsewhere.index, fill_value=0)
    weights: pd.Series[float] = (own / max(own.sum(), 1) * elsewhere.sum() / elsewhere).where(
        elsewhere > 0, 0.0
    )
    return weights


def weighted(
    rows: pd.DataFrame, weights: pd.Series[float], by: list[str], counts: list[str], of: str
) -> pd.DataFrame:
    """Counts of bands added up by their weights: a row for each group `by`, as if of so many equal games.

    Games of unequal weights tell less than as many of equal ones: all `counts` are scaled so that `of`, the
    column of all games, adds up to what they are worth.
    Source: L. Kish, Survey Sampling (1965), effective size of weighted samples (from memory).
    """
    weight = rows["band"].map(weights).fillna(0.0)
    sums = rows[by].assign(
        **{name: weight * rows[name] for name in counts}, all=weight * rows[of], squared=weight**2 * rows[of]
    )
    added: pd.DataFrame = sums.groupby(by)[[*counts, "all", "squared"]].sum()
    scale = (added["all"] / added["squared"]).where(added["squared"] > 0, 0.0)
    return added[counts].mul(scale, axis=0)


def pooled_rates(
    replies: pd.DataFrame,
    foreseen: pd.DataFrame,
    weights: pd.Series[float] | None,
    *,
    confidence: float,
    correlation: float,
) -> pd.DataFrame:
    """Pick rates of bands taken for one: by (key, move) pick_rate, pick_rate_low and pick_rate_high.

    From the Beta distributions of `rates_as_one`.
    """
    beta = rates_as_one(replies, foreseen, weights, correlation=correlation)
    successes, failures = (beta[name].to_numpy() for name in ("successes", "failures"))
    low, high = stats.beta_intervals(successes, failures, confidence=confidence)
    rates = {"pick_rate": successes / (successes + failures), "pick_rate_low": low, "pick_rate_high": high}
    return pd.DataFrame(rates, beta.index)


def rates_as_one(
    replies: pd.DataFrame,
    foreseen: pd.DataFrame,
    weights: pd.Series[float] | None,
    *,
    correlation: float,
) -> pd.DataFrame:
    """Beta distributions of the pick rates of bands taken for one: by (key, move) successes and failures.

    `replies`, `foreseen`: rows of these tables of these bands. A rate is the mean of the bands', each by its
    games at the position, where those of a prior count by their `weights` as of `weights_of`; so it leans on
    what habits make expect, as theirs do. How far it may be off is what the games of all bands would leave
    open if they were one: games of one player count for less, as the tally's `correlation` of players with
    themselves has it, and the rates of a prior are what is expected beforehand.
    """
    at_position = replies.drop_duplicates(["key", "band"])
    there = at_position.groupby("key")
    played, squared = (
        there[name].sum().to_numpy(dtype=np.float64)
        for name in ("games_at_position", "games_squared_at_position")
    )
    worth = pooling.worth_of_games(played, squared, correlation)
    chosen = replies.groupby(REPLY)[["games", "games_elsewhere"]].sum()
    own = (chosen["games"] - chosen["games_elsewhere"]).to_numpy(dtype=np.float64)
    place = np.unique(chosen.index.get_level_values("key"), return_inverse=True)[1]
    if weights is None:
        successes, failures = pooling.pool_as_one(own, place, worth)
    else:
        base, variance = _rates_elsewhere(replies, at_position, chosen.index, place, weights)
        successes, failures = pooling.pool_as_one(own, place, worth, base)
        games = (there["games_at_position"].sum() - there["games_at_position_elsewhere"].sum()) * worth
        # What the prior says counts for all but the store's own games, and is in doubt itself.
        weight = 1.0 - games.to_numpy()[place] / (successes + failures)
        successes, failures = stats.less_sure(successes, failures, np.square(weight) * variance)
    total = successes + failures
    rate = _mean_rates(replies, foreseen, weights, pd.Series(successes / total, chosen.index))
    return pd.DataFrame({"successes": rate * total, "failures": (1.0 - rate) * total}, chosen.index)


def _mean_rates(
    replies: pd.DataFrame,
    foreseen: pd.DataFrame,
    weights: pd.Series[float] | None,
    as_one: pd.Series[float],
) -> Floats:
    """The mean of the bands' pick rates, for the replies (key, move) of `as_one`.

    That holds the rates if all games were of one band. Where neither table says something of a reply and a
    band, none of its games there has it, and less than `LIKELY` is foreseen: then it is taken to be
    `UNLIKELY` of that, or of what all choose if this is less. A position that only bands without weight have
    met keeps the rates of all.
    """
    elsewhere = replies["games_at_position_elsewhere"]
    weigh = 1.0 if weights is None else replies["band"].map(weights).fillna(0.0)
    there = replies.assign(weight=replies["games_at_position"] - elsewhere + elsewhere * weigh)
    by_band = there.drop_duplicates(["key", "band"])[["key", "band", "weight"]]
    told = pd.concat(
        [
            there[[*REPLY, "weight", "pick_rate"]],
            foreseen.merge(by_band, on=["key", "band"])[[*REPLY, "weight", "pick_rate"]],
        ]
    )
    sums = told.assign(rate=told["weight"] * told["pick_rate"]).groupby(REPLY)[["weight", "rate"]].sum()
    sums = sums.reindex(as_one.index)
    whole = by_band.groupby("key")["weight"].sum().reindex(as_one.index.get_level_values("key")).to_numpy()
    unlikely = UNLIKELY * as_one.clip(upper=LIKELY).to_numpy()
    added = sums["rate"].to_numpy() + (whole - sums["weight"].to_numpy()) * unlikely
    return np.where(whole > 0.0, np.clip(added / np.maximum(whole, _NOTHING), _NEVER, 1.0 - _NEVER), as_one)


def _rates_elsewhere(
    replies: pd.DataFrame,
    at_position: pd.DataFrame,
    wanted: pd.Index[Any],
    place: Ints,
    weights: pd.Series[float],
) -> tuple[Floats, Floats]:
    """The prior's pick rates of these replies, and their variances; 0: unknown there.

    `place`: the numbers of the replies' positions.
    """
    total = "games_at_position_elsewhere"
    alike = weighted(at_position, weights, ["key"], [total], total)[total]
    weight = replies["band"].map(weights).fillna(0.0)
    shares = (weight * replies["games_elsewhere"]).groupby([replies["key"], replies["move"]]).sum()
    there = (weight * at_position[total]).groupby(at_position["key"]).sum()
    games = shares.reindex(wanted).to_numpy() * (alike / there).fillna(0.0).to_numpy()[place]
    successes, failures = pooling.pool_as_one(games, place, np.ones(len(alike)))
    rates, known = successes / (successes + failures), there.to_numpy()[place] > 0
    variance = rates * (1.0 - rates) / (successes + failures + 1.0)
    return np.where(known, rates, 0.0), np.where(known, variance, 0.0)


_BY_BAND = {"key", "move", "band", "pick_rate", "pick_rate_low", "pick_rate_high", "curve"}


def _curve_of_most(rows: pd.DataFrame) -> pd.Series[str]:
    """By reply: where the curve comes from of the band that chose it most."""
    most: pd.Series[str] = (
        rows.sort_values("games", ascending=False, kind="stable").groupby(REPLY, sort=False)["curve"].first()
    )
    return most
