"""The stage that scans: whole games of a sample, every position once, mistakes deeper, motifs counted."""

from __future__ import annotations

import logging
import os
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from miner.engine.consult import Engines
from miner.engine.verdicts import Failure
from miner.means import USUAL, Means
from miner.processes import mapped
from miner.scan.difficulty import with_chances
from miner.scan.inquiry import Mistake, first_look, second_look
from miner.scan.moments import moments_of, suspects_of, told_of, with_openings
from miner.scan.motifs import count_motifs, with_motifs
from miner.scan.sample import sampled
from miner.scan.walk import walked
from miner.schema import MOMENTS, MOTIFS
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
    # After each small search an engine waits for its next: with one more than cores, none of these waits.
    many = replace(means, engines=means.engines or (os.cpu_count() or 1) + 1)
    engines = Engines(many, settings.hash_mb)
    inputs, asked = {"tally": tally.fingerprint, "engine": engines.identity.as_dict()}, as_dict(settings)
    store.begin({"scan": asked})
    if manifest := store.finished("scan", asked, inputs):
        log.info("the games are scanned already")
        return manifest

    games = sampled(games_of(store), settings.games, store.bands)
    if games.empty:
        facts: dict[str, Any] = {"games": 0, "positions": 0, "suspects": 0, "inconclusive": 0}
        return store.write_stage("scan", asked, inputs, empty_tables("scan"), facts | engines.work.facts)
    played = moves_of(store, games)
    moves = walked(
        played["game"].to_numpy(),
        played["ply"].to_numpy(),
        played["move"].to_numpy(),
        first=settings.first_ply,
        most=read.settings["plies"],
    )
    first = engines.ask("scanning", "position", [first_look(fen, settings.nodes[0]) for fen in moves.fens])
    suspects = suspects_of(moves, np.array([np.nan if one is None else one for one in first]), settings)
    second = engines.ask("verifying", "move", [second_look(suspect, settings) for suspect in suspects])
    found = [(one, made) for one, made in zip(suspects, second, strict=True) if isinstance(made, Mistake)]
    with means.progress.task("naming", total=len(found), unit="mistake") as task:
        told_each = mapped(partial(told_of, settings=settings), found, means.processes, task.advance)
    moments = moments_of(moves, told_each, games, store.bands)
    tables, model = empty_tables("scan"), None
    if not moments.empty:
        moments, model = with_chances(moments, games)
        told = with_motifs(with_openings(moments, played))
        counted = count_motifs(told, games, store.bands, tally.settings["confidence"])
        tables = {"moments": _table(told, MOMENTS), "motifs": _table(counted, MOTIFS)}
    facts = {
        "games": len(games),
        "positions": len(moves.fens),
        "suspects": len(suspects),
        "inconclusive": sum(one is None for one in first) + sum(isinstance(one, Failure) for one in second),
        "nodes": engines.work.nodes,
        "chance_per_point": model.per_point if model else None,  # of the odds' logarithm, see `chance_at`
    }
    return store.write_stage("scan", asked, inputs, tables, facts | engines.work.facts)


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
