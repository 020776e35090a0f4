"""How players went on after a losing reply, as far as games were followed, beside its other numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from miner import pooling, stats
from miner.arrays import Floats
from miner.finding import aftermath
from miner.rank.groups import REPLY, Group
from miner.store import Store
from miner.terms import UNRATED

_EVEN_GAMES = 10.0  # that half the players find it, before any game is seen
AFTERMATH = (
    *("find_rate", "find_rate_low", "find_rate_high", "after_score", "after_gap"),
    *("model_games", "trend", "trend_p"),
)
"""Columns of `with_aftermath` that are not added up over bands, but counted anew for them together."""
_UNKNOWN = ("find_rate", "find_rate_low", "find_rate_high", "after_games", "after_score", "after_gap")


def with_aftermath(
    store: Store, rows: pd.DataFrame, bands: tuple[str, ...], group: Group | None = None
) -> pd.DataFrame:
    """The rows (of columns key, move, band) with more columns, empty where nothing is known.

    With a `group` the rows are of that, under its name, not of one of the `bands`.

    find_rate with its bounds find_rate_low and find_rate_high; after_games, after_score (sum) and after_gap
    (mean rating gap) of the band's players who profited; model_games, a list of numbers; trend and trend_p.
    """
    if store.manifest("follow") is None:
        return rows.assign(**dict.fromkeys(_UNKNOWN, np.nan), model_games=None, trend="", trend_p=np.nan)
    tally = store.require("tally")
    counted, after = aftermath.find_rates(store), store.read_table("afterwards").to_pandas()
    if group is not None:
        counted, after = _of_group(counted, group), _of_group(after, group)
        bands = (group.name, UNRATED)
    found = pooled_find_rates(
        counted,
        bands,
        confidence=tally.settings["confidence"],
        correlation=tally.facts.get("player_correlation", 0.0),
    )
    names = {"games": "after_games", "score_sum": "after_score", "mean_rating_gap": "after_gap"}
    models = model_games(store.read_table("model_games", [*REPLY, "place", "game"]).to_pandas())
    trends = aftermath.trends(store).rename(columns={"p": "trend_p"})[[*REPLY, "trend", "trend_p"]]
    for by_band in (found, after.rename(columns=names)):
        rows = rows.merge(by_band, on=[*REPLY, "band"], how="left")
    for by_reply in (models, trends):
        rows = rows.merge(by_reply, on=REPLY, how="left")
    return rows.fillna({"trend": ""})


def _of_group(by_band: pd.DataFrame, group: Group) -> pd.DataFrame:
    """Counts by losing reply and band, added up for the bands of a group; rating gaps are averaged."""
    rows = by_band[by_band["band"].isin(group.bands)]
    if "mean_rating_gap" in rows:
        rows = rows.assign(gaps=rows["games"] * rows["mean_rating_gap"])
    sums: pd.DataFrame = rows.groupby(REPLY)[
        [column for column in rows.select_dtypes("number") if column not in REPLY]
    ].sum()
    if "gaps" in rows:
        sums = sums.assign(mean_rating_gap=sums["gaps"] / sums["games"])
    return sums.reset_index().assign(band=group.name)


def pooled_find_rates(
    counted: pd.DataFrame, bands: tuple[str, ...], *, confidence: float, correlation: float = 0.0
) -> pd.DataFrame:
    """Who finds the punishment: a row per losing reply and band, for every band as soon as one was there.

    `counted` has the columns key, move, band, games, players (0: not known), and found, the games with the
    punishment. Bands lean on each other as far as the data warrant (see `miner.pooling`), and games of one
    player count for less, as the tally's `correlation` of players with themselves has it. Columns key, move,
    band, find_rate and its bounds find_rate_low and find_rate_high.
    """
    replies = counted[REPLY].drop_duplicates().sort_values(REPLY, ignore_index=True)
    place = counted[REPLY].merge(replies.reset_index(), on=REPLY, how="left")["index"].to_numpy()
    band = pd.Index(bands).get_indexer(pd.Index(counted["band"]))
    found, missed = np.zeros((2, len(replies), len(bands)))
    found[place, band] = counted["found"]
    missed[place, band] = counted["games"] - counted["found"]
    players = np.zeros(found.shape)
    players[place, band] = counted["players"]
    games = found + missed
    squared = np.divide(games * games, players, out=games.copy(), where=players > 0)
    worth = pooling.worth_of_games(games, squared, correlation)
    successes, failures = _pooled(found, missed, worth)
    low, high = stats.beta_interval(successes, failures, confidence=confidence)
    row, column = (numbers.ravel() for numbers in np.indices(found.shape))
    rates: pd.DataFrame = replies.loc[row].reset_index(drop=True)
    return rates.assign(
        band=np.array(bands)[column],
        find_rate=(successes / (successes + failures)).ravel(),
        find_rate_low=low.ravel(),
        find_rate_high=high.ravel(),
    )


def _pooled(found: Floats, missed: Floats, worth: Floats) -> tuple[Floats, Floats]:
    """Beta distributions of the find rates, (replies, bands) each; `worth`: see `pooling.Games`.

    Before its own games are seen, a reply is expected to be punished as often as all of them together are:
    three of three found is no certainty.
    """
    replies, bands = found.shape
    usual = (found.sum() + _EVEN_GAMES / 2.0) / (found.sum() + missed.sum() + _EVEN_GAMES)
    counted = pooling.ReplyCounts(
        chosen=np.stack([found, missed], axis=1).reshape(2 * replies, bands),
        position=np.repeat(np.arange(replies), 2),
        worth=worth,
        base=np.tile([[usual], [1.0 - usual]], (replies, bands)),
    )
    pooled = pooling.pool(counted, pooling.fit_resemblance(counted))
    both = pooled.successes.astype(np.float64).reshape(replies, 2, bands)
    return both[:, 0], both[:, 1]


def model_games(table: pd.DataFrame) -> pd.DataFrame:
    """The numbers of each losing reply's model games, the best first: columns key, move, model_games."""
    ordered = table.sort_values([*REPLY, "place"])
    return ordered.groupby(REPLY)["game"].agg(list).rename("model_games").reset_index()
