"""Whether errors fall with rating, as they are known to: the second table of `replication.py`.

Of the held-out games' replies that were judged, the share that is losing, band by band; bands pooled from the
weakest up until they hold enough replies. `in place` compares within positions, as if all bands had met them
equally often.

Source (from memory): K. Regan, B. Macieja, G. Haworth, Understanding distributions of chess performances
(2011): a player's average error per move falls in a straight line with his rating, rating = 3571 - 15413 x
error in (scaled) pawns. So the errors of two bands should be to each other as 3571 - rating. The line was
fitted to masters' moves after the opening, and to another rating list than an amateurs' server has: the
direction and the rough size can be asked for, no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from benchmarks.mined import CONFIDENCE, Halves, moves_in
from miner import stats
from miner.terms import UNRATED, BandScheme

ENOUGH = 1500  # replies of a band that stands alone
PERFECT = 3571  # rating at which no error is left, see above


def replies_made(mined: Sequence[Halves]) -> pd.DataFrame:
    """The judged replies of rated players in the held-out games: columns of `moves_in`, losing and loss."""
    parts = []
    for way, one in enumerate(mined):
        judged = one.judged[one.judged["state"] == "judged"]
        made = moves_in(one.held_out, judged["key"], one.bands)
        made = made.merge(judged[["key", "move", "losing", "loss"]], on=["key", "move"])
        parts.append(made.assign(game=made["game"] * len(mined) + way))
    made = pd.concat(parts, ignore_index=True)
    return made[made["band"] != UNRATED].reset_index(drop=True)


def errors(made: pd.DataFrame, bands: BandScheme, enough: int = ENOUGH) -> pd.DataFrame:
    """The table, weakest first.

    Columns: band, rating (mean), replies, losing (share) and in_place (as if all bands had met the positions
    equally often) with their standard errors; loss (mean expected score) and loss_in_place; ratio and
    ratio_in_place (of it to that of the band with most replies), and published, by the straight line.
    """
    groups = _grouped(made["band"].value_counts(), bands, enough)
    group = made["band"].map(groups)
    by_position = made.groupby("key")[["losing", "loss"]].transform("mean")
    rows = []
    for name in dict.fromkeys(groups.values()):
        there = made[group == name]
        share, error = _share(there["losing"], np.ones(len(there)), there["game"])
        expected = by_position.loc[there.index]
        in_place, place_error = _share(there["losing"], expected["losing"], there["game"])
        rows.append(
            {
                "band": name,
                "rating": there["rating"].mean(),
                "replies": len(there),
                "losing": share,
                "losing_error": error,
                "in_place": in_place * made["losing"].mean(),
                "in_place_error": place_error * made["losing"].mean(),
                "loss": there["loss"].mean(),
                "loss_in_place": there["loss"].sum() / expected["loss"].sum() * made["loss"].mean(),
            }
        )
    told = pd.DataFrame(rows)
    usual = _usual(told)
    told["ratio"] = told["loss"] / usual["loss"]
    told["ratio_in_place"] = told["loss_in_place"] / usual["loss_in_place"]
    told["published"] = (PERFECT - told["rating"]) / (PERFECT - usual["rating"])
    return told


def _usual(table: pd.DataFrame) -> pd.Series[Any]:
    """The row of the band with most replies."""
    return table.iloc[int(table["replies"].to_numpy().argmax())]


def _grouped(replies: pd.Series[int], bands: BandScheme, enough: int) -> dict[str, str]:
    """For each band the name of its group; groups hold `enough` replies, from the weakest band up."""
    groups: list[list[str]] = [[]]
    for name in bands.names[:-1]:
        groups[-1].append(name)
        if sum(replies.get(one, 0) for one in groups[-1]) >= enough:
            groups.append([])
    if sum(replies.get(one, 0) for one in groups[-1]) < enough and len(groups) > 1:
        last = groups.pop()
        groups[-1] += last
    return {one: _name_of(group) for group in groups for one in group}


def _name_of(group: list[str]) -> str:
    low, high = group[0].split("-")[0], group[-1].split("-")[-1]
    return low if high == low else f"{low.rstrip('+')}+" if high.endswith("+") else f"{low}-{high}"


def _share(part: pd.Series[bool], whole: npt.ArrayLike, game: pd.Series[int]) -> tuple[float, float]:
    """The part in the whole, and its standard error; a game is one piece of evidence."""
    top, bottom = part.to_numpy(dtype=np.float64), np.asarray(whole, dtype=np.float64)
    share = top.sum() / bottom.sum()
    left = pd.Series(top - share * bottom).groupby(game.to_numpy()).sum()
    return float(share), float(np.sqrt((left**2).sum()) / bottom.sum())


def slope(made: pd.DataFrame, *, in_place: bool) -> tuple[float, float]:
    """How much the share of losing replies changes with 200 rating points, and its standard error."""
    rating, losing = made["rating"] / 200.0, made["losing"].astype(float)
    around = made["key"] if in_place else np.zeros(len(made))
    rating = rating - rating.groupby(around).transform("mean")
    losing = losing - losing.groupby(around).transform("mean")
    steepness = float((rating * losing).sum() / (rating**2).sum())
    left = (rating * (losing - steepness * rating)).groupby(made["game"]).sum()
    return steepness, float(np.sqrt((left**2).sum()) / (rating**2).sum())


def told_errors(table: pd.DataFrame) -> str:
    """The table in words."""
    reach = stats.normal_quantile((1.0 + CONFIDENCE) / 2.0)

    def interval(row: Any, name: str) -> str:
        value, error = row[name], reach * row[f"{name}_error"]
        return f"{value:.2%} ({max(value - error, 0.0):.2%} to {value + error:.2%})"

    rows = [
        {
            "band": row["band"],
            "rating": f"{row['rating']:.0f}",
            "replies": f"{row['replies']:,}",
            "losing": interval(row, "losing"),
            "in place": interval(row, "in_place"),
            "mean loss": f"{row['loss']:.4f}",
            "ratio": f"{row['ratio']:.2f}",
            "ratio in place": f"{row['ratio_in_place']:.2f}",
            "published": f"{row['published']:.2f}",
        }
        for row in table.to_dict("records")
    ]
    return pd.DataFrame(rows).to_string(index=False)


def draw_errors(axes: Any, table: pd.DataFrame) -> None:
    """Share of losing replies by rating."""
    reach = stats.normal_quantile((1.0 + CONFIDENCE) / 2.0)
    for name, label in (("losing", "as they were met"), ("in_place", "in the same positions")):
        axes.errorbar(
            table["rating"], table[name], reach * table[f"{name}_error"], marker="o", capsize=3, label=label
        )
    usual = _usual(table)
    axes.plot(
        table["rating"],
        table["published"] * usual["losing"],
        color="grey",
        linestyle="--",
        label="as steep as published of mean errors",
    )
    axes.set_ylim(bottom=0.0)
    axes.set_title("Losing replies among judged ones, 90% intervals")
    axes.set(xlabel="rating", ylabel="share")
    axes.legend()
