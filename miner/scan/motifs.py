"""How often each motif occurs and is punished, per band, with intervals that take players as the unit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from miner import pooling
from miner.explain.motif import Motif, words
from miner.schema import MOTIFS
from miner.stats import beta_interval
from miner.terms import ALL_BANDS, BandScheme

TOLD_FROM = 5
"""Players who fell for a motif from which it is told: of fewer nobody knows whether it recurs."""
_NODE = ["pattern", "piece", "square"]
_JEFFREYS = 0.5  # added to successes and failures


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
    sides = _sides(games, bands)
    nodes = _nodes(moments)
    told = set(nodes[_is_told(nodes)][_NODE].itertuples(index=False, name=None))
    node_of = moments.loc[nodes["moment"]].reset_index(drop=True)
    rows = nodes.assign(
        who=_who(node_of["player"], node_of["game"], node_of["ply"] % 2),
        other=_who(node_of["player_other"], node_of["game"], (node_of["ply"] + 1) % 2),
        **{name: node_of[name] for name in ("game", "band", "band_other", "found", "found_best", "loss")},
    )
    fallen = _counted(rows, "band", "who")
    faced = _counted(rows[rows["found"].notna()], "band_other", "other")
    played = _exposure(sides)
    correlation = _correlation(fallen, played)
    found: list[dict[str, Any]] = []
    for key in sorted({*fallen, *faced}, key=_order(bands)):
        band, *node = key
        mine, theirs = fallen.get(key), faced.get(key)
        scanned, squared = played[band]
        has = mine if mine is not None else _NONE
        found.append(
            {
                "band": band,
                "motif": words(*node),
                **dict(zip(_NODE, node, strict=True)),
                "games_scanned": scanned,
                "games": has.games,
                "players": has.players,
                **_rate("per_100", has.games, scanned, squared, correlation, confidence, times=100.0),
                **_finding(theirs if theirs is not None else _NONE, correlation, confidence),
                "gain": has.gain if mine is not None else (theirs or _NONE).gain,
                "is_told": tuple(node) in told,
            }
        )
    return pd.DataFrame(found, columns=MOTIFS.names)


class _Counted:
    """What the moments of one band at one node add up to; a game counts once."""

    def __init__(self, rows: pd.DataFrame, who: str) -> None:
        once = rows.drop_duplicates(["game", who])
        each = once[who].value_counts().to_numpy(dtype=np.float64)
        self.games, self.players = len(once), len(each)
        self.squared = float(np.sum(each * each))
        known = once["found"].notna()
        self.found = int(once.loc[known, "found"].astype(bool).sum())
        self.found_best = int(once.loc[known, "found_best"].astype(bool).sum())
        self.gain = float(once["loss"].mean()) if len(once) else 0.0


_NONE = _Counted(pd.DataFrame({name: [] for name in ("game", "who", "found", "found_best", "loss")}), "who")


def _counted(rows: pd.DataFrame, band: str, who: str) -> dict[tuple[str, ...], _Counted]:
    counted: dict[tuple[str, ...], _Counted] = {}
    for node, part in rows.groupby(_NODE, sort=False):
        for name, of_band in part.groupby(band, sort=False):
            counted[(str(name), *map(str, node))] = _Counted(of_band, who)
        counted[(ALL_BANDS, *map(str, node))] = _Counted(part, who)
    return counted


def _nodes(moments: pd.DataFrame) -> pd.DataFrame:
    """A row per moment and grain: moment, grain (0: coarse), pattern, piece, square, and who fell."""
    rows = [
        (moment, grain, *node)
        for moment, pattern, piece, square in moments[_NODE].itertuples(name=None)
        for grain, node in enumerate(Motif(pattern, piece, square).grains)
    ]
    nodes = pd.DataFrame(rows, columns=["moment", "grain", *_NODE])
    who = pd.Series(_who(moments["player"], moments["game"], moments["ply"] % 2), index=moments.index)
    return nodes.assign(fell=nodes["moment"].map(who))


def _is_told(nodes: pd.DataFrame) -> pd.Series:
    told: pd.Series = nodes.groupby(_NODE)["fell"].transform("nunique") >= TOLD_FROM
    return told


def _who(player: pd.Series, game: pd.Series, side: pd.Series) -> Any:
    """A number for each player; each who is not known is another in every game."""
    unknown = (1 << 40) + 2 * game.to_numpy(dtype=np.int64) + side.to_numpy(dtype=np.int64)
    known = player.to_numpy(dtype=np.int64)
    return np.where(known > 0, known, unknown)


def _sides(games: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """A row per game and side: the band and who plays it."""
    names = np.array(bands.names, dtype=object)
    parts = [
        pd.DataFrame(
            {
                "band": names[bands.places_of(games[f"{side}_rating"].to_numpy())],
                "who": _who(games[f"{side}_player"], games["game"], pd.Series(np.full(len(games), place))),
            }
        )
        for place, side in enumerate(("white", "black"))
    ]
    return pd.concat(parts, ignore_index=True)


def _exposure(sides: pd.DataFrame) -> dict[str, tuple[int, float]]:
    """Games of the players of each band, and each player's games squared and added up."""
    exposure = {}
    for band, part in (*sides.groupby("band", sort=False), (ALL_BANDS, sides)):
        each = part["who"].value_counts().to_numpy(dtype=np.float64)
        exposure[str(band)] = len(part), float(np.sum(each * each))
    return exposure


def _correlation(fallen: dict[tuple[str, ...], _Counted], played: dict[str, tuple[int, float]]) -> float:
    """How much likelier a player falls for the same motif twice than two players each once.

    By the finest nodes; a game without the motif is the other of two choices.
    """
    cells = [
        (one, played[band]) for (band, _, _, square), one in fallen.items() if square and band != ALL_BANDS
    ]
    if not cells:
        return 0.0
    chosen = np.array([one.games for one, _ in cells], dtype=np.float64)
    squared = np.array([one.squared for one, _ in cells])
    total = np.array([games for _, (games, _) in cells], dtype=np.float64)
    there = np.array([own for _, (_, own) in cells])
    # Of pairs of one player's games those with the motif in both are known; of the rest the difference is.
    same, other = there - total, total * total - there
    fine = (same > 0) & (other > 0)
    chance = (chosen * chosen - squared)[fine] / other[fine]
    room = float(np.sum(same[fine] * (chosen / total)[fine] * (1.0 - (chosen / total)[fine])))
    if room <= 0.0:
        return 0.0
    return float(np.clip(np.sum((squared - chosen)[fine] - same[fine] * chance) / room, 0.0, 1.0))


def _rate(
    name: str,
    count: int,
    of: int,
    squared: float,
    correlation: float,
    confidence: float,
    *,
    times: float = 1.0,
) -> dict[str, float]:
    """A share with its bounds, `count` of `of` games."""
    [worth] = pooling.worth_of_games(np.array([float(of)]), np.array([squared]), correlation)
    low, high = beta_interval(
        np.array([count * worth + _JEFFREYS]),
        np.array([(of - count) * worth + _JEFFREYS]),
        confidence=confidence,
    )
    share = count / of if of else 0.0
    bounds = (share, min(float(low[0]), share), max(float(high[0]), share))
    return {f"{name}{end}": times * value for end, value in zip(("", "_low", "_high"), bounds, strict=True)}


def _finding(faced: _Counted, correlation: float, confidence: float) -> dict[str, Any]:
    counts: dict[str, Any] = {
        "chances": faced.games,
        "chance_players": faced.players,
        "found": faced.found,
        "found_best": faced.found_best,
    }
    if faced.players < TOLD_FROM:
        return counts | dict.fromkeys(("find_rate", "find_rate_low", "find_rate_high", "best_rate"))
    rate = _rate("find_rate", faced.found, faced.games, faced.squared, correlation, confidence)
    return counts | rate | {"best_rate": faced.found_best / faced.games}


def _order(bands: BandScheme) -> Any:
    places = {name: place for place, name in enumerate((ALL_BANDS, *bands.names))}
    return lambda key: (places[key[0]], key[1:])
