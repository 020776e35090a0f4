"""What centipawns are worth to players of a band: the band's curve, and what it may be as well."""

from __future__ import annotations

from functools import cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

from miner.steer.tree import Floats, Worth, engine_expected


class ExpectedScore(Protocol):
    """A curve: expected score (0 to 1) of a player who stands `cp` centipawns better."""

    def expected(self, cp: npt.ArrayLike, gap: npt.ArrayLike = 0.0) -> Floats:
        """`gap`: the player's rating less the opponent's."""


def engine_worth(draws: int) -> Worth:
    """The engine's own rule, which is as good as certain."""

    @cache
    def worth(cp: float) -> Floats:
        return np.full(1 + draws, engine_expected(round(cp)))

    return worth
