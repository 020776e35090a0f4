"""What had become of games nine plies after losing replies and other moves, as values of the curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner.arrays import Floats
from miner.curve.fit import Curves
from miner.rank.groups import REPLY
from miner.store import Store
from miner.store.query import band_sql, connected, create_views_of
from miner.terms import BandScheme

_GAMES, _VARIANCE, _LUCK = 100.0, 0.02, 1.0  # known beforehand, as if seen in so many games


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Games of some groups, and the values of their evaluations later on, at equal ratings.

    `games`: the columns by which they are grouped, `value` and `chosen`, a row per losing reply and game.
    `luck`: what a game scores more for each point that its value is above that of its group; `variance`: that
    of the value in a group.
    """

    games: pd.DataFrame
    variance: float
    luck: float


def later_games(store: Store, losing: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """The games of `lasted` of these replies: the columns of `with_players`.

    Empty if the stage has not been run, or could say nothing.
    """
    columns = [*REPLY, "game", "chosen", "found", "cp"]
    if store.manifest("follow") is None:
        return pd.DataFrame(columns=[*columns, "band", "band_other", "score", "gap"])
    rows = store.read_table("lasted", columns).to_pandas().dropna(subset="cp")
    return with_players(store, rows.merge(losing[REPLY], on=REPLY), bands)


def with_players(store: Store, games: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """The games (key, game, ...) with band, band_other, score and gap (the first one's rating less).

    `band`, score and gap are those of who was to move in the position, `band_other` is the other side's.
    """
    other = band_sql(bands, as_name=True).replace("rating", "rating_other")
    with connected() as connection:
        create_views_of(connection, store)
        connection.register("wanted", games)
        found: pd.DataFrame = connection.sql(
            f"""select w.*, {band_sql(bands, as_name=True)} as band, {other} as band_other,
                       score / 2.0 as score, case when rating > 0 and rating_other > 0
                       then rating::int - rating_other::int end as gap
                from wanted w join movers m on m.game = w.game and m.key = w.key
                order by w.key, w.move, w.game"""  # noqa: S608 - ours
        ).df()
    return found


def valued(games: pd.DataFrame, curves: Curves, by: list[str]) -> Values:
    """The games (key, move, band, cp, gap, score of the same side) with values, in groups `by` these columns.

    What the stronger of two players gains on the way is taken off, as far as it goes with the gap: one slope
    for all.
    """
    value = np.zeros(len(games))
    for band, places in games.groupby("band").indices.items():
        cp = games["cp"].iloc[places].to_numpy(dtype=np.float64)
        value[places] = curves.of(str(band)).expected(cp)
    rows = games.assign(value=value, gap=games["gap"].astype(np.float64))
    inner = rows[["gap", "value", "score"]] - rows.groupby(by)[["gap", "value", "score"]].transform("mean")
    gap, known = inner["gap"].fillna(0.0).to_numpy(), rows["gap"].notna().to_numpy()
    off_value, off_score = (_slope(gap[known], inner[name].to_numpy()[known]) for name in ("value", "score"))
    own = (inner["value"] - off_value * gap).to_numpy()
    scored = (inner["score"] - off_score * gap).to_numpy()
    left = max(len(rows) - rows.groupby(by).ngroups, 0)
    within = float(own @ own)
    return Values(
        rows.assign(value=value - off_value * rows["gap"].fillna(0.0).to_numpy()),
        (within + _VARIANCE * _GAMES) / (left + _GAMES),
        (float(own @ scored) + _LUCK * _VARIANCE * _GAMES) / (within + _VARIANCE * _GAMES),
    )


def _slope(gap: Floats, other: Floats) -> float:
    squares = float(gap @ gap)
    return float(gap @ other) / squares if squares > 0.0 else 0.0
