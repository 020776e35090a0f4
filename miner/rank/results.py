"""How games ended after losing replies, other moves and punishments: DuckDB over a store's games."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner.arrays import Floats
from miner.curve.fit import Curves
from miner.rank.groups import REPLY
from miner.rank.parts import Parts, fit_parts
from miner.store import Store
from miner.store.query import band_sql, connected, create_views
from miner.terms import BandScheme

LEAST_LOSS = 0.05
"""Expected score that a reply must lose by the engine to be counted: smaller losses are mostly its noise."""
_MOST_VARIANCE, _GAMES = 0.25, 100.0  # of a result between 0 and 1, as if seen in so many games
_VAGUE, _LESS_KNOWN = 0.5, 1.0  # by how much the common parts may be away from 1, before any game is seen
_GAP = "(rating::int - rating_other::int)"
_COUNTED = f"""count(*) as games, sum(score)::double / 2.0 as points,
    coalesce(var_pop(score / 2.0), 0.0) * count(*) as scatter,
    avg({_GAP}) filter (rating > 0 and rating_other > 0) as gap,
    coalesce(regr_sxx(score / 2.0, {_GAP}) filter (rating > 0 and rating_other > 0), 0.0) as gap_scatter,
    coalesce(regr_sxy(score / 2.0, {_GAP}) filter (rating > 0 and rating_other > 0), 0.0) as both_scatter"""
_COLUMNS = ["games", "points", "scatter", "gap", "gap_scatter", "both_scatter"]


@dataclass(frozen=True, slots=True)
class SeenParts:
    """What games show of losing replies, as parts of the gains that the curve expects."""

    gain: Parts  # of those who chose other moves over those who chose the reply
    punished: (
        Parts | None
    )  # of those who punished the reply over those who missed that; None: none was followed


def seen_parts(store: Store, judged: pd.DataFrame, curves: Curves, bands: BandScheme) -> SeenParts:
    """Both parts, of the replies of the table `judged` that lose enough to say something of them."""
    is_followed = store.manifest("follow") is not None
    losing = judged[(judged["state"] == "judged") & (judged["loss"] >= LEAST_LOSS)]
    losing = losing[[*REPLY, "cp_best", "cp_reply"]]
    if losing.empty:  # as in a store without games, which has no files to be asked
        nothing = losing[REPLY].assign(**dict.fromkeys(("gain", "expected", "difference", "weight"), 0.0))
        unseen = [fit_parts(nothing, _MOST_VARIANCE, vague) for vague in (_VAGUE, _LESS_KNOWN)]
        return SeenParts(unseen[0], unseen[1] if is_followed else None)
    return SeenParts(
        part_observed(chosen_moves(store, losing, bands), losing, judged, curves),
        part_punished(answers_after(store, losing, bands), losing, curves) if is_followed else None,
    )


def part_observed(chosen: pd.DataFrame, losing: pd.DataFrame, judged: pd.DataFrame, curves: Curves) -> Parts:
    """What those who chose other moves scored more than those who chose a losing reply.

    `chosen`: rows as of `chosen_moves`. The others are expected to score what the curve gives for what they
    chose, the best move where that was not judged; ratings count as the curve has it.
    """
    known = judged.loc[judged["state"] == "judged", [*REPLY, "cp_reply"]].rename(columns={"cp_reply": "cp"})
    rows = chosen.merge(known, on=REPLY, how="left").merge(
        losing.drop_duplicates("key")[["key", "cp_best"]], on="key"
    )
    rows = _with_expected(rows.assign(cp=rows["cp"].fillna(rows["cp_best"])), curves)
    by_reply = losing.merge(rows.drop(columns="cp_best"), on=REPLY)
    there = rows.groupby(["key", "band"])[_SUMMED].sum()
    total = there.reindex(pd.MultiIndex.from_frame(by_reply[["key", "band"]]))
    others = {name: total[name].to_numpy() - by_reply[name].to_numpy() for name in _SUMMED}
    return _fitted(
        by_reply,
        others,
        {name: by_reply[name].to_numpy() for name in _SUMMED},
        by_reply,
        curves,
        vague=_VAGUE,
        is_level=False,
    )


def part_punished(answered: pd.DataFrame, losing: pd.DataFrame, curves: Curves) -> Parts:
    """What those who punished a losing reply scored more than those who missed that, as a part of its gain.

    `answered`: rows as of `answers_after`. Who finds the punishment may be the stronger player: the rating
    gap counts as the curve has it, but nothing is known of what it does not tell.
    """
    rows = answered.merge(losing, on=REPLY)
    rows = _with_expected(rows.assign(cp=-rows["cp_reply"]), curves)
    keys = [*REPLY, "band", "cp_best", "cp_reply"]
    found, missed = (rows[rows["found"] == which].set_index(keys)[_SUMMED] for which in (True, False))
    both = found.index.intersection(missed.index)
    pairs = both.to_frame(index=False)
    sides = [{name: one.loc[both, name].to_numpy() for name in _SUMMED} for one in (found, missed)]
    return _fitted(pairs, sides[0], sides[1], rows, curves, vague=_LESS_KNOWN, is_level=True)


_SUMMED = ["games", "points", "level", "by_rating"]


def _with_expected(rows: pd.DataFrame, curves: Curves) -> pd.DataFrame:
    """The rows with sums over their games of what the curve expects: `level`, and `by_rating` by the gap."""
    level, by_rating = np.zeros((2, len(rows)))
    for band, places in rows.groupby("band").indices.items():
        curve, some = curves.of(str(band)), rows.iloc[places]
        cp, gap = some["cp"].to_numpy(dtype=np.float64), some["gap"].fillna(0.0).to_numpy(dtype=np.float64)
        games = some["games"].to_numpy(dtype=np.float64)
        level[places] = games * curve.expected(cp)
        by_rating[places] = games * curve.expected(cp, gap) - level[places]
    return rows.assign(level=level, by_rating=by_rating)


def _fitted(
    replies: pd.DataFrame,
    better: dict[str, Floats],
    worse: dict[str, Floats],
    rows: pd.DataFrame,
    curves: Curves,
    *,
    vague: float,
    is_level: bool,
) -> Parts:
    """The parts by sums over the games on either side, which stand as well as they did if `is_level`."""
    gain = np.zeros(len(replies))
    for band, places in replies.groupby("band").indices.items():
        some = replies.iloc[places]
        best, reply = (some[name].to_numpy(dtype=np.float64) for name in ("cp_best", "cp_reply"))
        gain[places] = curves.of(str(band)).gain(best, reply)[0]
    n, m = worse["games"], better["games"]
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = {name: better[name] / m - worse[name] / n for name in _SUMMED[1:]}
    seen = replies[REPLY].assign(
        gain=gain,
        expected=gain if is_level else mean["level"],
        difference=mean["points"] - mean["by_rating"],
        weight=n * m / np.maximum(n + m, 1),
    )
    return fit_parts(seen[(n > 0) & (m > 0)], _variance(rows), vague)


def _variance(rows: pd.DataFrame) -> float:
    """Of a result at equal ratings among games of one move in one band; the greatest while few were seen."""
    by_gap = rows["both_scatter"].sum() ** 2 / max(rows["gap_scatter"].sum(), 1.0)
    left = rows["scatter"].sum() - by_gap + _MOST_VARIANCE * _GAMES
    return float(left / ((rows["games"] - 1).sum() + _GAMES))


def chosen_moves(store: Store, losing: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """What was chosen in the positions of these replies, by band: key, move, band and the columns below.

    games; points, the movers' sum; gap, the mean of their ratings less the opponents' where both are known;
    and sums of squares about the mean: scatter, of points, gap_scatter, and both_scatter, of their products.
    """
    return _counted(
        store,
        losing[["key"]].drop_duplicates(),
        f"""select key, move, {band_sql(bands, as_name=True)} as band, {_COUNTED}
            from movers semi join wanted using (key) group by all order by all""",  # noqa: S608 - ours
        [*REPLY, "band", *_COLUMNS],
    )


def answers_after(store: Store, losing: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """How the other side went on after these replies: key, move, band, found and the columns of
    `chosen_moves`.

    `found` is whether it played one of the good answers; other answers count where they were judged.
    Raises StoreError if the stage `follow` has not been run.
    """
    answers = store.read_table("followed", [*REPLY, "plies", "answer", "kept"]).to_pandas()
    answers = answers[(answers["plies"] == 0) & answers["kept"].notna()].merge(losing[REPLY], on=REPLY)
    return _counted(
        store,
        answers.assign(found=answers["kept"] >= store.require("follow").settings["kept"]),
        f"""with erred as (
                select m.game, m.ply, w.key, w.move, w.answer, w.found
                from moves m join wanted w on m.key = w.key and m.move = w.move
            )
            select e.key, e.move, {band_sql(bands, as_name=True)} as band, e.found, {_COUNTED}
            from erred e join movers n on n.game = e.game and n.ply = e.ply + 1 and n.move = e.answer
            group by all order by all""",  # noqa: S608 - ours
        [*REPLY, "band", "found", *_COLUMNS],
    )


def _counted(store: Store, wanted: pd.DataFrame, sql: str, columns: list[str]) -> pd.DataFrame:
    with connected() as connection:
        create_views(connection, store.path("moves"), store.path("games"), store.behind)
        connection.register("wanted", wanted)
        found: pd.DataFrame = connection.sql(sql).df()
    return found[columns]
