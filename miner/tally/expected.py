"""What is expected of every legal move at the tallied positions before any of its games is looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace

import chess
import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Floats, Ints, Moves, begins_run
from miner.board.looks import look
from miner.board.moves import pack
from miner.board.play import Boards
from miner.graph.walk import Graph, Ways
from miner.habits import LIKELY, Habits, fit
from miner.schema import HABITS
from miner.store import Store
from miner.store.query import turn_sql
from miner.tally.rates import Choices, Expected, earlier_rates

GAMES_SAMPLED = 20_000
POSITIONS_FITTED = 20_000
"""Positions that habits are fitted to, at the most: some 15 s on one core; more hardly foretell better."""
ENOUGH_POSITIONS = 500
"""Positions, of some twenty games, below which nothing is fitted: all moves are equally likely then."""
_FROM_PLY = 2  # earlier ones are few, and counted well enough
_SEED = 1
_POSITIONS_AT_ONCE = 16_384


@dataclass(frozen=True, slots=True)
class Played:
    """Positions of games, what led there, and what was played by whom."""

    boards: Boards
    last: Moves  # 0: the start of a game
    chosen: Moves
    ratings: Ints  # 0: none


def sample(connection: duckdb.DuckDBPyConnection, of: str = "true") -> Played:
    """Positions of games spread evenly over the store, always the same ones.

    `of`: which moves count, an SQL condition on game, ply, player and rating.
    """
    rows = connection.sql(
        f"""
        with sampled as (
            select game, white_player, black_player, white_rating, black_rating from games where plies > 0
            order by {turn_sql("game")}, game limit $games
        ),
        moved as (
            select m.game, m.ply, m.move,
                   case when m.ply % 2 = 0 then white_player else black_player end as player,
                   case when m.ply % 2 = 0 then white_rating else black_rating end as rating
            from moves m join sampled using (game)
        )
        select game, ply, move, rating, ({of}) as counts from moved order by game, ply
        """,  # noqa: S608 - conditions of our own
        params={"games": GAMES_SAMPLED},
    ).fetchnumpy()
    game, ply = rows["game"].astype(np.int64), rows["ply"].astype(np.int64)
    # A position that comes again in a game has no second row: what follows cannot be played on.
    place = np.arange(len(game))
    first = np.maximum.accumulate(np.where(begins_run(game), place, 0))
    broken = np.maximum.accumulate(np.where(ply != place - first, place, -1)) >= first
    moves, ratings, counts = (rows[name][~broken] for name in ("move", "rating", "counts"))
    ply = ply[~broken]
    late = np.flatnonzero(counts & (ply >= _FROM_PLY))
    if len(late) > POSITIONS_FITTED:
        late = np.sort(np.random.default_rng(_SEED).choice(late, POSITIONS_FITTED, replace=False))
    return _replayed(moves, ply, ratings.astype(np.int64), late)


def _replayed(moves: Moves, plies: Ints, ratings: Ints, wanted: Ints) -> Played:
    """The boards before the `wanted` moves of games that stand one after the other."""
    is_wanted = np.zeros(len(moves), dtype=np.bool_)
    is_wanted[wanted] = True
    rows = np.flatnonzero(plies == 0)
    boards, parts, order = Boards.start().take(np.zeros_like(rows)), [], []
    while len(rows):
        told = np.flatnonzero(is_wanted[rows])
        parts.append(boards.take(told))
        order.append(rows[told])
        goes_on = np.flatnonzero(np.append(plies, 0)[rows + 1] > 0)
        boards = boards.take(goes_on).after(moves[rows[goes_on]])
        rows = rows[goes_on] + 1
    found = np.concatenate(order) if order else wanted
    last = np.where(plies[found] > 0, moves[found - 1], 0).astype(np.uint16)
    none = Boards.start().take(np.zeros(0, dtype=np.int64))
    return Played(Boards.joined([none, *parts]), last, moves[found], ratings[found])


def fit_habits(played: Played) -> Habits:
    """The habits of those who played these games, if they are enough."""
    if len(played.chosen) < ENOUGH_POSITIONS:
        return Habits.from_table(HABITS.empty_table())
    return fit(look(played.boards, played.last), played.chosen, played.ratings)


def habits_for(connection: duckdb.DuckDBPyConnection, prior: Store | None) -> Habits:
    """The habits of the players of these games; or of those of an earlier database, if it tells more of them.

    `connection`: with the views of `create_views`.
    """
    played = sample(connection)
    if prior is not None:
        theirs = Habits.from_table(prior.read_table("habits"))
        if theirs.positions > len(played.chosen):
            return theirs
    return fit_habits(played)


def ratings_of(counted: pa.Table, bands: int) -> Floats:
    """The mean rating of each band's players, by the rows of `count_replies`; 0: they have none."""
    band, games, ratings = (counted[name].to_numpy() for name in ("band", "games", "rating_sum"))
    played = np.bincount(band, games, minlength=bands)
    return np.asarray(np.bincount(band, ratings, minlength=bands) / np.maximum(played, 1.0))


def expect(
    choices: Choices, graph: Graph, habits: Habits, ratings: Floats, earlier: pa.Table | None = None
) -> Expected:
    """By habits alone, or by an earlier database's replies and by habits where that is silent.

    `ratings`: of each band's players on average, 0: none. `earlier`: see `rates.pool`.
    """
    bands, positions = choices.played.shape[1], len(choices.played)
    base = np.zeros(choices.chosen.shape, dtype=np.float32)
    knows = np.zeros(positions, dtype=np.bool_)
    places = np.unique(choices.place[graph.parent >= 0])
    others = []
    for some in np.split(np.arange(len(places)), range(_POSITIONS_AT_ONCE, len(places), _POSITIONS_AT_ONCE)):
        if not len(some):
            continue
        looks = look(*_boards_of(graph, some))
        place = places[some][looks.row]
        rates = habits.rates(looks, ratings)
        if earlier is not None:
            rates, knows[places[some]] = _with_earlier(
                replace(
                    choices,
                    keys=graph.keys[some][looks.row],
                    moves=looks.packed,
                    place=looks.row,
                    played=choices.played[places[some]],
                ),
                rates,
                earlier,
            )
        row = _rows_of(choices, place, looks.packed)
        base[row[row >= 0]] = rates[row >= 0]
        likely = (row < 0) & (rates.max(axis=1) >= LIKELY)
        others.append((place[likely], looks.packed[likely], rates[likely].astype(np.float32)))
    none = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint16), np.zeros((0, bands), dtype=np.float32)
    return Expected(base, knows, *map(np.concatenate, zip(none, *others, strict=True)))


def _boards_of(graph: Graph, places: Ints) -> tuple[Boards, Moves]:
    """The boards at these positions, and the moves that led there on the graph's ways."""
    order = np.argsort(graph.plies[places], kind="stable")
    paths = pc.split_pattern(graph.paths.take(pa.array(places[order])), " ").flatten().dictionary_encode()
    packed = [pack(chess.Move.from_uci(uci)) if uci else 0 for uci in paths.dictionary.to_pylist()]
    moves = np.array(packed, dtype=np.uint16)[paths.indices.to_numpy()]
    moves = moves[moves > 0]  # the start has an empty path
    lengths = graph.plies[places[order]]
    ends = np.cumsum(lengths)
    back = np.argsort(order)
    boards = Ways(graph.keys[places[order]], np.r_[0, ends], moves).boards().take(back)
    last = np.where(lengths > 0, np.r_[np.uint16(0), moves][ends], 0).astype(np.uint16)
    return boards, last[back]


def _with_earlier(legal: Choices, rates: Floats, earlier: pa.Table) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """An earlier database's rates, what they leave being shared out by `rates` among moves it does not know.

    `legal` has all legal moves for replies. Also tells which positions the earlier database knows.
    """
    known = earlier_rates(legal, earlier).astype(np.float64)
    firsts = np.flatnonzero(begins_run(legal.place))
    left = 1.0 - np.add.reduceat(known, firsts)
    unknown = np.where(known > 0.0, 0.0, rates)
    among = np.maximum(np.add.reduceat(unknown, firsts), 1e-9)
    combined = known + unknown * (left / among)[legal.place]
    return combined, np.asarray((left < 1.0).any(axis=1))


def _rows_of(choices: Choices, place: Ints, moves: Moves) -> Ints:
    """The rows of moves among the replies; -1: it is none."""
    ours, wanted = choices.place << 16 | choices.moves, place << 16 | moves
    row = np.minimum(np.searchsorted(ours, wanted), len(ours) - 1)
    return np.where(ours[row] == wanted, row, -1)
