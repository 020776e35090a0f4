"""Whether the numbers hold on games they were not made from: tables, and figures where --figure names a file.

    python benchmarks/proofs.py picks STORE [--by game|player] [--figure picks.png]
    python benchmarks/proofs.py habits STORE [--figure habits.png]
    python benchmarks/proofs.py small STORE [--games 300,1000,3000] [--draws 4]
    python benchmarks/proofs.py prior STORE [--clubs 32]
    python benchmarks/proofs.py curve STORE [--figure curve.png]

The store's games are split into halves by a hash of the game's number (or, for pick rates, each mover's games
by a hash of the player). What the first half makes is held against the second.

picks: the log loss of each choice in the second half, by pooled pick rates, by a band's own shares, and by
those of all bands together (the last two with one made-up game, shared by the replies seen and one more, so
that none is nothing); and how many of the intervals hold. An interval is of a rate, and what is seen is a
count of the second half: so it is held against what the rate's distribution predicts for as many games,
with the players' habits (games of one player agree). Where a count lies on a bound, it is by lot. Halves by
game share their players, whose habits then help: intervals made for other players hold a little too often.
Of a store that was judged also how often the replies that lose were chosen, and how often that is foretold.

habits: the halves are of players. At positions that few games of the first half reach (5 to 30), log loss of
the second half's choices by pick rates that are drawn to the habits of the first half's players, and by such
that are not; and how often moves were played that nobody of the first half chose there, against what was
foretold of them.

small: so many games, drawn several times, are a store of their own, and the games of all other players are
what is foretold. How many of its intervals of 90 % hold: of all, of the replies of three games or more, by
rate; and how many counts lie below and above them.

prior: the games are dealt into as many clubs as told; one is a club, half of the others an earlier database,
the rest what is foretold. Of the database every other position is left out. Log loss of the choices, by the
club's rates with that database and without, at the positions that it knows and at those it lacks.

curve: predicted and observed score of the second half in ten bins per band. STORE must be judged. The
engine's verdicts are those of the store, for both halves.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from miner import pooling
from miner.arrays import Floats, Ints, begins_run
from miner.curve.diagnose import diagnose
from miner.curve.fit import Curves, curves_of
from miner.curve.rows import engine_rows_of, rows_of
from miner.finding.finding import is_losing
from miner.graph.walk import walk
from miner.habits import LIKELY
from miner.rank.groups import rates_as_one
from miner.settings import RankSettings, TallySettings
from miner.store import Store
from miner.store.query import Movers, create_views
from miner.tally import replies as counting
from miner.tally.expected import expect, fit_habits, ratings_of, sample
from miner.tally.rates import Choices, Expected, Rates, pool, spread
from miner.tally.stage import kept_games
from miner.terms import BandScheme

Split = Literal["game", "player"]

LEVELS = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95])
TOLD_FROM = 3  # games with a reply from which a list tells of it
DRAWS = 400  # counts that are drawn for each cell, to hold the one that was seen against
_MOVES = 1 << 16


@dataclass(frozen=True, slots=True)
class Halves:
    """The first half's replies and their rates, and what the second half chose at the same positions."""

    choices: Choices
    rates: Rates
    chosen: Ints  # (replies, bands): games of the second half with the reply
    other: Ints  # (positions, bands): with a reply that the first half never saw
    squared: Floats  # (positions, bands): each player's games of the second half squared and added up
    expected: Expected | None = None  # what the first half's habits make expect

    @property
    def played(self) -> Ints:
        """Games of the second half at each position, (positions, bands)."""
        return _at_positions(self.chosen, self.choices) + self.other


def halves_of(store: Store, settings: TallySettings, by: Split, *, swapped: bool = False) -> Halves:
    """The store's games in halves; positions with too few games in the first to be tallied are left out."""
    floor = settings.enough_games(kept_games(store.require("read")))
    first, second = (part_of(by, (part,), of=2) for part in ((1, 0) if swapped else (0, 1)))
    return _held_out(store, settings, first, second, floor)


def _held_out(store: Store, settings: TallySettings, first: str, second: str, floor: int) -> Halves:
    """The moves of one condition against those of another."""
    counted = _counted(store, settings, first, floor)
    choices = spread(counted, len(settings.bands.names))
    expected = _expected(store, choices, counted, first)
    halves = _aligned(choices, pool(choices, expected), _counted(store, settings, second, 1))
    return replace(halves, expected=expected)


def _expected(
    store: Store, choices: Choices, counted: pa.Table, of: str, earlier: pa.Table | None = None
) -> Expected:
    """What the habits of the players of some moves make expect, and an earlier database."""
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        games = choices.chosen.sum(axis=1, dtype=np.int64)
        graph = walk(choices.keys, choices.moves, games, partial(counting.ways_to, connection))
        habits = fit_habits(sample(connection, of))
    return expect(choices, graph, habits, ratings_of(counted, choices.played.shape[1]), earlier)


def half_of(numbers: npt.NDArray[Any]) -> Ints:
    """0 or 1 for each number, as good as by a coin, and always the same."""
    mixed: Ints = (
        numbers.astype(np.uint64) * np.uint64(2654435761) // np.uint64(_MOVES) % np.uint64(2)
    ).astype(np.int64)
    return mixed


def part_of(by: Split, parts: Sequence[int], *, of: int) -> str:
    """Some of so many parts of the games or players, as an SQL condition on moves."""
    whose = {"game": "game", "player": "case when player = 0 then game else player end"}[by]
    return f"({whose})::ubigint * 2654435761 // {_MOVES} % {of} in ({', '.join(map(str, parts))})"


def _counted(store: Store, settings: TallySettings, condition: str, floor: int) -> pa.Table:
    """The replies of the moves for which a condition holds."""
    with duckdb.connect() as connection, tempfile.TemporaryDirectory() as folder:
        create_views(connection, store.path("moves"), store.path("games"))
        connection.execute(f"create table half as select game, ply, key, move from movers where {condition}")
        connection.execute("create or replace view moves as from half")
        with Movers.fill(connection, Path(folder) / "movers") as movers:
            return counting.count_replies(
                connection, (0, counting.KEY_SPACE - 1), settings.bands, floor, movers
            )


def _aligned(choices: Choices, rates: Rates, second: pa.Table) -> Halves:
    known = choices.keys[np.flatnonzero(np.r_[True, choices.keys[1:] != choices.keys[:-1]])]
    keys = second["key"].to_numpy()
    place = np.minimum(np.searchsorted(known, keys), len(known) - 1)
    is_known = known[place] == keys
    second, place = second.filter(pa.array(is_known)), place[is_known]
    band, games = second["band"].to_numpy(), second["games"].to_numpy()
    ours, theirs = choices.place * _MOVES + choices.moves, place * _MOVES + second["move"].to_numpy()
    row = np.minimum(np.searchsorted(ours, theirs), len(ours) - 1)
    seen = ours[row] == theirs
    chosen = np.zeros(choices.chosen.shape, dtype=np.int64)
    chosen[row[seen], band[seen]] = games[seen]
    other, squared = np.zeros(choices.played.shape, dtype=np.int64), np.zeros(choices.played.shape)
    np.add.at(other, (place[~seen], band[~seen]), games[~seen])
    squared[place, band] = second["games_squared_at_position"].to_numpy()
    return Halves(choices, rates, chosen, other, squared)


def _at_positions(values: npt.NDArray[Any], choices: Choices) -> npt.NDArray[Any]:
    sums = np.zeros(choices.played.shape, dtype=values.dtype)
    np.add.at(sums, choices.place, values)
    return sums


def log_losses(halves: Halves, bands: BandScheme) -> pd.DataFrame:
    """Log loss of the second half's choices, in nats a game, by band.

    Columns: band, games, pooled, raw, together; raw_more and together_more (than pooled), each with its
    standard error, a position being one piece of evidence.
    """
    choices = halves.choices
    seen = np.bincount(choices.place)[choices.place][:, None]
    there = choices.played[choices.place].astype(np.float64)
    total, chosen = there.sum(axis=1, keepdims=True), choices.chosen.sum(axis=1, keepdims=True)
    raw = (choices.chosen + 1.0 / (seen + 1)) / (there + 1.0)
    together = np.broadcast_to((chosen + 1.0 / (seen + 1)) / (total + 1.0), raw.shape)
    rows = []
    for place in np.flatnonzero(halves.rates.kept).tolist():
        successes, failures = halves.rates.of_band(place)
        by_rule = {
            "pooled": _losses(halves, successes / (successes + failures), place),
            "raw": _losses(halves, raw[:, place], place),
            "together": _losses(halves, together[:, place], place),
        }
        played = halves.played[:, place]
        games = played.sum()
        if games:
            rows.append({"band": bands.names[place], "games": games, **_compared(by_rule, played, games)})
    return pd.DataFrame(rows)


def with_prior(store: Store, settings: TallySettings, clubs: int) -> pd.DataFrame:
    """Log loss of choices that neither a club nor an earlier database has seen, by what both make expect.

    A row for the positions that the earlier database knows and one for those that it lacks: games, alone,
    with_habits (of the club's players), with_prior (its rates, and the habits of its players); nats a game.
    """
    half = clubs // 2
    floors = (3, settings.enough_games(kept_games(store.require("read"))), 1)
    parts = [part_of("game", part, of=clubs) for part in ((0,), range(1, half + 1), range(half + 1, clubs))]
    club, earlier, others = (
        _counted(store, settings, part, floor) for part, floor in zip(parts, floors, strict=True)
    )
    choices, table = spread(club, len(settings.bands.names)), _as_earlier(earlier, settings)
    table = table.filter(pa.array(half_of(table["key"].to_numpy()) == 0))
    known = np.isin(choices.keys[begins_run(choices.keys)], table["key"].to_numpy())
    losses = {}
    expected = {
        "alone": None,
        "with_habits": _expected(store, choices, club, parts[0]),
        "with_prior": _expected(store, choices, club, parts[1], table),
    }
    for name, found in expected.items():
        rates = pool(choices, found)
        halves = _aligned(choices, rates, others)
        losses[name] = np.zeros(len(known))
        for band in np.flatnonzero(rates.kept).tolist():
            successes, failures = rates.of_band(band)
            losses[name] += _losses(halves, successes / (successes + failures), band)
    games = halves.played[:, rates.kept].sum(axis=1)
    rows = {"known to it": known, "lacking there": ~known}
    return pd.DataFrame(
        {"games": games[some].sum()}
        | {name: loss[some].sum() / games[some].sum() for name, loss in losses.items()}
        for some in rows.values()
    ).set_index(pd.Index(rows, name="positions"))


FEW_GAMES = (5, 30)
"""Games at a position of which habits are to tell more than these do."""


def by_habits(store: Store, settings: TallySettings) -> tuple[pd.Series, pd.DataFrame]:
    """What habits of the first half's players foretell of the second half's choices.

    First, at positions that `FEW_GAMES` of the first half reach: positions, games, log loss with and without
    habits (nats a game), what they save and its standard error. Then, a row for each bin of the rates that
    were foretold of moves which nobody of the first half chose there: foretold, observed, games (of the
    second half at these positions), standard_error.
    """
    first, second = (part_of("player", (part,), of=2) for part in (0, 1))
    counted = _counted(store, settings, first, FEW_GAMES[0])
    others = _counted(store, settings, second, 1)
    choices = spread(counted, len(settings.bands.names))
    expected = _expected(store, choices, counted, first)
    halves = [_aligned(choices, pool(choices, found), others) for found in (None, expected)]
    total = choices.played.sum(axis=1)
    few = (total >= FEW_GAMES[0]) & (total <= FEW_GAMES[1])
    without, with_habits = (_all_losses(half)[few] for half in halves)
    played = halves[0].played[:, halves[0].rates.kept].sum(axis=1)[few]
    saved = (without - with_habits).sum() / played.sum()
    error = np.sqrt(np.sum((without - with_habits - saved * played) ** 2)) / played.sum()
    told = {
        "positions": few.sum(),
        "games": played.sum(),
        "without": without.sum() / played.sum(),
        "with_habits": with_habits.sum() / played.sum(),
        "saved": saved,
        "standard_error": error,
    }
    return pd.Series(told), _unchosen(halves[1], expected, others)


def _all_losses(halves: Halves) -> Floats:
    """Of all games of the second half at each position."""
    losses = np.zeros(len(halves.other))
    for band in np.flatnonzero(halves.rates.kept).tolist():
        successes, failures = halves.rates.of_band(band)
        losses += _losses(halves, successes / (successes + failures), band)
    return losses


FORETOLD = (0.01, 0.02, 0.04, 0.06, 0.1, 0.15, 0.25, 0.5, 1.0)


def _unchosen(halves: Halves, expected: Expected, others: pa.Table) -> pd.DataFrame:
    """By the rate foretold: how often moves were chosen that the first half lacks there."""
    keys = halves.choices.keys[begins_run(halves.choices.keys)]
    chosen = others.select(["key", "move", "band", "games"]).to_pandas()
    rows = []
    for band in np.flatnonzero(halves.rates.kept).tolist():
        place, moves, rate = halves.rates.unchosen(expected, band)
        found = pd.DataFrame({"key": keys[place], "move": moves, "rate": rate})
        found = found.merge(chosen[chosen["band"] == band], on=["key", "move"], how="left")
        rows.append(found.assign(there=halves.played[place, band]))
    told = pd.concat(rows)
    told = told[told["there"] > 0].fillna({"games": 0})
    bins = told.groupby(pd.cut(told["rate"], list(FORETOLD)), observed=True)
    return pd.DataFrame(
        {
            "foretold": (some["rate"] * some["there"]).sum() / some["there"].sum(),
            "observed": some["games"].sum() / some["there"].sum(),
            "games": some["there"].sum(),
            "moves": len(some),
        }
        for _, some in bins
    )


def habits(store: Store, figure: Path | None) -> None:
    """Print what habits add where few games are."""
    losses, unchosen = by_habits(store, TallySettings())
    print(losses.round(4).to_string())
    print("moves that nobody of the first half chose there:")
    print(unchosen.round(4).to_string(index=False))
    if figure:
        _draw(figure, lambda axes: _draw_habits(axes, unchosen), columns=1)


def _draw_habits(axes: Any, unchosen: pd.DataFrame) -> None:
    [axis] = axes
    axis.plot([0.005, 1], [0.005, 1], color="grey", linewidth=1)
    error = np.sqrt(unchosen["observed"] * (1 - unchosen["observed"]) / unchosen["games"])
    axis.errorbar(unchosen["foretold"], unchosen["observed"], 1.645 * error, marker="o")
    axis.set(
        title="Moves that nobody had chosen there",
        xlabel="foretold share",
        ylabel="share of the other half (90 % by chance)",
        xscale="log",
        yscale="log",
    )


SMALL_RATES = (0.0, 0.03, 0.1, 0.3, 0.6, 1.0)


def small_stores(store: Store, settings: TallySettings, games: int, draws: int) -> pd.DataFrame:
    """Intervals of 90 % of stores of so many games, held against the games of all other players.

    A row each for all, for replies of `TOLD_FROM` games or more, for ranges of rates and for all bands taken
    for one: intervals, held, below and above (shares of the counts).
    """
    share = games / kept_games(store.require("read"))
    parts, together = [], []
    for draw in range(draws):
        drawn = f"(game::ubigint + {draw} * 7919) * 2654435761 // {_MOVES} % 1000000 < {share * 1e6:.0f}"
        others = f"not ({drawn}) and (player = 0 or player not in (select player from movers where {drawn}))"
        halves = _held_out(store, settings, drawn, others, settings.enough_games(games))
        parts.append(places_of(halves, seed=draw))
        together.append(places_together(halves, seed=draw))
    told, as_one = pd.concat(parts), pd.concat(together)
    groups = {"all": told, f"{TOLD_FROM} games with the reply": told[told["with_reply"] >= TOLD_FROM]}
    by_rate = told.groupby(pd.cut(told["rate"], list(SMALL_RATES)), observed=True)
    groups |= {f"rate {rate}": some for rate, some in by_rate}
    groups["all bands together"] = as_one
    groups[f"the same, {TOLD_FROM} games"] = as_one[as_one["with_reply"] >= TOLD_FROM]
    return pd.DataFrame(
        {
            "intervals": len(some),
            "held": coverage(some, 0.9),
            "below": (some["place"] < 0.05).mean(),
            "above": (some["place"] > 0.95).mean(),
        }
        for some in groups.values()
    ).set_index(pd.Index(groups, name="replies"))


def small(store: Store, sizes: Sequence[int], draws: int) -> None:
    """Print how many intervals of small stores hold."""
    for games in sizes:
        print(f"stores of {games:,} games, {draws} of them:")
        print(small_stores(store, TallySettings(), games, draws).round(3).to_string())


def _as_earlier(counted: pa.Table, settings: TallySettings) -> pa.Table:
    """Counted replies as `pool` wants those of an earlier database."""
    choices = spread(counted, len(settings.bands.names))
    successes, failures = pool(choices).of_rows()
    return (
        counted.select(["key", "move", "games"])
        .append_column("place", counted["band"])
        .append_column("games_at_position", pa.array(choices.played.ravel()[choices.cell]))
        .append_column("pick_rate", pa.array(successes / (successes + failures)))
    )


def prior(store: Store, clubs: int) -> None:
    """Print what an earlier database adds to a club's pick rates."""
    print(with_prior(store, TallySettings(), clubs).round(3).to_string())


def _losses(halves: Halves, rates: Floats, band: int) -> Floats:
    """Of all games of the second half at each position."""
    choices, positions = halves.choices, len(halves.other)
    left = np.maximum(1.0 - np.bincount(choices.place, rates, minlength=positions), 1e-9)
    each = -halves.chosen[:, band] * np.log(np.maximum(rates, 1e-9))
    losses: Floats = np.bincount(choices.place, each, minlength=positions) - halves.other[:, band] * np.log(
        left
    )
    return losses


def _compared(by_rule: dict[str, Floats], played: Ints, games: int) -> dict[str, float]:
    told = {rule: float(losses.sum() / games) for rule, losses in by_rule.items()}
    for rule in ("raw", "together"):
        more = by_rule[rule] - by_rule["pooled"]
        mean = more.sum() / games
        told[f"{rule}_more"] = float(mean)
        told[f"{rule}_error"] = float(np.sqrt(np.sum((more - mean * played) ** 2)) / games)
    return told


def places_of(halves: Halves, *, habits: bool = True, seed: int = 1) -> pd.DataFrame:
    """Where each count of the second half stands in what was predicted for it; of replies the first half saw.

    Columns: band (place), rate (pooled), games (of the first half at the position), with_reply (of all bands)
    and place, which is even from 0 to 1 if the predictions are right.
    """
    random = np.random.default_rng(seed)
    choices, played = halves.choices, halves.played
    successes, failures = halves.rates.of_rows()
    cell = (choices.place[choices.row], choices.band)
    is_told = played[cell] > 0
    cell = (cell[0][is_told], cell[1][is_told])
    successes, failures = successes[is_told], failures[is_told]
    games, seen = played[cell], halves.chosen[choices.row[is_told], cell[1]]
    correlation = halves.rates.player_correlation if habits else 0.0
    worth = pooling.worth_of_games(games, halves.squared[cell], correlation)
    place = places_among(random, successes, failures, games, seen, worth)
    with_reply = choices.chosen.sum(axis=1, dtype=np.int64)[choices.row[is_told]]
    return pd.DataFrame(
        {
            "band": cell[1],
            "rate": successes / (successes + failures),
            "games": choices.played[cell].astype(np.int64),
            "with_reply": with_reply,
            "place": place,
        }
    )


def places_together(halves: Halves, seed: int = 1) -> pd.DataFrame:
    """The same for all bands together, taken for one."""
    choices, correlation = halves.choices, halves.rates.player_correlation
    beta = rates_as_one(_as_replies(halves), _as_foreseen(halves), None, correlation=correlation)
    beta = beta.reindex(pd.MultiIndex.from_arrays([choices.keys, choices.moves]))
    games, seen = halves.played.sum(axis=1)[choices.place], halves.chosen.sum(axis=1)
    worth = pooling.worth_of_games(games, halves.squared.sum(axis=1)[choices.place], correlation)
    told = pd.DataFrame(
        {
            "key": choices.keys,
            "move": choices.moves,
            "successes": beta["successes"].to_numpy(),
            "failures": beta["failures"].to_numpy(),
            "there": games,
            "seen": seen,
            "worth": worth,
            "with_reply": choices.chosen.sum(axis=1, dtype=np.int64),
        }
    )
    told = told[told["there"] > 0]
    counts = (told[name].to_numpy() for name in ("successes", "failures", "there", "seen", "worth"))
    return told.assign(place=places_among(np.random.default_rng(seed), *counts))


def of_losing(store: Store, together: pd.DataFrame, least: int) -> str:
    """How often those rows of `places_together` that lose were chosen, and are foretold, in words.

    What loses was found in all games: that some replies happen to be common in one half is not undone.
    """
    judged = store.read_table("judged").to_pandas()
    rows = together.merge(judged.loc[is_losing(judged, RankSettings()), ["key", "move"]], on=["key", "move"])
    rows = rows[rows["with_reply"] >= least]
    foretold = rows["there"] * rows["successes"] / (rows["successes"] + rows["failures"])
    return f"{len(rows):,}, chosen {rows['seen'].sum():,} times, foretold {foretold.sum():,.1f}"


def _as_replies(halves: Halves) -> pd.DataFrame:
    """The first half's rows of the table `replies`, as far as they are asked for."""
    choices = halves.choices
    row, band = choices.row, choices.band
    cell = choices.place[row], band
    successes, failures = halves.rates.of_rows()
    return pd.DataFrame(
        {
            "key": choices.keys[row],
            "move": choices.moves[row],
            "band": band,
            "games": choices.chosen[row, band].astype(np.int64),
            "games_elsewhere": 0,
            "games_at_position": choices.played[cell].astype(np.int64),
            "games_at_position_elsewhere": 0,
            "games_squared_at_position": choices.squared_there[cell],
            "pick_rate": successes / (successes + failures),
        }
    )


def _as_foreseen(halves: Halves) -> pd.DataFrame:
    """The first half's rows of the table `foreseen`."""
    assert halves.expected is not None, "habits are fitted to a half"
    keys, parts = halves.choices.keys[begins_run(halves.choices.keys)], []
    for band in np.flatnonzero(halves.rates.kept).tolist():
        place, moves, rate = halves.rates.unchosen(halves.expected, band)
        parts.append(pd.DataFrame({"key": keys[place], "band": band, "move": moves, "pick_rate": rate}))
    told = pd.concat(parts)
    return told[told["pick_rate"] >= LIKELY]


def places_among(
    random: np.random.Generator, successes: Floats, failures: Floats, games: Ints, seen: Ints, worth: Floats
) -> Floats:
    below, same = np.zeros(len(games)), np.zeros(len(games))
    for _ in range(DRAWS):
        drawn = random.binomial(games, _scattered(random, random.beta(successes, failures), games, worth))
        below += drawn < seen
        same += drawn == seen
    return np.asarray((below + random.uniform(size=len(games)) * (same + 1.0)) / (DRAWS + 1.0))


def _scattered(random: np.random.Generator, rates: Floats, games: Ints, worth: Floats) -> Floats:
    """Rates of as many games, if each counts for so much less than one because players repeat themselves."""
    scatters = worth < 1.0
    # Games in pairs that agree with correlation r are beta-binomial with a strength of 1/r - 1.
    strength = np.maximum((games[scatters] - 1.0) / (1.0 / worth[scatters] - 1.0) - 1.0, 1e-3)
    scattered = rates.copy()
    inner = np.clip(rates[scatters], 1e-9, 1.0 - 1e-9)
    scattered[scatters] = random.beta(inner * strength, (1.0 - inner) * strength)
    return scattered


def coverage(places: pd.DataFrame, confidence: float) -> float:
    """Share of the counts within the interval of a confidence."""
    tail = (1.0 - confidence) / 2.0
    return float(places["place"].between(tail, 1.0 - tail).mean())


def picks(store: Store, by: Split, figure: Path | None) -> None:
    """Print what the second half says of pick rates."""
    settings = TallySettings()
    halves = halves_of(store, settings, by)
    print(f"halves by {by}: {halves.rates.resemblance}")
    print(f"correlation of one player's games {halves.rates.player_correlation:.3f}")
    losses, places = log_losses(halves, settings.bands), places_of(halves)
    alone = places_of(halves, habits=False)
    names = settings.bands.names
    held = places.groupby("band")["place"].agg(
        cells="size", coverage_90=lambda p: p.between(0.05, 0.95).mean()
    )
    losses = losses.merge(
        held.rename(index=dict(enumerate(names))), left_on="band", right_index=True, how="left"
    )
    print(losses.round(4).to_string(index=False))
    print(f"intervals of 90 % that hold: {coverage(places, 0.9):.1%} of {len(places):,}", end="; ")
    print(f"with games of one player taken for independent {coverage(alone, 0.9):.1%}")
    together = places_together(halves)
    print(f"all bands together: {coverage(together, 0.9):.1%} of {len(together):,}", end="; ")
    common = together[together["with_reply"] >= TOLD_FROM]
    print(f"of {TOLD_FROM} games with the reply or more {coverage(common, 0.9):.1%} of {len(common):,}")
    if store.manifest("judge"):
        other = places_together(halves_of(store, settings, by, swapped=True))
        for least in (1, TOLD_FROM):
            told = "; ".join(of_losing(store, way, least) for way in (together, other))
            print(f"replies that lose, of {least} games or more, in either half by the other: {told}")
    for name, edges in {
        "rate": (0, 0.01, 0.03, 0.1, 0.3, 0.6, 1),
        "games": (0, 3, 10, 30, 100, 1000, 1e9),
    }.items():
        groups = places.groupby(pd.cut(places[name], list(edges)), observed=True)
        print(f"by {name}: " + ", ".join(f"{group} {coverage(one, 0.9):.1%}" for group, one in groups))
    if figure:
        _draw(figure, lambda axes: _draw_picks(axes, losses, places, names), columns=2)


def curve(store: Store, figure: Path | None) -> None:
    """Print what the second half says of the curves."""
    bands = TallySettings().bands
    told = held_out(store, bands)
    print(told.round(3).to_string(index=False))
    is_many = told["games"] >= 1000
    for name, some in {"1,000 games or more": told[is_many], "fewer": told[~is_many]}.items():
        if len(some):
            error = some["error"].abs()
            print(
                f"bins of {name}: {len(some)}, mean absolute error {error.mean():.4f}, most {error.max():.4f}"
            )
    if figure:
        _draw(figure, lambda axes: _draw_curve(axes, told), columns=1)


def held_out(store: Store, bands: BandScheme) -> pd.DataFrame:
    """Curves of the first half of the store's games against the scores of the second."""
    rows = rows_of(store, bands)
    half = half_of(rows.game)
    curves: Curves = curves_of(rows.where(half == 0), engine_rows_of(store), bands.names)
    return diagnose(curves, rows.where(half == 1))


def _draw(figure: Path, draw: Callable[[Any], None], columns: int) -> None:
    import matplotlib as mpl

    mpl.use("agg")
    from matplotlib import pyplot

    drawing, axes = pyplot.subplots(1, columns, figsize=(6 * columns, 5), squeeze=False, layout="constrained")
    draw(axes[0])
    drawing.savefig(figure, dpi=120)
    pyplot.close(drawing)
    print(f"drawn: {figure}")


def _draw_picks(axes: Any, losses: pd.DataFrame, places: pd.DataFrame, names: tuple[str, ...]) -> None:
    reliability, gains = axes
    reliability.plot([0, 1], [0, 1], color="grey", linewidth=1, label="as promised")
    for band, some in places.groupby("band"):
        if len(some) >= 200:
            held = [coverage(some, level) for level in LEVELS]
            reliability.plot(LEVELS, held, marker="o", markersize=3, label=names[int(str(band))])
    reliability.set(
        title="Intervals that hold", xlabel="confidence", ylabel="share that hold the second half"
    )
    reliability.legend(fontsize=7)
    for shift, (rule, label) in enumerate({"raw": "own shares", "together": "all bands together"}.items()):
        where = np.arange(len(losses)) + 0.4 * shift
        gains.barh(where, losses[f"{rule}_more"], 0.4, xerr=losses[f"{rule}_error"], label=label)
    gains.set_yticks(np.arange(len(losses)) + 0.2, losses["band"])
    gains.axvline(0.0, color="grey", linewidth=1)
    gains.set(title="Log loss more than by pooled rates", xlabel="nats a game")
    gains.set_xlim(-0.05, 0.3)
    gains.legend(fontsize=7)


def _draw_curve(axes: Any, told: pd.DataFrame) -> None:
    [axis] = axes
    axis.plot([0, 1], [0, 1], color="grey", linewidth=1)
    for band, some in told[told["games"] >= 100].groupby("band", sort=False):
        axis.errorbar(
            some["predicted"],
            some["observed"],
            some["standard_error"],
            marker="o",
            markersize=3,
            label=str(band),
        )
    axis.set(title="Score of games not fitted to", xlabel="predicted", ylabel="observed")
    axis.legend(fontsize=7)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(dest="command", required=True)
    for name in ("picks", "habits", "small", "prior", "curve"):
        command = commands.add_parser(name)
        command.add_argument("store", type=Path)
        if name == "prior":
            command.add_argument("--clubs", type=int, default=32)
        elif name == "small":
            command.add_argument("--games", default="300,1000,3000")
            command.add_argument("--draws", type=int, default=4)
        else:
            command.add_argument("--figure", type=Path)
        if name == "picks":
            command.add_argument("--by", choices=("game", "player"), default="game")
    given = parser.parse_args()
    if given.command == "picks":
        picks(Store.open(given.store), given.by, given.figure)
    elif given.command == "habits":
        habits(Store.open(given.store), given.figure)
    elif given.command == "small":
        small(Store.open(given.store), [int(games) for games in given.games.split(",")], given.draws)
    elif given.command == "prior":
        prior(Store.open(given.store), given.clubs)
    else:
        curve(Store.open(given.store), given.figure)


if __name__ == "__main__":
    main()
