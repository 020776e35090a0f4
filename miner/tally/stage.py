"""The tally stage: `games` and `moves` in; `replies`, `positions`, `reach` and `edges` out."""

from __future__ import annotations

from dataclasses import asdict, replace
from functools import partial
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner import stats
from miner.arrays import Floats, Ints, begins_run
from miner.errors import UsageError
from miner.graph.sound import Steps, steer_for_both
from miner.graph.walk import START_KEY, Graph, walk
from miner.means import USUAL, Means
from miner.progress import Task
from miner.schema import EDGES, FORESEEN, KEPT, POSITIONS, REACH, REPLIES
from miner.settings import TallySettings, as_dict
from miner.store import Manifest, Store, empty_tables
from miner.store.query import FAILURES, Resources, connected_to_games
from miner.tally import expected as beforehand
from miner.tally import replies as counting
from miner.tally.rates import Choices, Expected, Rates, pool, spread
from miner.tally.replies import Counting

_CUT_BITS = 7  # of the 24 that single precision has


def tally_inputs(store: Store, settings: TallySettings) -> dict[str, Any]:
    """The fingerprints of what a tally is made from: of the reading, and of the earlier database's tally.

    Raises StoreError if the store was not read into yet or the earlier one is none or not tallied, UsageError
    if that has other bands or is the same store.
    """
    inputs = {"read": store.require("read").fingerprint}
    if settings.prior:
        inputs["prior"] = _earlier_store(store, settings).require("tally").fingerprint
    return inputs


def _earlier_store(store: Store, settings: TallySettings) -> Store:
    earlier = Store.open(settings.prior)
    if earlier.root.resolve() == store.root.resolve():
        raise UsageError(
            "a store cannot be its own prior",
            where=settings.prior,
            advice="name the store of another, larger database",
        )
    names = earlier.require("tally").facts["bands"]
    if names != list(settings.bands.names):
        raise UsageError(
            f"the prior was tallied by other rating bands: {', '.join(names)}",
            where=settings.prior,
            advice="tally both stores with the same --band-edges",
        )
    return earlier


def tally(store: Store, settings: TallySettings, means: Means = USUAL) -> Manifest:
    """Count the replies of every position that enough games pass through, per band; and how often it arises.

    On a cluster its workers count. Does nothing if the store holds that tally already. Raises what
    `tally_inputs` does, StoreError if the counting fails, and ClusterFailed.
    """
    inputs = tally_inputs(store, settings)
    asked = as_dict(settings)
    store.begin({"tally": asked})
    if store.is_current("tally", asked, inputs):
        return store.require("tally")
    if means.cluster is not None:
        means.cluster.require_file(store.root / "salt")
    read = store.require_whole("read")
    settings = replace(settings, min_games=settings.enough_games(kept_games(read)))
    tables = empty_tables("tally")
    facts: dict[str, Any] = {"bands": list(settings.bands.names), "min_games": settings.min_games}
    # Empty tables are a valid answer; DuckDB cannot tell the columns of no files.
    if read.rows.get("moves"):
        try:
            tables, found = _counted(store, settings, read.rows["moves"], means)
            facts |= found
        except (*FAILURES, OSError) as error:
            raise store.why(
                "read",
                error,
                "the tally failed",
                "check the space on the disk, or give it more memory (--memory)",
            ) from error
    return store.write_stage("tally", asked, inputs, tables, facts)


def kept_games(read: Manifest) -> int:
    """The games whose moves were kept, by which the floor goes."""
    return sum(int(read.facts["ledger"][state]) for state in KEPT)


def _counted(
    store: Store,
    settings: TallySettings,
    rows: int,
    means: Means,
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    """The tables of a store with so many rows of moves, and facts about them for the manifest."""
    moves, games = store.path("moves"), store.path("games")
    resources = Resources(memory_mb=means.memory_mb, threads=means.threads)
    ranges = counting.key_ranges(rows, counting.rows_per_range(means.memory_mb))
    prior = _earlier_store(store, settings) if settings.prior else None
    with (
        store.scratch() as spill,
        connected_to_games(moves, games, spill, resources) as connection,
        means.progress.task("tally", total=len(ranges) + 3, unit="part") as task,
    ):
        by_range = Counting(
            moves=moves.resolve(),
            games=games.resolve(),
            movers=(spill / "movers").resolve(),
            bands=settings.bands,
            min_games=settings.min_games,
            resources=resources,
        )
        parts = []
        for part in by_range.count(connection, ranges, means.cluster):
            parts.append(part)
            task.advance()
        return _make_tables(connection, pa.concat_tables(parts), settings, prior, task)


def _make_tables(
    connection: duckdb.DuckDBPyConnection,
    counted: pa.Table,
    settings: TallySettings,
    prior: Store | None,
    task: Task,
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    """The tables and facts that follow from the counted replies and, for ways and names, from the games."""
    if not counted.num_rows:
        return empty_tables("tally"), {}
    bands = settings.bands
    choices = spread(counted, len(bands.names))
    games = choices.chosen.sum(axis=1, dtype=np.int64)
    graph = walk(choices.keys, choices.moves, games, partial(counting.ways_to, connection))
    task.advance()
    names = counting.commonest_names(connection, graph.keys)
    task.advance()
    habits = beforehand.habits_for(connection, prior)
    ratings = beforehand.ratings_of(counted, len(bands.names))
    expected = beforehand.expect(choices, graph, habits, ratings, _replies_of(prior, settings))
    task.advance()
    rates = pool(choices, expected)
    per_band = counting.games_per_band(connection, bands)
    tables = {
        "replies": _replies_table(counted, choices, graph, rates, settings),
        "positions": _positions_table(graph, choices, names),
        "reach": _reach_table(choices, graph, rates, per_band, bands.names),
        "edges": _edges_table(choices, graph),
        "habits": habits.as_table(),
        "foreseen": _foreseen_table(choices, expected, rates, bands.names),
    }
    facts = {
        "positions_without_a_way": len(choices.played) - len(graph.keys),
        "resemblance": asdict(rates.resemblance),
        "resemblance_where_unknown": asdict(rates.resemblance_where_unknown),
        "player_correlation": rates.player_correlation,
    }
    return tables, facts


def _edges_table(choices: Choices, graph: Graph) -> pa.Table:
    change = pa.array(choices.keys ^ graph.child_keys, mask=graph.parent < 0)
    place = choices.place.astype(np.uint32)
    return pa.table({"place": place, "move": choices.moves, "change": change}, schema=EDGES)


def _replies_of(prior: Store | None, settings: TallySettings) -> pa.Table | None:
    """The earlier database's replies with their bands' places; None: there is no such database."""
    if prior is None:
        return None
    columns = ["key", "move", "band", "games", "games_at_position", "pick_rate"]
    replies = prior.read_table("replies", columns)
    place = pc.index_in(replies["band"], value_set=pa.array(settings.bands.names))
    return replies.append_column("place", place)


def _replies_table(
    counted: pa.Table, choices: Choices, graph: Graph, rates: Rates, settings: TallySettings
) -> pa.Table:
    has_way = graph.parent[choices.row] >= 0
    band = choices.band[has_way]
    successes, failures = (parameter[has_way] for parameter in rates.of_rows())
    counted = counted.filter(pa.array(has_way))
    low, high = stats.beta_intervals(successes, failures, confidence=settings.confidence)
    cell = choices.cell[has_way]
    score_sum = np.bincount(cell, counted["score_sum"].to_numpy(), minlength=choices.played.size)
    rating_sum, games = counted["rating_sum"].to_numpy(), counted["games"].to_numpy()
    columns = dict(zip(counted.column_names, counted.columns, strict=True)) | {
        "band": _names(settings.bands.names, band),
        "mean_rating": pa.array(rating_sum / games, mask=rating_sum == 0),
        "games_at_position": choices.played.ravel()[cell].astype(np.int64),
        "score_sum_at_position": score_sum[cell],
        "pick_rate": _five_digits(successes / (successes + failures)),
        "pick_rate_low": _five_digits(low),
        "pick_rate_high": _five_digits(high),
    }
    return pa.table({name: columns[name] for name in REPLIES.names}).cast(REPLIES)


def _five_digits(values: Floats) -> Floats:
    """Estimates as exact as 17 bits tell them, which is more than they are: they take a third of the room.

    Shares above a half are as exact in what is missing to 1, so that none becomes 1.
    """
    is_most = (values > 0.5) & (values < 1.0)
    bits = np.where(is_most, 1.0 - values, values).astype(np.float32).view(np.uint32)
    rounded = bits + np.uint32(1 << (_CUT_BITS - 1)) >> np.uint32(_CUT_BITS) << np.uint32(_CUT_BITS)
    cut = rounded.view(np.float32).astype(np.float64)
    return np.where(is_most, 1.0 - cut, cut)


def _foreseen_table(choices: Choices, expected: Expected, rates: Rates, names: tuple[str, ...]) -> pa.Table:
    """Likely replies that a band with games at the position has not chosen there, whoever else has."""
    parts = []
    for band in np.flatnonzero(rates.kept).tolist():
        place, moves, rate = rates.unchosen(expected, band)
        likely = rate >= beforehand.LIKELY
        at = choices.keys[np.flatnonzero(begins_run(choices.keys))][place[likely]]
        parts.append((at, np.full(len(at), band), moves[likely], rate[likely]))
    keys, bands, replies, shares = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((replies, bands, keys))
    columns = [keys[order], _names(names, bands[order]), replies[order], _five_digits(shares[order])]
    return pa.table(columns, schema=FORESEEN)


def _names(names: tuple[str, ...], which: Any) -> Any:
    return pa.array(names, pa.string()).take(pa.array(which))


def _positions_table(graph: Graph, choices: Choices, names: pa.Table) -> pa.Table:
    places = np.unique(choices.place[graph.parent >= 0])
    at = pc.index_in(pa.array(graph.keys), value_set=names["key"])
    return pa.table(
        {
            "key": graph.keys,
            "fen": graph.fens,
            "ply": graph.plies.astype(np.uint8),
            "path": graph.paths,
            "games": choices.played[places].sum(axis=1, dtype=np.int64),
            "eco": pc.fill_null(names["eco"].take(at), ""),
            "opening": pc.fill_null(names["opening"].take(at), ""),
        },
        schema=POSITIONS,
    )


def _reach_table(
    choices: Choices, graph: Graph, rates: Rates, per_band: pa.Table, names: tuple[str, ...]
) -> pa.Table:
    known = graph.parent >= 0
    parents = graph.parent[known]
    steps = Steps.between(parents, graph.child[known], len(graph.keys))
    games_of = np.zeros((2, len(names)))
    games_of[per_band["ply"].to_numpy(), per_band["band"].to_numpy()] = per_band["games"].to_numpy()
    parts = []
    for band in range(len(names)):
        at_position = np.zeros(len(graph.keys))
        at_position[parents] = choices.played[choices.place[known], band]
        if at_position.any():
            successes, failures = (parameter[known][steps.replies] for parameter in rates.of_band(band))
            here, *numbers = _reach_of_band(graph, steps, at_position, games_of[:, band], successes, failures)
            parts.append((here, np.full(len(here), band), *numbers))
    at, which, *others = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((np.argsort(np.argsort(names))[which], at))  # of one position by the bands' names
    columns = [graph.keys[at[order]], _names(names, which[order]), *(column[order] for column in others)]
    return pa.table(columns, schema=REACH)


def _reach_of_band(
    graph: Graph,
    steps: Steps,
    at_position: Floats,
    games_of_colours: Floats,
    successes: Floats,
    failures: Floats,
) -> tuple[Ints, Floats, Floats, Floats]:
    """Places of the positions at which the band has games, and the three numbers of `reach` for each.

    `at_position` are these games, `games_of_colours` all of the band with White and Black; `successes` and
    `failures` are those of the rates of the steps.
    """
    is_whites_move = graph.plies % 2 == 0
    games = np.where(is_whites_move, games_of_colours[0], games_of_colours[1])
    plain = np.divide(at_position, games, out=np.zeros_like(at_position), where=games > 0)
    steered = steer_for_both(
        steps,
        successes / (successes + failures),
        stats.log_variance_of_share(successes, failures),
        is_whites_move,
        start=int(np.searchsorted(graph.keys, np.uint64(START_KEY))),
    )
    # Positions that only untallied replies lead to are at least reached as often as they were; and so is
    # one that many ways lead to, of which steering takes a single one.
    counted = (1.0 - plain) / np.maximum(at_position, 1.0)
    log_variance = np.where(steered.reach >= plain, steered.log_variance, counted)
    here = np.flatnonzero(at_position)
    reach = np.maximum(_five_digits(steered.reach), plain)
    return here, plain[here], reach[here], _five_digits(log_variance[here])
