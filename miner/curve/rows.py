"""The evaluations that players of each band got, and how their games ended: DuckDB over a store's tables."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from miner.arrays import Flags, Floats, Ints
from miner.store import Store
from miner.store.query import connected, create_views, parquet
from miner.terms import BandScheme

MOST_GAMES = 300_000
"""Games that are looked at; of more, an even share is drawn by number. A score is then known to 0.001."""


@dataclass(frozen=True, slots=True)
class CurveRows:
    """One entry per judged reply that was played in a game; all of one length, ordered by game."""

    game: Ints  # number in the store
    band: Ints  # place of the mover's band in the scheme's names
    cp: Floats  # evaluation after the reply, for the mover; a mate in n counts 10000 - n
    gap: Floats  # the mover's rating less the opponent's; 0 where not both are known
    gap_known: Flags
    score: Floats  # the mover's: win 1, draw 0.5, loss 0
    weight: Floats  # adds up to 1 over the judged replies of one player in one game

    def where(self, chosen: Flags) -> CurveRows:
        """The entries that are chosen; choose whole games, or a player's weights add up to less than 1."""
        return CurveRows(*(getattr(self, column.name)[chosen] for column in fields(self)))

    def __len__(self) -> int:
        return len(self.game)


@dataclass(frozen=True, slots=True)
class EngineRows:
    """Evaluations and the score that the engine itself expects of them, for the same side."""

    cp: Floats
    expected: Floats  # win + draw / 2, 0 to 1


def rows_of(store: Store, bands: BandScheme, most_games: int = MOST_GAMES) -> CurveRows:
    """The judged replies that were played in the games of the store and of its prior, with results.

    Raises StoreError if the store was not read into or judged yet.
    """
    read = store.require("read")
    store.require("judge")
    if not read.rows.get("moves"):
        none, nothing = np.zeros(0, dtype=np.int64), np.zeros(0)
        return CurveRows(none, none, nothing, nothing, np.zeros(0, dtype=np.bool_), nothing, nothing)
    behind = store.behind
    games = read.rows["games"] + (behind.count if behind else 0)
    every = max(1, -(-games // most_games))
    with connected() as connection:
        create_views(connection, store.path("moves"), store.path("games"), behind)
        parquet(connection, store.path("judged")).create_view("judged")
        found = connection.sql(
            """
            select m.game::bigint as game, m.rating::bigint as rating, j.cp_reply::double as cp,
                   m.rating_other::bigint as other, m.score / 2.0 as score,
                   1.0 / count(*) over (partition by m.game, m.ply % 2) as weight
            from movers m join judged j on m.key = j.key and m.move = j.move
            where j.cp_reply is not null and m.game % $every = 0
            order by m.game, m.ply
            """,
            params={"every": every},
        ).fetchnumpy()
    rating, other = found["rating"], found["other"]
    known = (rating > 0) & (other > 0)
    return CurveRows(
        game=found["game"],
        band=bands.places_of(rating),
        cp=found["cp"],
        gap=np.where(known, rating - other, 0).astype(np.float64),
        gap_known=known,
        score=found["score"],
        weight=found["weight"],
    )


def engine_rows_of(store: Store) -> EngineRows:
    """The evaluations in `judged` with the scores that the engine expects, where it gave any.

    Raises StoreError if the store was not judged yet.
    """
    store.require("judge")
    with connected() as connection:
        parquet(connection, store.path("judged")).create_view("judged")
        found = connection.sql(
            """
            select cp::double as cp, (wdl[1] + wdl[2] / 2.0) / 1000.0 as expected
            from (select cp_best as cp, wdl_best as wdl from judged
                  union all select cp_reply, wdl_reply from judged)
            where cp is not null and len(wdl) = 3
            """
        ).fetchnumpy()
    return EngineRows(found["cp"], found["expected"])
