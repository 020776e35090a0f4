"""What centipawns are worth to players of a band: the band's curve, and what it may be as well."""

from __future__ import annotations

from functools import cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

from miner.arrays import Floats
from miner.steer.tree import Worth, engine_expected
from miner.terms import MATE_SCORE_CP

_SEED = 64
_FURTHEST_CP = 2_000  # beyond it a curve hardly rises
_SHORT_MATE = 2  # moves


class ExpectedScore(Protocol):
    """A curve: expected score (0 to 1) of a player of a band who stands `cp` centipawns better."""

    def expected(self, cp: npt.ArrayLike, gap: npt.ArrayLike = 0.0) -> Floats:
        """`gap`: the player's rating less the opponent's."""


def engine_worth(draws: int) -> Worth:
    """The engine's own rule, which is taken as it is."""

    @cache
    def worth(cp: float) -> Floats:
        return np.full(1 + draws, engine_expected(round(cp)))

    return worth


def curve_worth(best_guess: ExpectedScore, drawn: list[ExpectedScore]) -> Worth:
    """The band's curve between equals, and others that it may be as well.

    A curve tells of players who have just moved, and those who stand worse have erred. Here the position is
    to count, not how it came about: what one side gains when it stands better the other loses when it stands
    as much worse, so the two are averaged. A short mate is certain: whoever was taught the line plays it.
    """
    cps = np.arange(-_FURTHEST_CP, _FURTHEST_CP + 1)
    table = np.array([(one.expected(cps) + 1.0 - one.expected(-cps)) / 2.0 for one in (best_guess, *drawn)])

    def worth(cp: float) -> Floats:
        if abs(cp) >= MATE_SCORE_CP - _SHORT_MATE:
            return np.full(len(table), engine_expected(round(cp)))
        place = min(max(round(cp), -_FURTHEST_CP), _FURTHEST_CP) + _FURTHEST_CP
        column: Floats = table[:, place]
        return column

    return worth


def coefficients_drawn(coefficients: Floats, covariance: Floats, draws: int) -> Floats:
    """Coefficients that a curve may have as well, always the same ones; shape (draws, coefficients)."""
    generator = np.random.default_rng(_SEED)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    scatter = generator.standard_normal((draws, len(values))) * np.sqrt(np.maximum(values, 0.0))
    drawn: Floats = coefficients + scatter @ vectors.T
    return drawn
