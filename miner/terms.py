"""The words of the trade as small frozen values that are valid once they exist."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from miner.errors import UsageError

UNRATED = "unrated"

ALL_BANDS = "all"
"""The name of all bands together."""

STRONGEST = "strongest"
"""The name of the strongest players' plan among those of the bands."""

BLUNDER_LOSS = 0.25
"""Expected score that a reply gives away to earn two question marks, and not one.

Source: common practice, no source.
"""

MATE_SCORE_CP = 10_000
"""A mate in `n` counts as this minus `n` where a column can hold only centipawns."""

MOST_CP = MATE_SCORE_CP - 1_000
"""More centipawns than that either way only a mate has in such a column; engines' own are cut off there."""


def alternatives(words: Iterable[str]) -> str:
    """Words of which one is to be chosen, as they stand in a sentence.

    >>> alternatives(["mate", "tempo", "king"]), alternatives(["mate"])
    ('mate, tempo or king', 'mate')
    """
    *first, last = words
    return f"{', '.join(first)} or {last}" if first else last


class Side(StrEnum):
    """A side of the board."""

    WHITE = "white"
    BLACK = "black"

    @property
    def other(self) -> Side:
        """The opponent's side."""
        return Side.BLACK if self is Side.WHITE else Side.WHITE

    @property
    def color(self) -> bool:
        """The side as python-chess writes it: True for White."""
        return self is Side.WHITE

    @classmethod
    def of(cls, color: bool) -> Side:
        """The side for a python-chess colour."""
        return cls.WHITE if color else cls.BLACK


class Kind(StrEnum):
    """Who errs, seen from the side we teach."""

    TRAP = "trap"  # the opponent errs
    PITFALL = "pitfall"  # our own side errs


@dataclass(frozen=True, order=True, slots=True)
class Band:
    """Ratings from `low` up to and including `high`, e.g. 1000-1199."""

    low: int
    high: int | None = None  # None: no upper end

    def __post_init__(self) -> None:
        if self.high is not None and self.low > self.high:
            raise UsageError(f"band {self.low}-{self.high} is empty", advice="write the lower rating first")

    @property
    def middle(self) -> int:
        """The rating in its middle; its lower end, if it has no upper one."""
        return self.low if self.high is None else (self.low + self.high + 1) // 2

    def __str__(self) -> str:
        return f"{self.low}+" if self.high is None else f"{self.low}-{self.high}"


@dataclass(frozen=True, slots=True)
class BandScheme:
    """The rating bands of a tally: one below the first edge, one from each edge on, and `unrated`.

    >>> BandScheme((800, 1000)).names
    ('0-799', '800-999', '1000+', 'unrated')
    >>> BandScheme((800, 1000)).name_of(950)
    '800-999'
    """

    edges: tuple[int, ...]

    @classmethod
    def of(cls, tally: Mapping[str, Any]) -> BandScheme:
        """The bands by the settings of a tally, as its manifest holds them."""
        return cls(tuple(tally["band_edges"]))

    def __post_init__(self) -> None:
        if list(self.edges) != sorted(set(self.edges)) or any(edge <= 0 for edge in self.edges):
            listed = ", ".join(map(str, self.edges))
            raise UsageError(f"band edges {listed} do not rise", advice="list them upwards, each above 0")

    @property
    def bands(self) -> tuple[Band, ...]:
        """The rated bands, weakest first."""
        lows = (0, *self.edges)
        highs = (*(edge - 1 for edge in self.edges), None)
        return tuple(Band(low, high) for low, high in zip(lows, highs, strict=True))

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all bands, weakest first, `unrated` last."""
        return (*(str(band) for band in self.bands), UNRATED)

    def name_of(self, rating: int) -> str:
        """The band of a rating; 0 stands for none."""
        return UNRATED if rating <= 0 else self.names[bisect_right(self.edges, rating)]

    def places_of(self, ratings: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
        """The places in `names` of the bands of many ratings; 0 stands for none."""
        rated = np.searchsorted(self.edges, ratings, side="right")
        return np.where(ratings > 0, rated, len(self.names) - 1).astype(np.int64)

    def require(self, names: Iterable[str]) -> None:
        """Raise UsageError unless every name is a band of this scheme."""
        for name in names:
            if name not in self.names:
                raise UsageError(f"no band is called {name}", advice=f"the bands are {', '.join(self.names)}")


@dataclass(frozen=True, slots=True)
class Score:
    """An engine's evaluation of a position, for `side`: centipawns, or mate in so many moves.

    Exactly one of `cp` and `mate` is set. `mate` > 0: `side` mates; `mate` <= 0: `side` is mated
    (0: it is mate on the board).
    """

    side: Side
    cp: int | None = None
    mate: int | None = None

    def __post_init__(self) -> None:
        assert (self.cp is None) != (self.mate is None), f"a score is centipawns or mate, not {self}"

    @property
    def winner(self) -> Side | None:
        """The side that mates; None: the score is no mate."""
        if self.mate is None:
            return None
        return self.side if self.mate > 0 else self.side.other

    @property
    def as_cp(self) -> int:
        """Centipawns, at most `MOST_CP` either way; a mate in n counts `MATE_SCORE_CP` - n."""
        if self.cp is not None:
            return max(-MOST_CP, min(MOST_CP, self.cp))
        assert self.mate is not None
        return MATE_SCORE_CP - self.mate if self.mate > 0 else -MATE_SCORE_CP - self.mate

    @property
    def for_other(self) -> Score:
        """The same as the other side sees it; not of a mate that is on the board."""
        if self.cp is not None:
            return Score(self.side.other, cp=-self.cp)
        assert self.mate, "a mate on the board is no search's"
        return Score(self.side.other, mate=-self.mate)

    @classmethod
    def from_cp(cls, side: Side, value: int) -> Score:
        """The score that a column of centipawns holds, `as_cp` the other way round."""
        if abs(value) <= MOST_CP:
            return cls(side, cp=value)
        return cls(side, mate=MATE_SCORE_CP - value if value > 0 else -MATE_SCORE_CP - value)

    @property
    def expected(self) -> float:
        """Expected score (0 to 1) of `side`; a mate is certain."""
        return expected_score(self.as_cp)


def expected_score(cp: float) -> float:
    """Expected score (0 to 1) of the side that stands `cp` centipawns better; a mate is certain.

    Source: the usual rule of engine testing, 1 / (1 + 10^(-cp/400)), from memory.

    >>> round(expected_score(100), 2)
    0.64
    """
    if abs(cp) > MOST_CP:
        return 1.0 if cp > 0 else 0.0
    return 1.0 / (1.0 + math.pow(10.0, -cp / 400.0))


def pack_move(from_square: int, to_square: int, promotion: int | None) -> int:
    """A move as 16 bits: to (bits 0-5), from (6-11), promotion (12-14; 0 none, 2 knight ... 5 queen)."""
    return to_square | from_square << 6 | (promotion or 0) << 12
