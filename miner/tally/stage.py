"""The tally stage: `games` and `moves` in; `replies`, `positions` and `reach` out."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from typing import Any

import chess
import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner import stats
from miner.errors import StoreError
from miner.progress import Progress, Silent
from miner.schema import POSITIONS, REACH, REPLIES
from miner.settings import TallySettings, as_dict
from miner.store import Manifest, Store
from miner.tally import replies as counting
from miner.tally.graph import START_KEY, Graph, known_move, walk
from miner.tally.pooling import Choices, Rates, pool, spread
from miner.tally.reach import Floats, steer
from miner.tally.replies import Resources

DEFAULT_RESOURCES = Resources()


def tally_inputs(store: Store) -> dict[str, Any]:
    """What a tally is made from.

    Raises StoreError if the store was not read into yet.
    """
    return {"read": store.require("read").fingerprint}


def tally(
    store: Store,
    settings: TallySettings,
    *,
    resources: Resources = DEFAULT_RESOURCES,
    progress: Progress | None = None,
) -> Manifest:
    """Count the replies of every position that enough games pass through, per band; and how often it arises.

    Does nothing if the store holds that tally already. Raises StoreError if the store was not read into yet.
    """
    inputs = tally_inputs(store)
    told = as_dict(settings)
    if store.is_current("tally", told, inputs):
        return store.require("tally")
    store.begin("tally")
    spill = store.root / ".spill"
    read = store.require("read")
    if not read.rows.get("moves"):
        # Empty tables are a valid answer; DuckDB cannot tell the columns of no files.
        return _finish(store, told, inputs, _no_tables(), {"bands": list(settings.bands.names)})
    try:
        with counting.connected(store.path("moves"), store.path("games"), spill, resources) as connection:
            tables, facts = _make_tables(connection, settings, read.rows["moves"], progress or Silent())
    except (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.InvalidInputException, OSError) as error:
        raise StoreError(
            f"the tally failed: {error}",
            advice="check the space on the disk, give it more memory (--memory), or read the sources again",
        ) from error
    finally:
        shutil.rmtree(spill, ignore_errors=True)
    return _finish(store, told, inputs, tables, facts)


def _finish(
    store: Store,
    settings: dict[str, Any],
    inputs: dict[str, Any],
    tables: Mapping[str, pa.Table],
    facts: dict[str, Any],
) -> Manifest:
    for name, table in tables.items():
        store.write_table(name, table)
    rows = {name: table.num_rows for name, table in tables.items()}
    manifest = Manifest(stage="tally", settings=settings, inputs=inputs, rows=rows, facts=facts)
    return store.finish(manifest)


def _no_tables() -> dict[str, pa.Table]:
    return {
        "replies": REPLIES.empty_table(),
        "positions": POSITIONS.empty_table(),
        "reach": REACH.empty_table(),
    }


def _make_tables(
    connection: duckdb.DuckDBPyConnection, settings: TallySettings, rows: int, progress: Progress
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    bands = settings.bands
    ranges = counting.key_ranges(rows)
    with progress.task("tally", total=2 * len(ranges) + 1, unit="part") as task:
        parts = []
        for keys in ranges:
            parts.append(counting.count_replies(connection, keys, bands, settings.min_games))
            task.advance()
        counted = pa.concat_tables(parts)
        if not counted.num_rows:
            return _no_tables(), {"bands": list(bands.names)}
        choices = spread(counted, len(bands.names))
        graph = walk(
            choices.keys,
            choices.moves,
            choices.chosen.sum(axis=1),
            lambda strays: _ways_of(connection, strays),
        )
        task.advance()
        found = pa.table({"key": pa.array([one.key for one in graph.positions], pa.uint64())})
        tags = []
        for keys in ranges:
            tags.append(counting.commonest_tags(connection, keys, found))
            task.advance()
    rates = pool(choices)
    reach = _reach_table(choices, graph, rates, counting.games_per_band(connection, bands), bands.names)
    tables = {
        "replies": _replies_table(counted, choices, graph, rates, settings),
        "positions": _positions_table(graph, choices, pa.concat_tables(tags)),
        "reach": reach,
    }
    keys_counted = len(np.unique(choices.keys))
    facts = {
        "bands": list(bands.names),
        "positions_without_a_way": keys_counted - len(graph.positions),
        "pooling_concentration": rates.concentration,
    }
    return tables, facts


def _ways_of(connection: duckdb.DuckDBPyConnection, keys: set[int]) -> dict[int, list[chess.Move]]:
    """The way that one of its games took to each position, as far as one is on record whole."""
    wanted = pa.table({"key": pa.array(sorted(keys), pa.uint64())})
    moves = counting.ways_to(connection, wanted)
    ways: dict[int, list[chess.Move]] = {}
    for key, move in zip(moves["key"].to_pylist(), moves["move"].to_pylist(), strict=True):
        ways.setdefault(key, []).append(known_move(move))
    return ways


def _replies_table(
    counted: pa.Table, choices: Choices, graph: Graph, rates: Rates, settings: TallySettings
) -> pa.Table:
    cells = (choices.row, choices.band)
    low, high = stats.beta_interval(
        rates.successes[cells], rates.failures[cells], confidence=settings.confidence
    )
    names = np.array(settings.bands.names)
    at_position = counted.group_by(["key", "band"]).aggregate([("games", "sum"), ("score_sum", "sum")])
    joined = counted.join(at_position, ["key", "band"]).sort_by(
        [("key", "ascending"), ("move", "ascending"), ("band", "ascending")]
    )
    rating_sum, games = joined["rating_sum"].to_numpy(), joined["games"].to_numpy()
    table = pa.table(
        {
            "key": joined["key"],
            "band": pa.array(names[choices.band]),
            "move": joined["move"],
            "games": joined["games"],
            "players": joined["players"],
            "games_unknown": joined["games_unknown"],
            "score_sum": joined["score_sum"],
            "mean_rating": pa.array(rating_sum / games, mask=rating_sum == 0),
            "games_at_position": joined["games_sum"],
            "score_sum_at_position": joined["score_sum_sum"],
            "players_at_position": joined["players_at_position"],
            "games_squared": joined["games_squared"],
            "games_squared_at_position": joined["games_squared_at_position"],
            "pick_rate": rates.mean[cells],
            "pick_rate_low": low,
            "pick_rate_high": high,
        }
    )
    found = pa.array([one.key for one in graph.positions], pa.uint64())
    return table.filter(pc.is_in(table["key"], value_set=found)).cast(REPLIES)


def _positions_table(graph: Graph, choices: Choices, tags: pa.Table) -> pa.Table:
    keys, firsts = np.unique(choices.keys, return_index=True)
    games = dict(zip(keys.tolist(), choices.played[firsts].sum(axis=1).tolist(), strict=True))
    named = {
        key: (eco, opening)
        for key, eco, opening in zip(
            *(tags[name].to_pylist() for name in ("key", "eco", "opening")), strict=True
        )
    }
    ordered = sorted(graph.positions, key=lambda one: one.key)
    return pa.table(
        {
            "key": [one.key for one in ordered],
            "fen": [one.fen for one in ordered],
            "ply": [len(one.path) for one in ordered],
            "path": [" ".join(move.uci() for move in one.path) for one in ordered],
            "games": [games[one.key] for one in ordered],
            "eco": [named.get(one.key, ("", ""))[0] for one in ordered],
            "opening": [named.get(one.key, ("", ""))[1] for one in ordered],
        },
        schema=POSITIONS,
    )


def _reach_table(
    choices: Choices, graph: Graph, rates: Rates, per_band: pa.Table, names: tuple[str, ...]
) -> pa.Table:
    """Plain and steered reach of every position, for each band that has games there."""
    place = {one.key: number for number, one in enumerate(graph.positions)}
    known = np.isin(choices.keys, np.fromiter(place, dtype=np.uint64, count=len(place)))
    parents = np.array([place[int(key)] for key in choices.keys[known]], dtype=np.int64)
    children = graph.child[known]
    is_whites_move = np.array([one.white_to_move for one in graph.positions], dtype=np.bool_)
    games_of = np.zeros((2, len(names)))
    games_of[per_band["ply"].to_numpy(), per_band["band"].to_numpy()] = per_band["games"].to_numpy()
    at_position = np.zeros((len(place), len(names)))
    at_position[parents] = choices.played[known]
    colour = np.where(is_whites_move, 0, 1)
    plain = np.divide(
        at_position, games_of[colour], out=np.zeros_like(at_position), where=games_of[colour] > 0
    )
    variances = stats.log_variance_of_share(rates.successes, rates.failures)[known]
    parts = []
    for band, name in enumerate(names):
        if not at_position[:, band].any():
            continue
        reach, log_variance = _steered_for_both(
            parents, children, rates.mean[known, band], variances[:, band], is_whites_move, place[START_KEY]
        )
        # Positions that only untallied replies lead to are at least reached as often as they were; and so is
        # one that many ways lead to, of which steering takes a single one.
        counted = (1.0 - plain[:, band]) / np.maximum(at_position[:, band], 1.0)
        log_variance = np.where(reach >= plain[:, band], log_variance, counted)
        reach = np.maximum(reach, plain[:, band])
        here = at_position[:, band] > 0
        parts.append(
            pa.table(
                {
                    "key": np.array([one.key for one in graph.positions], dtype=np.uint64)[here],
                    "band": pa.array([name] * int(here.sum()), pa.string()),
                    "plain_reach": plain[here, band],
                    "steered_reach": reach[here],
                    "steered_log_variance": log_variance[here],
                },
                schema=REACH,
            )
        )
    return pa.concat_tables(parts).sort_by([("key", "ascending"), ("band", "ascending")])


def _steered_for_both(
    parents: Any, children: Any, rates: Floats, variances: Floats, is_whites_move: Any, start: int
) -> tuple[Floats, Floats]:
    """Steered reach of each position for the side that is not to move there."""
    reach, log_variance = np.zeros(len(is_whites_move)), np.zeros(len(is_whites_move))
    for white_steers in (True, False):
        own = is_whites_move[parents] == white_steers
        steered = steer(
            parents,
            children,
            np.where(own, 1.0, rates),
            np.where(own, 0.0, variances),
            positions=len(is_whites_move),
            start=start,
        )
        theirs = is_whites_move != white_steers
        reach[theirs], log_variance[theirs] = steered.reach[theirs], steered.log_variance[theirs]
    return reach, log_variance
