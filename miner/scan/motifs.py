"""How often each motif occurs and is punished, per band, with intervals that take players as the unit."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from miner import pooling
from miner.arrays import Floats
from miner.explain.motif import Motif, words
from miner.finding.motifs import TOLD_FROM
from miner.schema import MOTIFS
from miner.terms import ALL_BANDS, BandScheme

_NODE = ["pattern", "piece", "square"]


def with_motifs(moments: pd.DataFrame) -> pd.DataFrame:
    """The moments with a column `motif`: the finest grain for which `TOLD_FROM` players fell, in words."""
    nodes = _nodes(moments)
    told = nodes[_is_told(nodes)]
    finest = told.sort_values("grain").drop_duplicates("moment", keep="last").set_index("moment")
    names = {row: words(*node) for row, *node in finest[_NODE].itertuples(name=None)}
    coarse = moments["pattern"].to_dict()
    return moments.assign(motif=[names.get(row, coarse[row]) for row in moments.index])


def count_motifs(
    moments: pd.DataFrame, games: pd.DataFrame, bands: BandScheme, confidence: float
) -> pd.DataFrame:
    """The rows of `motifs`; `games` are those of the sample.

    A player's game counts once for a motif, however often it happens in it. Intervals are of Beta
    distributions, with as many independent games as the games of so few players are worth.
    Source: the prior of one half is H. Jeffreys', Proc. R. Soc. A 186 (1946) 453-461 (from memory).
    """
    counted, correlation = tally_motifs(moments, games, bands)
    for name, share in _shares(
        counted["games"], counted["games_scanned"], counted["own"], correlation, confidence
    ):
        counted[f"per_100{name}"] = 100.0 * share
    of_few = counted["chance_players"] < TOLD_FROM
    rates = _shares(counted["found"], counted["chances"], counted["squared_faced"], correlation, confidence)
    for name, share in rates:
        counted[f"find_rate{name}"] = np.where(of_few, np.nan, share)
    best = counted["found_best"] / counted["chances"].where(counted["chances"] > 0)
    counted["best_rate"] = best.where(~of_few)
    for name, falls, finds in (
        ("costs", "per_100", "find_rate"),
        ("costs_low", "per_100_low", "find_rate_high"),
    ):
        missed = (1.0 - counted[finds]) * counted["chances"] / counted["games_scanned"]
        counted[name] = (counted[falls] + 100.0 * missed.fillna(0.0)) * counted["gain"]
    places = {name: place for place, name in enumerate((ALL_BANDS, *bands.names))}
    order = counted.assign(band=counted["band"].map(places)).sort_values(["band", *_NODE]).index
    whole = dict.fromkeys(_COUNTS, "int64")
    ordered: pd.DataFrame = counted.loc[order, MOTIFS.names].astype(whole).reset_index(drop=True)
    return ordered


def tally_motifs(
    moments: pd.DataFrame,
    games: pd.DataFrame,
    bands: BandScheme,
    among: Callable[[Any], Any] = lambda who: np.ones(len(who), dtype=np.bool_),
) -> tuple[pd.DataFrame, float]:
    """What happened to the players `among` the numbers of all, and how much alike one player's games are.

    A row per band and node, columns as in `motifs` as far as they are counted; `own` and `squared_faced`:
    each player's games scanned, and those in which he could punish, squared and added up. Whether a motif
    recurs depends on all players.
    """
    nodes = _nodes(moments)
    told = nodes.loc[_is_told(nodes), _NODE].drop_duplicates().assign(recurs=True)
    of_node = moments.loc[nodes["moment"]].reset_index(drop=True)
    rows = nodes.assign(
        who=who_of(of_node["player"], of_node["game"], of_node["ply"] % 2),
        other=who_of(of_node["player_other"], of_node["game"], (of_node["ply"] + 1) % 2),
        found=of_node["found"].astype("float64"),
        found_best=of_node["found_best"].astype("float64"),
        **{name: of_node[name] for name in ("game", "band", "band_other", "loss")},
    )
    sides = sides_of(games, bands)
    fallen = _counted(rows[among(rows["who"])], "band", "who")
    faced = _counted(rows[rows["found"].notna() & among(rows["other"])], "band_other", "other")
    counted = fallen.join(faced.add_suffix("_faced"), how="outer").reset_index()
    exposure = _exposure(sides[among(sides["who"])])
    counted = counted.merge(exposure, on="band").merge(told, how="left", on=_NODE)
    gain = counted["gain"].fillna(counted["gain_faced"])
    counted = counted.drop(columns="recurs").fillna(0.0).assign(recurs=counted["recurs"].notna(), gain=gain)
    counted = counted.assign(
        motif=[words(*node) for node in counted[_NODE].itertuples(index=False, name=None)],
        chances=counted["games_faced"],
        chance_players=counted["players_faced"],
        found=counted["found_faced"],
        found_best=counted["found_best_faced"],
    )
    return counted, _correlation(counted)


_COUNTS = ("games_scanned", "games", "players", "chances", "chance_players", "found", "found_best")


def _counted(rows: pd.DataFrame, band: str, who: str) -> pd.DataFrame:
    """What the moments of each band, and of all, add up to at each node; a player's game counts once.

    Index: band, pattern, piece, square; columns: games, players, squared (each player's games squared and
    added up), found, found_best, gain.
    """
    named = rows.assign(band=rows[band])
    both = pd.concat([named, named.assign(band=ALL_BANDS)], ignore_index=True)
    keys = ["band", *_NODE]
    once = both.drop_duplicates([*keys, "game", who])
    of_each = once.groupby([*keys, who]).size()
    grouped = once.groupby(keys)
    return pd.DataFrame(
        {
            "games": grouped.size(),
            "players": of_each.groupby(level=keys).size(),
            "squared": (of_each**2).groupby(level=keys).sum(),
            "found": grouped["found"].sum(),
            "found_best": grouped["found_best"].sum(),
            "gain": grouped["loss"].mean(),
        }
    )


def _nodes(moments: pd.DataFrame) -> pd.DataFrame:
    """A row per moment and grain: moment, grain (0: coarse), pattern, piece, square, and who fell."""
    rows = [
        (moment, grain, *node)
        for moment, pattern, piece, square in moments[_NODE].itertuples(name=None)
        for grain, node in enumerate(Motif(pattern, piece, square).grains)
    ]
    nodes = pd.DataFrame(rows, columns=["moment", "grain", *_NODE])
    who = pd.Series(who_of(moments["player"], moments["game"], moments["ply"] % 2), index=moments.index)
    return nodes.assign(fell=nodes["moment"].map(who))


def _is_told(nodes: pd.DataFrame) -> pd.Series:
    told: pd.Series = nodes.groupby(_NODE)["fell"].transform("nunique") >= TOLD_FROM
    return told


def who_of(player: pd.Series, game: pd.Series, side: pd.Series) -> Any:
    """A number for each player; each who is not known is another in every game."""
    unknown = (1 << 40) + 2 * game.to_numpy(dtype=np.int64) + side.to_numpy(dtype=np.int64)
    known = player.to_numpy(dtype=np.int64)
    return np.where(known > 0, known, unknown)


def sides_of(games: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """A row per game and side: the band and who plays it."""
    names = np.array(bands.names, dtype=object)
    parts = [
        pd.DataFrame(
            {
                "band": names[bands.places_of(games[f"{side}_rating"].to_numpy())],
                "who": who_of(games[f"{side}_player"], games["game"], pd.Series(np.full(len(games), place))),
            }
        )
        for place, side in enumerate(("white", "black"))
    ]
    return pd.concat(parts, ignore_index=True)


def _exposure(sides: pd.DataFrame) -> pd.DataFrame:
    """By band: games of its players, and each player's games squared and added up (`own`)."""
    both = pd.concat([sides, sides.assign(band=ALL_BANDS)], ignore_index=True)
    of_each = both.groupby(["band", "who"]).size()
    by_band = of_each.groupby(level="band")
    own = (of_each**2).groupby(level="band").sum()
    return pd.DataFrame({"games_scanned": by_band.sum(), "own": own}).reset_index()


def _correlation(counted: pd.DataFrame) -> float:
    """How much likelier one player falls for the same motif in two games than two players do: 0 no, 1 always.

    By the finest nodes, in all bands.
    Source: the pair estimator of a common correlation, as in `pooling.intra_player_correlation`.
    """
    fine = counted[(counted["square"] != "") & (counted["band"] != ALL_BANDS)]
    total, own = fine["games_scanned"].to_numpy(float), fine["own"].to_numpy(float)
    chosen, squared = fine["games"].to_numpy(float), fine["squared"].to_numpy(float)
    same, other = own - total, total * total - own
    known = (same > 0) & (other > 0)
    share = chosen[known] / total[known]
    room = float(np.sum(same[known] * share * (1.0 - share)))
    if room <= 0.0:
        return 0.0
    by_chance = same[known] * (chosen * chosen - squared)[known] / other[known]
    return float(np.clip(np.sum((squared - chosen)[known] - by_chance) / room, 0.0, 1.0))


def _shares(
    count: pd.Series, of: pd.Series, squared: pd.Series, correlation: float, confidence: float
) -> Iterator[tuple[str, Floats]]:
    """The share `count` of `of` games and its bounds, each with how its name ends; `squared`: by players."""
    shares = pooling.share_of_players(
        count.to_numpy(float), of.to_numpy(float), squared.to_numpy(float), correlation, confidence=confidence
    )
    yield from zip(("", "_low", "_high"), shares, strict=True)
