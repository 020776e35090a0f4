"""Whether those who punish losing replies score as much more than those who miss that as the list says.

    python -m benchmarks.punished STORE

STORE must be judged, and its games followed (`miner follow`). Its games are split into halves by a hash of
their number. What punishing adds is fitted to one half, as `rank` does, and held against the other, then the
other way round; each way is told by itself, since both together agree on average whatever the halves say. Of
a reply and a band of those who profit: what they scored more who found one of the good answers than who did
not, at equal ratings. By results, and by what the engine says nine plies after the reply, in the games of the
table `lasted`. Tables as of `benchmarks.agreement`, in the order of what is predicted.

before: how teaching a trap was valued formerly, by what the reply costs those who choose it times the share
that misses the punishment; now: by the difference times that share; seen: the same. Of all games, none held
out.

The verdicts, which answers are good, and the curves are those of the store, for both halves.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from benchmarks.agreement import agreement, signs, with_claims
from benchmarks.proofs import half_of
from benchmarks.replication import Compared, adjusted, joined
from miner.curve.fit import Curves, fit_curves
from miner.finding.finding import tells
from miner.rank.groups import REPLY
from miner.rank.later import later_games
from miner.rank.parts import Parts
from miner.rank.results import (
    chosen_moves,
    judged_answers,
    part_observed,
    part_punished,
    values_of_punishers,
)
from miner.store import Store
from miner.store.query import band_sql, create_views

PAIR = [*REPLY, "band"]


@dataclass(frozen=True, slots=True)
class Followed:
    """A store's losing replies and the games after them."""

    losing: pd.DataFrame  # key, move, cp_best, cp_reply
    curves: Curves
    games: pd.DataFrame  # PAIR (the band that profits), game, found, score (of that side), gap
    later: pd.DataFrame  # as of `later_games`
    costs: Parts  # what the replies cost those who choose them

    @classmethod
    def of(cls, store: Store) -> Followed:
        """Raises StoreError if the store was not judged, or its games not followed."""
        bands, judged = store.bands, store.read_table("judged").to_pandas()
        curves = fit_curves(store, bands)
        losing = judged[tells(judged)][[*REPLY, "cp_best", "cp_reply"]]
        later = later_games(store, losing, bands)
        chosen = chosen_moves(store, losing, bands)
        costs = part_observed(chosen, losing, judged, curves, later)
        return cls(losing, curves, games_after(store, losing), later[later["found"].notna()], costs)


def games_after(store: Store, losing: pd.DataFrame) -> pd.DataFrame:
    """The games after these replies in which the answer was judged: see `Followed`."""
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        connection.register("wanted", judged_answers(store, losing))
        found: pd.DataFrame = connection.sql(
            f"""select w.key, w.move, {band_sql(store.bands, as_name=True)} as band, n.game, w.found,
                       n.score / 2.0 as score, case when n.rating > 0 and n.rating_other > 0
                       then n.rating::int - n.rating_other::int end as gap
                from moves m join wanted w on m.key = w.key and m.move = w.move
                join movers n on n.game = m.game and n.ply = m.ply + 1 and n.move = w.answer
                order by w.key, w.move, n.game"""
        ).df()
    return found


def counted(games: pd.DataFrame) -> pd.DataFrame:
    """The games as `part_punished` wants them: sums and squares about the mean by PAIR and found."""
    by = [*PAIR, "found"]
    rated = games[games["gap"].notna()]
    inner = rated[["score", "gap"]] - rated.groupby(by)[["score", "gap"]].transform("mean")
    products = rated[by].assign(
        gap_scatter=inner["gap"] ** 2, both_scatter=inner["gap"] * inner["score"], gap=rated["gap"]
    )
    sums = games.groupby(by)["score"].agg(games="size", points="sum", variance=lambda s: s.var(ddof=0))
    sums = sums.join(products.groupby(by)[["gap_scatter", "both_scatter"]].sum())
    sums = sums.join(products.groupby(by)["gap"].mean())
    sums = sums.assign(scatter=sums.pop("variance") * sums["games"])
    told: pd.DataFrame = sums.fillna({"gap_scatter": 0.0, "both_scatter": 0.0}).reset_index()
    return told


def held(followed: Followed, fitted: int) -> tuple[Compared, Compared]:
    """What one half predicts of the other: by results, and by evaluations later on."""
    half, later_half = (half_of(rows["game"].to_numpy()) for rows in (followed.games, followed.later))
    theirs, later = followed.games[half == fitted], followed.later[later_half == fitted]
    parts = part_punished(counted(theirs), followed.losing, followed.curves, later)
    if parts.by_later is None:
        raise SystemExit("no game of a half was looked at nine plies later: more games are needed")
    others = followed.games[half != fitted].reset_index(drop=True)
    pairs = _pairs(followed, others)
    claimed = _in_order(with_claims(pairs, parts))
    results = Compared(claimed, _games(at_equal_ratings(followed, others), claimed, "score", "adjusted"))
    values = values_of_punishers(followed.later[later_half != fitted], followed.curves).games
    values = values.assign(found=values["is_better"], adjusted=values["value"])
    by_later = _in_order(with_claims(_pairs(followed, values), parts.by_later.parts))
    return results, Compared(by_later, _games(values, by_later, "value", "adjusted"))


def _pairs(followed: Followed, games: pd.DataFrame) -> pd.DataFrame:
    """Those with games on either side: PAIR, whole and step (the curve's gain)."""
    sides = games.groupby(PAIR)["found"].nunique()
    pairs = sides[sides == 2].index.to_frame(index=False).merge(followed.losing, on=REPLY)
    whole = np.zeros(len(pairs))
    for band, places in pairs.groupby("band").indices.items():
        some = pairs.iloc[places]
        whole[places] = followed.curves.of(str(band)).gain(some["cp_best"], some["cp_reply"])[0]
    return pairs.assign(whole=whole, step=whole, gain=whole)


def _in_order(pairs: pd.DataFrame) -> pd.DataFrame:
    ordered: pd.DataFrame = pairs.sort_values("claim", ascending=False, kind="stable", ignore_index=True)
    return ordered


def at_equal_ratings(followed: Followed, games: pd.DataFrame) -> pd.DataFrame:
    """The games with `adjusted`: the score less what the rating gap is worth after the reply."""
    after = -games[REPLY].merge(followed.losing, on=REPLY, how="left")["cp_reply"].to_numpy()
    return adjusted(
        games.assign(chosen=~games["found"].astype(bool), cp_best=after, cp_reply=after), followed.curves
    )


def _games(games: pd.DataFrame, pairs: pd.DataFrame, score: str, adjusted: str) -> pd.DataFrame:
    """As `Compared` has them: who missed the punishment has chosen the worse."""
    rows = games.merge(pairs.reset_index(names="pair")[[*PAIR, "pair"]], on=PAIR)
    columns = {"chosen": ~rows["found"].astype(bool), "score": rows[score], "adjusted": rows[adjusted]}
    return pd.DataFrame({"pair": rows["pair"], "game": rows["game"]} | columns)


def formulas(followed: Followed) -> dict[str, float]:
    """What finding the punishment is said to add in a game after a losing reply: before and now; and seen.

    Of the replies and bands with games on either side, each by its games.
    """
    pairs = _pairs(followed, followed.games)
    games = followed.games.merge(pairs[PAIR], on=PAIR)
    cost = followed.costs.of(pairs)[0] * pairs["whole"].to_numpy()
    punished = part_punished(counted(followed.games), followed.losing, followed.curves, followed.later)
    adds = punished.of(pairs)[0] * pairs["whole"].to_numpy()
    rows = at_equal_ratings(followed, games)
    sides = rows.groupby([*PAIR, "found"])["adjusted"].agg(["mean", "size"]).unstack("found")
    sides = sides.reindex(pd.MultiIndex.from_frame(pairs[PAIR]))
    n, m = (sides["size"][side].to_numpy() for side in (True, False))
    seen = (sides["mean"][True] - sides["mean"][False]).to_numpy()
    missed, weight = m / (n + m), (n + m) / (n + m).sum()
    return {
        "before": float(weight @ (missed * np.maximum(cost, 0.0))),
        "now": float(weight @ (missed * adds)),
        "seen": float(weight @ (missed * seen)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("store", type=Path)
    followed = Followed.of(Store.open(parser.parse_args().store))
    told = ", ".join(f"{name} {value:+.4f}" for name, value in formulas(followed).items())
    print(f"what punishing adds in a game, with the share that misses it: {told}")
    both = [held(followed, fitted) for fitted in (0, 1)]
    for name, ways in zip(
        ("by results, at equal ratings", "by evaluations nine plies later"),
        zip(*both, strict=True),
        strict=True,
    ):
        print(f"\n{name}")
        for way in ways:
            one = agreement(way).to_dict("index")["all"]
            print(f"one way: {one['predicted']} predicted, {one['seen']} seen, off by {one['off by']}")
        some = joined(ways)
        print(f"both ways\n{agreement(some).to_string()}\n{signs(some).words()}")


if __name__ == "__main__":
    main()
