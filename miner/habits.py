"""How likely a player of some rating is to choose each legal move, by what the moves look like.

The logarithm of a move's odds is a sum of weights, one for each class that it falls into (`board.looks`), and
of slopes that count by the player's rating: a conditional logit over the legal moves, fitted to what was
played. So every legal move has a probability, whether anybody ever played it there or not.

Sources (from memory): D. McFadden, Conditional logit analysis of qualitative choice behavior (1974), for the
model; R. Coulom, ICGA Journal 30 (2007) 198-208, for moves as teams of patterns in it; J. Nocedal, S. Wright,
Numerical Optimization, 2nd ed., 7.1, for Newton's method by conjugate gradients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from scipy import sparse

from miner.arrays import Flags, Floats, Ints, Moves, begins_run
from miner.board.looks import CLASSES, SIZES, Looks
from miner.schema import HABITS

LIKELY = 0.05
"""Probability from which a move that nobody has played is remembered."""
POINTS = 400.0  # rating points that a slope counts by
_ENOUGH = 3e-3
"""Gain in log likelihood for each board below which a step is not worth its time. Measured: the log loss of
held-out moves of rated amateurs was 2.172, after three times the work 2.171."""
_PRODUCTS, _PRECISE = 20, 0.1  # where a step's conjugate gradients end: with so many, or so little left
_KEPT = 1e-4  # of what a step promises; common practice, no source
_DECIMALS = 4
"""Of weights and slopes: finer ones may differ by what reckons them, and nothing depends on them."""
_SPREAD = {"way": 0.7, "to": 0.7, "origin": 0.5, "control": 0.7, "mobility": 0.7}
_USUAL_SPREAD, _SLOPES_SPREAD = 1.0, 0.3
"""Standard deviations of weights and slopes known beforehand: those under which held-out moves are likeliest,
roughly."""
_UNSLOPED = ("way",)  # kinds of too many classes for a slope each


@dataclass(frozen=True, slots=True, eq=False)
class Habits:
    """What players choose by."""

    weights: Floats  # (CLASSES,)
    slopes: Floats  # (CLASSES,): for each `POINTS` above `usual`
    usual: float  # the rating that counts as 0, and that of players without one
    positions: int  # that they were fitted to

    @classmethod
    def from_table(cls, table: pa.Table) -> Habits:
        """The habits that `as_table` has put into a table."""
        weights, slopes = np.zeros(CLASSES), np.zeros(CLASSES)
        if not table.num_rows:
            return cls(weights, slopes, 0.0, 0)
        place = table["place"].to_numpy()
        weights[place], slopes[place] = table["weight"].to_numpy(), table["slope"].to_numpy()
        return cls(weights, slopes, table["usual"][0].as_py(), table["positions"][0].as_py())

    def as_table(self) -> pa.Table:
        """The classes that were met, as the table `habits` has them."""
        met = np.flatnonzero((self.weights != 0.0) | (self.slopes != 0.0))
        columns = [met, self.weights[met], self.slopes[met]]
        same = [np.full(len(met), value) for value in (self.usual, self.positions)]
        return pa.table(dict(zip(HABITS.names, [*columns, *same], strict=True))).cast(HABITS)

    def rates(self, looks: Looks, ratings: Floats) -> Floats:
        """Probability of every move by players of each rating (0: none), (moves, ratings).

        Those of a board add up to 1.
        """
        level, slope = (column[looks.classes].sum(axis=1) for column in (self.weights, self.slopes))
        odds = level[:, None] + slope[:, None] * _away(ratings, self.usual)[None, :]
        return _shares(odds, looks.row)


def fit(looks: Looks, chosen: Moves, ratings: Ints) -> Habits:
    """Habits by which the moves chosen on each board were likeliest; `ratings`: of who chose, 0: none.

    Without any board nothing is known: all moves are equally likely.
    """
    known = ratings > 0
    usual = float(ratings[known].mean()) if known.any() else 0.0
    if not len(chosen):
        return Habits(np.zeros(CLASSES), np.zeros(CLASSES), usual, 0)
    chances = _Chances.of(looks, _away(ratings, usual)[looks.row])
    free = _likeliest(chances, looks.packed == chosen[looks.row], enough=_ENOUGH * len(chosen))
    weights, slopes = np.round(free * chances.spread, _DECIMALS)
    return Habits(weights, slopes, usual, len(chosen))


@dataclass(frozen=True, slots=True, eq=False)
class _Chances:
    """The probabilities of moves by weights and slopes, (2, CLASSES), in units of their `spread`."""

    classes: sparse.csr_matrix  # (moves, CLASSES): 1 for each of the move's classes
    turned: sparse.csr_matrix
    away: Floats  # (moves,): see `_away`
    row: Ints
    spread: Floats  # (2, CLASSES)

    @classmethod
    def of(cls, looks: Looks, away: Floats) -> _Chances:
        columns = looks.classes
        ends = np.arange(0, columns.size + 1, columns.shape[1])
        classes = sparse.csr_matrix(
            (np.ones(columns.size), columns.ravel(), ends), shape=(len(columns), CLASSES)
        )
        return cls(classes, sparse.csr_matrix(classes.T), away, looks.row, _spreads())

    def odds(self, free: Floats) -> Floats:
        """The logarithms of the odds, (moves,)."""
        level, slope = (self.classes @ (free * self.spread).T).T
        return np.asarray(level + slope * self.away)

    def slopes(self, by_odds: Floats) -> Floats:
        """How something changes with weights and slopes that changes so with each move's odds."""
        by_class = self.turned @ np.stack([by_odds, by_odds * self.away], axis=1)
        return np.asarray(by_class.T * self.spread)

    def bends(self, by_odds: Floats) -> Floats:
        """The same of what goes by the squares."""
        by_class = self.turned @ np.stack([by_odds, by_odds * self.away**2], axis=1)
        return np.asarray(by_class.T * self.spread**2)


def _likeliest(chances: _Chances, is_chosen: Flags, *, enough: float) -> Floats:
    """Weights and slopes under which the moves chosen are likeliest, but for a gain of about `enough`.

    Newton's method, its steps by conjugate gradients; to its end it is a long way. The steps are
    reckoned here, not by a library's rule, so that an unfinished fit is the same with each of its versions.
    """
    free = np.zeros(chances.spread.shape)
    odds = np.zeros(len(is_chosen))
    least, shares = _unlikeliness(free, odds, chances.row, is_chosen)
    while True:
        slope = chances.slopes(shares - is_chosen) + free
        step, change = _newton_step(chances, shares, slope)
        promised = -float(np.sum(slope * step))
        if promised < enough:
            return free
        share = 1.0
        while True:
            there = free + share * step
            found, shares = _unlikeliness(there, odds + share * change, chances.row, is_chosen)
            if found <= least - _KEPT * share * promised:
                break
            share /= 2.0
        free, odds, least = there, odds + share * change, found


def _unlikeliness(free: Floats, odds: Floats, row: Ints, is_chosen: Flags) -> tuple[float, Floats]:
    shares = _shares(odds[:, None], row)[:, 0]
    # A step that goes too far may leave nothing of a share.
    chosen = np.maximum(shares[is_chosen], np.finfo(np.float64).tiny)
    return 0.5 * float(np.sum(free * free)) - float(np.sum(np.log(chosen))), shares


def _newton_step(chances: _Chances, shares: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """The step, and how the odds change by it."""
    firsts = np.flatnonzero(begins_run(chances.row))
    board = np.cumsum(begins_run(chances.row)) - 1
    # About how much each weight bends by itself, prior included: they differ a thousandfold.
    bends = 1.0 + chances.bends(shares * (1.0 - shares))
    step, change = np.zeros(slope.shape), np.zeros(len(shares))
    left = -slope
    way = left / bends
    size = wanted = float(np.sum(left * way))
    for _ in range(_PRODUCTS):
        if size <= _PRECISE * wanted:
            break
        along = chances.odds(way)
        weighed = shares * along
        bent = chances.slopes(weighed - shares * np.add.reduceat(weighed, firsts)[board]) + way
        far = size / float(np.sum(way * bent))
        step, change, left = step + far * way, change + far * along, left - far * bent
        before, size = size, float(np.sum(left * left / bends))
        way = left / bends + size / before * way
    return step, change


def _away(ratings: npt.NDArray[np.float64] | Ints, usual: float) -> Floats:
    return np.where(ratings > 0, (ratings - usual) / POINTS, 0.0)


def _spreads() -> Floats:
    of_weights = [np.full(size, _SPREAD.get(name, _USUAL_SPREAD)) for name, size in SIZES.items()]
    of_slopes = [np.full(size, 0.0 if name in _UNSLOPED else _SLOPES_SPREAD) for name, size in SIZES.items()]
    return np.stack([np.concatenate(of_weights), np.concatenate(of_slopes)])


def _shares(odds: Floats, row: Ints) -> Floats:
    """Probabilities from the logarithms of odds, (moves, n): those of each board's moves add up to 1."""
    firsts = np.flatnonzero(begins_run(row))
    board = np.cumsum(begins_run(row)) - 1
    shares = np.exp(odds - np.maximum.reduceat(odds, firsts)[board])
    return np.asarray(shares / np.add.reduceat(shares, firsts)[board])
