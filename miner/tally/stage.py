"""The tally stage: `games` and `moves` in; `replies`, `positions`, `reach` and `edges` out."""

from __future__ import annotations

import logging
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner import stats
from miner.arrays import Flags, Floats, Ints, begins_run
from miner.errors import UsageError
from miner.graph.repertoire import moves_in, repertoire_digest
from miner.graph.sound import Steps, steer_for_both
from miner.graph.walk import START_KEY, Graph, walk
from miner.habits import LIKELY
from miner.means import USUAL, Means
from miner.progress import Task
from miner.schema import EDGES, FORESEEN, KEPT, POSITIONS, REACH, REPLIES
from miner.settings import TallySettings, as_dict
from miner.store import Manifest, Store, empty_tables
from miner.store.query import FAILURES, Resources, connected_to_games
from miner.tally import expected as beforehand
from miner.tally import replies as counting
from miner.tally.larger import ELSEWHERE, ENOUGH_GAMES, Larger, arrivals, lacks_positions, worth_telling
from miner.tally.rates import Choices, Expected, Rates, pool, spread
from miner.tally.replies import Counting

log = logging.getLogger(__name__)

_CUT_BITS = 7  # of the 24 that single precision has


def tally_inputs(store: Store, settings: TallySettings) -> dict[str, Any]:
    """The fingerprints of what a tally is made from: of the reading, and of the larger database's tally.

    Raises StoreError if the store was not read into yet or the larger one is none or not tallied, UsageError
    if that has other bands, stands on a prior itself or is the same store, SourceError for a repertoire that
    cannot be read.
    """
    inputs = {"read": store.require("read").fingerprint}
    if settings.prior:
        inputs["prior"] = _larger_store(store, settings).require("tally").fingerprint
    if settings.prior and settings.repertoire:
        inputs["repertoire"] = repertoire_digest(settings.repertoire)
    return inputs


def _larger_store(store: Store, settings: TallySettings) -> Store:
    larger = Store.open(settings.prior)
    if larger.root.resolve() == store.root.resolve():
        raise UsageError(
            "a store cannot be its own prior",
            where=settings.prior,
            advice="name the store of another, larger database",
        )
    tallied = larger.require("tally")
    larger.require_current("tally")
    names = tallied.facts["bands"]
    if names != list(settings.bands.names):
        raise UsageError(
            f"the prior was tallied by other rating bands: {', '.join(names)}",
            where=settings.prior,
            advice="tally both stores with the same --band-edges",
        )
    if "prior" in tallied.inputs:
        raise UsageError(
            "the prior stands on a prior itself",
            where=settings.prior,
            advice=f"name that one: {tallied.settings['prior']}",
        )
    return larger


def tally(store: Store, settings: TallySettings, means: Means = USUAL) -> Manifest:
    """Count the replies of every position that enough games pass through, per band; and how often it arises.

    On a cluster its workers count. Does nothing if the store holds that tally already. Raises what
    `tally_inputs` does, StoreError if the counting fails, and ClusterFailed.
    """
    if not settings.prior:  # which alone knows what the games have not led to
        settings = replace(settings, repertoire="")
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
    larger = _larger_of(store, settings)
    if larger:
        facts["prior"] = str(larger.store.root.resolve())
    # Empty tables are a valid answer; DuckDB cannot tell the columns of no files.
    if read.rows.get("moves"):
        try:
            tables, found = _counted(store, settings, larger, read.rows["moves"], means)
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


def _larger_of(store: Store, settings: TallySettings) -> Larger | None:
    if not settings.prior:
        return None
    prior = _larger_store(store, settings)
    floor = prior.require("tally").facts["min_games"]
    games = kept_games(prior.require("read"))
    if lacks_positions(floor, games):
        log.warning(
            "of the prior's %s games only positions of %d and more were tallied: it would tell more after "
            "`miner tally --store %s --min-games-at-position %d`",
            f"{games:,}",
            floor,
            settings.prior,
            max(1, games // ENOUGH_GAMES),
        )
    repertoire = moves_in(Path(settings.repertoire)) if settings.repertoire else ()
    return Larger(prior, settings.bands.names, repertoire)


def _counted(
    store: Store,
    settings: TallySettings,
    larger: Larger | None,
    rows: int,
    means: Means,
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    """The tables of a store with so many rows of moves, and facts about them for the manifest."""
    moves, games = store.path("moves"), store.path("games")
    resources = Resources(memory_mb=means.memory_mb, threads=means.threads)
    ranges = counting.key_ranges(rows, counting.rows_per_range(means.memory_mb))
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
            known=larger.store.path("positions") if larger else None,
        )
        parts = []
        for part in by_range.count(connection, ranges, means.cluster):
            parts.append(part)
            task.advance()
        return _make_tables(connection, pa.concat_tables(parts), settings, larger, task)


def _make_tables(
    connection: duckdb.DuckDBPyConnection,
    counted: pa.Table,
    settings: TallySettings,
    larger: Larger | None,
    task: Task,
) -> tuple[dict[str, pa.Table], dict[str, Any]]:
    """The tables and facts that follow from the counted replies and, for ways and names, from the games."""
    in_repertoire = np.empty(0, dtype=np.uint64)
    if larger:
        counted, in_repertoire = larger.joined(counted, settings.min_games)
    if not counted.num_rows:
        return empty_tables("tally"), {}
    bands = settings.bands
    choices = spread(counted, len(bands.names))
    games = np.bincount(choices.row, _with_elsewhere(counted, "games")).astype(np.int64)
    graph = walk(choices.keys, choices.moves, games, partial(counting.ways_to, connection))
    task.advance()
    names = counting.commonest_names(connection, graph.keys)
    task.advance()
    if larger:
        names = larger.names(names, graph.keys)
    habits = beforehand.habits_for(connection, larger.store if larger else None)
    ratings = beforehand.ratings_of(counted, len(bands.names))
    expected = beforehand.expect(choices, graph, habits, ratings, larger.replies if larger else None)
    task.advance()
    rates = pool(choices, expected)
    games_of = _games_of_bands(counting.games_per_band(connection, bands), bands.names)
    reach, is_told = _reach_table(choices, graph, rates, games_of, bands.names, settings, larger)
    tables = {
        "replies": _replies_table(counted, choices, graph, rates, settings, larger),
        "positions": _positions_table(graph, choices, names),
        "reach": reach,
        "edges": _edges_table(choices, graph),
        "habits": habits.as_table(),
        "foreseen": _foreseen_table(choices, expected, rates, bands.names),
    }
    is_told |= np.isin(graph.keys, in_repertoire)
    if not is_told.all():
        told = pa.array(graph.keys[is_told])
        for name in ("replies", "positions", "reach", "edges", "foreseen"):
            key = pa.array(choices.keys) if name == "edges" else tables[name]["key"]
            tables[name] = tables[name].filter(pc.is_in(key, value_set=told))
    facts = {
        "positions_without_a_way": len(choices.played) - len(graph.keys),
        "resemblance": asdict(rates.resemblance),
        "resemblance_where_unknown": asdict(rates.resemblance_where_unknown),
        "player_correlation": rates.player_correlation,
        "games_of_bands": {name: games_of[:, place].tolist() for place, name in enumerate(bands.names)},
    }
    return tables, facts


def _games_of_bands(per_band: pa.Table, names: tuple[str, ...]) -> Ints:
    """Games of each band with White and with Black, shape (2, bands)."""
    games_of = np.zeros((2, len(names)), dtype=np.int64)
    games_of[per_band["ply"].to_numpy(), per_band["band"].to_numpy()] = per_band["games"].to_numpy()
    return games_of


def _with_elsewhere(counted: pa.Table, name: str) -> Any:
    """A count of each row with that of the larger database, if there is one."""
    own = counted[name].to_numpy()
    return own + counted[name + ELSEWHERE].to_numpy() if name + ELSEWHERE in counted.column_names else own


def _edges_table(choices: Choices, graph: Graph) -> pa.Table:
    change = pa.array(choices.keys ^ graph.child_keys, mask=graph.parent < 0)
    place = choices.place.astype(np.uint32)
    return pa.table({"place": place, "move": choices.moves, "change": change}, schema=EDGES)


def _replies_table(
    counted: pa.Table,
    choices: Choices,
    graph: Graph,
    rates: Rates,
    settings: TallySettings,
    larger: Larger | None,
) -> pa.Table:
    has_way = graph.parent[choices.row] >= 0
    band, cell = choices.band[has_way], choices.cell[has_way]
    counted = counted.filter(pa.array(has_way))

    def at_position(of_rows: Any) -> Floats:
        return np.bincount(cell, of_rows, minlength=choices.played.size)[cell].astype(np.float64)

    summed = {
        name: _with_elsewhere(counted, name)
        for name in counted.column_names
        if name in {*REPLIES.names, "rating_sum"}
    }
    elsewhere = summed["games"] - counted["games"].to_numpy()
    rating_sum, games = summed["rating_sum"], summed["games"]
    columns = summed | {
        "band": _names(settings.bands.names, band),
        "games_elsewhere": elsewhere,
        "mean_rating": pa.array(rating_sum / games, mask=rating_sum == 0),
        "games_at_position": at_position(games),
        "games_at_position_elsewhere": at_position(elsewhere),
        "score_sum_at_position": at_position(summed["score_sum"]),
        **_rates_of_rows(rates, has_way, settings.confidence, larger),
    }
    return pa.table({name: columns[name] for name in REPLIES.names}).cast(REPLIES)


def _rates_of_rows(
    rates: Rates, wanted: Flags, confidence: float, larger: Larger | None
) -> dict[str, Floats]:
    """Pick rates of rows of the counted table, with their bounds; for bands without games the larger's."""
    choices = rates.choices
    is_own = rates.kept[choices.band[wanted]]
    rows = wanted & rates.kept[choices.band]
    successes, failures = rates.of_rows(rows)
    if larger:
        keys, moves = choices.keys[choices.row], choices.moves[choices.row]
        theirs = larger.rates_of(keys[wanted], moves[wanted], choices.band[wanted])
        deviation = np.nan_to_num(stats.deviation_of(theirs[1], theirs[2], confidence=confidence)[is_own])
        # What the prior says counts for all but the store's own games, and is in doubt itself.
        own = choices.played.ravel()[choices.cell[rows]] / (successes + failures)
        doubt = np.square(np.maximum(1.0 - own, 0.0) * deviation)
        successes, failures = stats.less_sure(successes, failures, doubt)
    else:
        theirs = np.zeros((3, len(is_own)))
    low, high = stats.beta_intervals(successes, failures, confidence=confidence)
    found = dict(zip(("pick_rate", "pick_rate_low", "pick_rate_high"), theirs, strict=True))
    for column, values in zip(found.values(), (successes / (successes + failures), low, high), strict=True):
        column[is_own] = _five_digits(values)
    return found


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
        likely = rate >= LIKELY
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
    choices: Choices,
    graph: Graph,
    rates: Rates,
    games_of: Ints,
    names: tuple[str, ...],
    settings: TallySettings,
    larger: Larger | None,
) -> tuple[pa.Table, Flags]:
    """The table `reach`, and which positions of the graph are told of: with a larger database not all."""
    known = graph.parent >= 0
    parents = graph.parent[known]
    steps = Steps.between(parents, graph.child[known], len(graph.keys))
    is_whites_move = graph.plies % 2 == 0
    of_colour = np.where(is_whites_move[:, None], games_of[0], games_of[1])  # (positions, bands)
    parts, expected, own = [], np.zeros(len(graph.keys)), np.zeros(len(graph.keys))
    for band in range(len(names)):
        at_position = np.zeros(len(graph.keys))
        at_position[parents] = choices.played[choices.place[known], band]
        if not (at_position.any() and rates.kept[band]):
            continue
        beta = [parameter[known][steps.replies] for parameter in rates.of_band(band)]
        plain = _counted_reach(at_position, of_colour[:, band])
        if larger:
            plain = _likely_reach(plain, steps, *beta, start=_start(graph))
        expected += plain.share * of_colour[:, band] / np.maximum(of_colour.sum(axis=1), 1)
        own += at_position
        here, *numbers = _reach_of_band(graph, steps, plain, *beta)
        parts.append((here, np.full(len(here), band), *numbers))
    at, which, *others = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((np.argsort(np.argsort(names))[which], at))  # of one position by the bands' names
    columns = [graph.keys[at[order]], _names(names, which[order]), *(column[order] for column in others)]
    reach = pa.table(columns, schema=REACH)
    if larger is None:
        return reach, np.ones(len(graph.keys), dtype=np.bool_)
    return reach, worth_telling(expected, own, settings.min_games)


@dataclass(frozen=True, slots=True)
class _Plain:
    """Plain reach of each position, and the games there by which it would be as sure."""

    share: Floats
    games: Floats


def _start(graph: Graph) -> int:
    return int(np.searchsorted(graph.keys, np.uint64(START_KEY)))


def _counted_reach(at_position: Floats, games: Ints) -> _Plain:
    """By a band's games at each position and all of them with that colour."""
    share = np.divide(at_position, games, out=np.zeros_like(at_position), where=games > 0)
    return _Plain(share, at_position)


def _likely_reach(
    counted: _Plain, steps: Steps, successes: Floats, failures: Floats, *, start: int
) -> _Plain:
    """By the pick rates of the steps; what these do not lead to has the share that was counted."""
    games = successes + failures
    rates = successes / games
    reach, variance = arrivals(steps, rates, rates * (1.0 - rates) / (games + 1.0), start=start)
    as_sure = np.divide(
        (1.0 - reach) * np.square(reach), variance, out=counted.games.copy(), where=variance > 0
    )
    return _Plain(np.where(reach > 0, reach, counted.share), np.where(reach > 0, as_sure, counted.games))


def _reach_of_band(
    graph: Graph, steps: Steps, plain: _Plain, successes: Floats, failures: Floats
) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """Places of the positions that the band comes to, and the four numbers of `reach` for each.

    `successes` and `failures` are those of the rates of the steps.
    """
    steered = steer_for_both(
        steps,
        successes / (successes + failures),
        stats.log_variance_of_share(successes, failures),
        graph.plies % 2 == 0,
        start=_start(graph),
    )
    # Positions that only untallied replies lead to are at least reached as often as they were; and so is
    # one that many ways lead to, of which steering takes a single one.
    counted = (1.0 - plain.share) / np.maximum(plain.games, 1.0)
    log_variance = np.where(steered.reach >= plain.share, steered.log_variance, counted)
    here = np.flatnonzero(plain.share)
    reach = np.maximum(_five_digits(steered.reach), plain.share)
    return here, plain.share[here], plain.games[here], reach[here], _five_digits(log_variance[here])
