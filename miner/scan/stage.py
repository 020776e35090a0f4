"""The stage that scans: whole games of a sample, every position once, mistakes deeper, motifs counted."""

from __future__ import annotations

import logging
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from miner.means import USUAL, Means
from miner.scan.difficulty import with_chances
from miner.scan.look import engines_of, look_through
from miner.scan.motifs import count_motifs, with_motifs
from miner.scan.sample import sampled
from miner.schema import MOMENTS, MOTIFS, MOVES
from miner.settings import ScanSettings, as_dict
from miner.store import Manifest, Store, empty_tables
from miner.store.query import FAILURES, Resources, connected_to_games

log = logging.getLogger(__name__)

NODES_OF_GAME = 320_000
"""Nodes that a game takes, about, by the usual settings: measured on 2,000 games of amateurs."""
SCANS_AT = 0.75
"""Share of an engine's speed in one long search that small ones and their bookkeeping leave."""

_OF_GAMES = (
    "game",
    "state",
    "plies",
    "date",
    "result",
    "white_player",
    "black_player",
    "white_rating",
    "black_rating",
)


def scan(store: Store, settings: ScanSettings, means: Means = USUAL) -> Manifest:
    """Scan a sample of the games for mistakes, name what punishes them, and count it.

    Does nothing if the tally, the settings and the engine are those of the last time, and nothing was
    inconclusive then. The engines are asked only for what is missing in the cache: after an interruption for
    the rest, after an addition of games for what is new.
    Raises StoreError without a tally or for a damaged cache, EngineNotFound or EngineFailed if the engine is
    of no use, ClusterFailed.
    """
    tally, read = store.require("tally"), store.require("read")
    store.require_current("tally")
    engines = engines_of(means, settings)
    inputs, asked = {"tally": tally.fingerprint, "engine": engines.identity.as_dict()}, as_dict(settings)
    store.begin({"scan": asked})
    if manifest := store.finished("scan", asked, inputs):
        log.info("the games are scanned already")
        return manifest

    games = sampled(games_of(store), settings.games, store.bands)
    if games.empty:
        facts: dict[str, Any] = {"games": 0, "positions": 0, "suspects": 0, "inconclusive": 0}
        return store.write_stage("scan", asked, inputs, empty_tables("scan"), facts | engines.work.facts)
    played, plies = moves_of(store, games), read.settings["plies"]
    looked = look_through(played, games, store.bands, settings, engines, plies=plies)
    tables, model = empty_tables("scan") | {"scanned": _table(played, MOVES)}, None
    if not looked.moments.empty:
        moments, model = with_chances(looked.moments, games)
        told = with_motifs(moments)
        counted = count_motifs(told, games, store.bands, tally.settings["confidence"])
        tables |= {"moments": _table(told, MOMENTS), "motifs": _table(counted, MOTIFS)}
    facts = {
        "games": len(games),
        "positions": looked.positions,
        "suspects": looked.suspects,
        "inconclusive": looked.inconclusive,
        "nodes": engines.work.nodes,
        "chance_per_point": model.per_point if model else None,  # of the odds' logarithm, see `chance_at`
    }
    return store.write_stage("scan", asked, inputs, tables, facts | engines.work.facts)


def scanned_games(store: Store) -> pd.DataFrame:
    """The rows of `games` that the last scan looked at. Raises StoreError if there was none."""
    games = store.read_table("games", list(_OF_GAMES)).to_pandas()
    scanned: pd.DataFrame = games[
        games["game"].isin(store.read_table("scanned", ["game"])["game"].to_pandas())
    ]
    return scanned


def games_of(store: Store) -> pd.DataFrame:
    """The games with what a sample of them is drawn by; `content`: 64 bits of the moves of each.

    Raises StoreError if the files of the games cannot be read.
    """
    games = store.read_table("games", list(_OF_GAMES)).to_pandas()
    # Positions and moves stand once for a game, so that neither their order nor that of the games matters.
    contents = _asked(
        store, "select game, bit_xor(key) as keys, sum(move)::ubigint as moves from moves group by game"
    )
    of_game = games[["game"]].merge(contents, how="left", on="game")
    keys, moves = (of_game[name].fillna(0).to_numpy(dtype=np.uint64) for name in ("keys", "moves"))
    with_content: pd.DataFrame = games.assign(content=keys ^ (moves << np.uint64(32)))
    return with_content


def moves_of(store: Store, games: pd.DataFrame) -> pd.DataFrame:
    """The rows of `moves` of these games, by game and ply.

    Raises StoreError if the files of the games cannot be read.
    """
    return _asked(
        store,
        "select game, ply, key, move from moves semi join sample using (game) order by game, ply",
        pa.table({"game": pa.array(games["game"], pa.uint32())}),
    )


def _asked(store: Store, query: str, sample: pa.Table | None = None) -> pd.DataFrame:
    store.require_whole("read")
    try:
        with (
            store.scratch() as spill,
            connected_to_games(store.path("moves"), store.path("games"), spill, Resources()) as connection,
        ):
            if sample is not None:
                connection.register("sample", sample)
            rows: pd.DataFrame = connection.sql(query).df()
            return rows
    except FAILURES as error:
        raise store.why(
            "read", error, "the games cannot be scanned", "check the space on the disk"
        ) from error


def _table(rows: pd.DataFrame, schema: pa.Schema) -> pa.Table:
    return pa.Table.from_pandas(rows[schema.names], schema=schema, preserve_index=False)
