"""How games ended after losing replies, other moves and punishments: DuckDB over a store's games."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner.arrays import Floats
from miner.curve.fit import Curves
from miner.finding.finding import tells
from miner.rank.groups import REPLY
from miner.rank.later import Values, later_games, valued
from miner.rank.parts import Differences, Parts, fit_by_later, fit_parts
from miner.store import Store
from miner.store.query import band_sql, connected, create_views_of
from miner.terms import BandScheme

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
    losing = judged[tells(judged)][[*REPLY, "cp_best", "cp_reply"]]
    if losing.empty:  # as in a store without games, which has no files to be asked
        rows = dict.fromkeys(("gain", "expected", "difference", "weight"), 0.0)
        nothing = Differences(losing[REPLY].assign(band="", **rows), _MOST_VARIANCE)
        unseen = [fit_parts(nothing, vague) for vague in (_VAGUE, _LESS_KNOWN)]
        return SeenParts(unseen[0], unseen[1] if is_followed else None)
    games = later_games(store, losing, bands)
    chosen = chosen_moves(store, losing, bands)
    gain = part_observed(chosen, losing, judged, curves, games)
    if not is_followed:
        return SeenParts(gain, None)
    return SeenParts(gain, part_punished(answers_after(store, losing, bands), losing, curves, games))


def part_observed(
    chosen: pd.DataFrame,
    losing: pd.DataFrame,
    judged: pd.DataFrame,
    curves: Curves,
    games: pd.DataFrame | None = None,
) -> Parts:
    """What those who chose other moves scored more than those who chose a losing reply.

    `chosen`: rows as of `chosen_moves`; `games`: as of `later_games`. The others are expected to score what
    the curve gives for what they chose, the best move where that was not judged; ratings count as the curve
    has it.
    """
    known = judged.loc[judged["state"] == "judged", [*REPLY, "cp_reply"]].rename(columns={"cp_reply": "cp"})
    best = losing.drop_duplicates("key")[["key", "cp_best"]]

    def expected(rows: pd.DataFrame) -> pd.DataFrame:
        told = rows.merge(known, on=REPLY, how="left").merge(best, on="key")
        return _with_expected(told.assign(cp=told["cp"].fillna(told["cp_best"])), curves)

    rows = expected(chosen)
    by_reply = losing.merge(rows.drop(columns="cp_best"), on=REPLY)
    there = rows.groupby(["key", "band"])[_SUMMED].sum()
    total = there.reindex(pd.MultiIndex.from_frame(by_reply[["key", "band"]]))
    others = {name: total[name].to_numpy() - by_reply[name].to_numpy() for name in _SUMMED}
    own = {name: by_reply[name].to_numpy() for name in _SUMMED}
    seen = Differences(_differences(by_reply, others, own, curves, is_level=False), _variance(rows))
    if games is None or games.empty:
        return fit_parts(seen, _VAGUE)
    values = valued(
        games.assign(is_better=games["chosen"] != games["move"]), curves, [*REPLY, "band", "is_better"]
    )
    some = values.games.drop(columns="cp").rename(columns={"move": "reply", "chosen": "move"})
    some = (
        expected(some.assign(games=1, gap=0.0))
        .rename(columns={"move": "chosen", "reply": "move"})
        .drop(columns="cp_best")
    )
    later = _later(some, losing, curves, values, is_level=False)
    return fit_by_later(seen, later, values.luck, _VAGUE)


def part_punished(
    answered: pd.DataFrame, losing: pd.DataFrame, curves: Curves, games: pd.DataFrame | None = None
) -> Parts:
    """What those who punished a losing reply scored more than those who missed that, as a part of its gain.

    `answered`: rows as of `answers_after`; `games`: as of `later_games`. Who finds the punishment may be the
    stronger player: the rating gap counts as the curve has it, but nothing is known of what it does not tell.
    """
    rows = answered.merge(losing, on=REPLY)
    rows = _with_expected(rows.assign(cp=-rows["cp_reply"]), curves)
    pairs, found, missed = _sides(rows, "found")
    seen = Differences(_differences(pairs, found, missed, curves, is_level=True), _variance(rows))
    games = games if games is None else games[games["found"].notna()]
    if games is None or games.empty:
        return fit_parts(seen, _LESS_KNOWN)
    values = values_of_punishers(games, curves)
    some = values.games.assign(games=1, level=0.0)
    later = _later(some, losing, curves, values, is_level=True)
    return fit_by_later(seen, later, values.luck, _LESS_KNOWN)


def values_of_punishers(games: pd.DataFrame, curves: Curves) -> Values:
    """What had become of games (as of `later_games`, found being known) for the other side.

    Its band, and is_better: whether it punished the reply.
    """
    theirs = games.assign(
        is_better=games["found"].astype(bool),
        **{name: -games[name] for name in ("cp", "gap")},
        score=1.0 - games["score"],
        band=games["band_other"],
    )
    return valued(theirs, curves, [*REPLY, "band", "is_better"])


def _later(
    games: pd.DataFrame, losing: pd.DataFrame, curves: Curves, values: Values, *, is_level: bool
) -> Differences:
    """What is seen later on between games of either side (is_better), by their values."""
    rows = games.drop(columns=["cp_best", "cp_reply"], errors="ignore").merge(losing, on=REPLY)
    pairs, better, worse = _sides(rows.assign(points=rows["value"], by_rating=0.0), "is_better")
    return Differences(_differences(pairs, better, worse, curves, is_level=is_level), values.variance)


_SUMMED = ["games", "points", "level", "by_rating"]


def _sides(rows: pd.DataFrame, side: str) -> tuple[pd.DataFrame, dict[str, Floats], dict[str, Floats]]:
    """The replies and bands with games on either side, and the sums over both."""
    sums = rows.groupby([*REPLY, "band", "cp_best", "cp_reply", side])[_SUMMED].sum().reset_index(side)
    better, worse = (sums[sums[side] == which] for which in (True, False))
    both = better.index.intersection(worse.index)
    sides = [{name: one.loc[both, name].to_numpy() for name in _SUMMED} for one in (better, worse)]
    return both.to_frame(index=False), sides[0], sides[1]


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


def _differences(
    replies: pd.DataFrame,
    better: dict[str, Floats],
    worse: dict[str, Floats],
    curves: Curves,
    *,
    is_level: bool,
) -> pd.DataFrame:
    """What is seen, by sums over the games on either side, which stood as well as the other if `is_level`."""
    gain = np.zeros(len(replies))
    for band, places in replies.groupby("band").indices.items():
        some = replies.iloc[places]
        best, reply = (some[name].to_numpy(dtype=np.float64) for name in ("cp_best", "cp_reply"))
        gain[places] = curves.of(str(band)).gain(best, reply)[0]
    n, m = worse["games"], better["games"]
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = {name: better[name] / m - worse[name] / n for name in _SUMMED[1:]}
    seen = replies[[*REPLY, "band"]].assign(
        gain=gain,
        expected=gain if is_level else mean["level"],
        difference=mean["points"] - mean["by_rating"],
        weight=n * m / np.maximum(n + m, 1),
    )
    return seen[(n > 0) & (m > 0)]


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
    return _counted(
        store,
        judged_answers(store, losing),
        f"""with erred as (
                select m.game, m.ply, w.key, w.move, w.answer, w.found
                from moves m join wanted w on m.key = w.key and m.move = w.move
            )
            select e.key, e.move, {band_sql(bands, as_name=True)} as band, e.found, {_COUNTED}
            from erred e join movers n on n.game = e.game and n.ply = e.ply + 1 and n.move = e.answer
            group by all order by all""",  # noqa: S608 - ours
        [*REPLY, "band", "found", *_COLUMNS],
    )


def judged_answers(store: Store, losing: pd.DataFrame) -> pd.DataFrame:
    """The answers to these replies that were judged: key, move, answer and found, whether it is a good one.

    Raises StoreError if the stage `follow` has not been run.
    """
    answers = store.read_table("followed", [*REPLY, "plies", "answer", "kept"]).to_pandas()
    answers = answers[(answers["plies"] == 0) & answers["kept"].notna()].merge(losing[REPLY], on=REPLY)
    told: pd.DataFrame = answers.assign(found=answers["kept"] >= store.require("follow").settings["kept"])
    return told


def _counted(store: Store, wanted: pd.DataFrame, sql: str, columns: list[str]) -> pd.DataFrame:
    with connected() as connection:
        create_views_of(connection, store)
        connection.register("wanted", wanted)
        found: pd.DataFrame = connection.sql(sql).df()
    return found[columns]
