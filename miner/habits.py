"""How likely a player of some rating is to choose each legal move, by what the moves look like.

The logarithm of a move's odds is a sum of weights, one for each class that it falls into (`board.looks`), and
of slopes that count by the player's rating: a conditional logit over the legal moves, fitted to what was
played. So every legal move has a probability, whether anybody ever played it there or not.

Sources (from memory): D. McFadden, Conditional logit analysis of qualitative choice behavior (1974), for the
model; R. Coulom, ICGA Journal 30 (2007) 198-208, for moves as teams of patterns in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from scipy import optimize, sparse

from miner.arrays import Floats, Ints, Moves, begins_run
from miner.board.looks import CLASSES, SIZES, Looks
from miner.schema import HABITS

POINTS = 400.0  # rating points that a slope counts by
_ITERATIONS = 60  # more hardly change what is foretold
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
    weights = np.zeros(2 * CLASSES)
    if not len(chosen):
        return Habits(weights[:CLASSES], weights[CLASSES:], usual, 0)
    is_chosen = looks.packed == chosen[looks.row]
    inputs = _inputs(looks, _away(ratings, usual)[looks.row])
    used = np.flatnonzero(np.bincount(inputs.indices, minlength=2 * CLASSES))
    spread = _spreads()[used]
    inputs = sparse.csr_matrix(inputs[:, used] @ sparse.diags(spread), dtype=np.float32)
    turned = sparse.csr_matrix(inputs.T)

    def unlikeliness(free: Floats) -> tuple[float, Floats]:
        odds = (inputs @ free.astype(np.float32)).astype(np.float64)
        shares = _shares(odds[:, None], looks.row)[:, 0]
        value = 0.5 * float(free @ free) - float(np.log(shares[is_chosen]).sum())
        return value, (turned @ (shares - is_chosen).astype(np.float32)).astype(np.float64) + free

    found = optimize.minimize(
        unlikeliness, np.zeros(len(used)), jac=True, method="L-BFGS-B", options={"maxiter": _ITERATIONS}
    )
    weights[used] = found.x * spread
    return Habits(weights[:CLASSES], weights[CLASSES:], usual, len(chosen))


def _away(ratings: npt.NDArray[np.float64] | Ints, usual: float) -> Floats:
    return np.where(ratings > 0, (ratings - usual) / POINTS, 0.0)


def _inputs(looks: Looks, away: Floats) -> sparse.csr_matrix:
    """A row for each move: 1 for each of its classes, for each slope how far the player's rating is away."""
    sloped = np.array([name not in _UNSLOPED for name in SIZES])
    columns = np.hstack([looks.classes, looks.classes[:, sloped] + CLASSES])
    values = np.hstack([np.ones(looks.classes.shape), np.repeat(away[:, None], sloped.sum(), axis=1)])
    ends = np.arange(0, columns.size + 1, columns.shape[1])
    return sparse.csr_matrix((values.ravel(), columns.ravel(), ends), shape=(len(columns), 2 * CLASSES))


def _spreads() -> Floats:
    of_weights = [np.full(size, _SPREAD.get(name, _USUAL_SPREAD)) for name, size in SIZES.items()]
    return np.concatenate([*of_weights, np.full(CLASSES, _SLOPES_SPREAD)])


def _shares(odds: Floats, row: Ints) -> Floats:
    """Probabilities from the logarithms of odds, (moves, n): those of each board's moves add up to 1."""
    firsts = np.flatnonzero(begins_run(row))
    board = np.cumsum(begins_run(row)) - 1
    shares = np.exp(odds - np.maximum.reduceat(odds, firsts)[board])
    return np.asarray(shares / np.add.reduceat(shares, firsts)[board])
