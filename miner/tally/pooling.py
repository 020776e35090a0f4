"""Pick rates pooled across bands, for all replies of all tallied positions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner import stats

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Counts = npt.NDArray[np.uint32]

_BLOCK = 1 << 16  # replies whose rates in all bands are at hand at once


@dataclass(frozen=True, slots=True)
class Choices:
    """The distinct replies (ordered by key, then move) and their positions, against the bands (columns)."""

    keys: npt.NDArray[np.uint64]  # (replies,)
    moves: npt.NDArray[np.uint16]  # (replies,)
    chosen: Counts  # (replies, bands): games with the reply
    place: Ints  # (replies,): the position of each
    played: Counts  # (positions, bands): games at the position
    choices: Ints  # (positions,): distinct replies there
    row: Ints  # for each row of the counted table, its reply
    band: npt.NDArray[np.uint8]  # for each row of the counted table, its band


@dataclass(frozen=True, slots=True)
class Rates:
    """Pooled pick rates as Beta distributions; worked out where they are asked for, since they are many."""

    choices: Choices
    concentration: float  # games that the prior counted for, as the data had it

    def of_rows(self) -> tuple[Floats, Floats]:
        """Successes and failures for each row of the counted table."""
        # The table has a row for each cell with games, in the same order.
        return _joined([block.rates(block.chosen > 0, self.concentration) for block in _blocks(self.choices)])

    def of_band(self, band: int) -> tuple[Floats, Floats]:
        """Successes and failures of every reply in one band, whether it was seen there or not."""
        column = (slice(None), band)
        return _joined([block.rates(column, self.concentration) for block in _blocks(self.choices)])


@dataclass(frozen=True, slots=True)
class _Block:
    """Some of the replies against the bands, with what other bands say of each; all (replies, bands)."""

    chosen: Ints
    played: Ints
    mean: Floats
    support: Floats

    def rates(self, cells: Any, concentration: float) -> tuple[Floats, Floats]:
        """The Beta parameters of some of the cells; `cells` is any index of numpy's."""
        return stats.pooled_rates(
            self.chosen[cells], self.played[cells], self.mean[cells], self.support[cells], concentration
        )


def _blocks(choices: Choices) -> Iterator[_Block]:
    for first in range(0, len(choices.keys), _BLOCK):
        block = slice(first, first + _BLOCK)
        place = choices.place[block]
        chosen, played = choices.chosen[block].astype(np.int64), choices.played[place].astype(np.int64)
        yield _Block(chosen, played, *stats.pooled_priors(chosen, played, choices.choices[place]))


def _joined(parts: list[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    successes, failures = zip(*parts, strict=True)
    return np.concatenate(successes), np.concatenate(failures)


def spread(counted: pa.Table, bands: int) -> Choices:
    """Counts as `count_replies` gives them (ordered by key, move, band), spread over a column per band."""
    keys, moves = counted["key"].to_numpy(), counted["move"].to_numpy()
    band, games = counted["band"].to_numpy(), counted["games"].to_numpy()
    is_new_key = np.r_[True, keys[1:] != keys[:-1]][: len(keys)]
    is_new_reply = is_new_key | np.r_[True, moves[1:] != moves[:-1]][: len(keys)]
    row = np.cumsum(is_new_reply) - 1
    chosen = np.zeros((int(is_new_reply.sum()), bands), dtype=np.uint32)
    chosen[row, band] = games
    place = np.cumsum(is_new_key[is_new_reply]) - 1
    played = np.zeros((int(is_new_key.sum()), bands), dtype=np.uint32)
    np.add.at(played, place, chosen)
    choices = np.bincount(place, minlength=len(played)).astype(np.int64)
    return Choices(keys[is_new_reply], moves[is_new_reply], chosen, place, played, choices, row, band)


def pool(choices: Choices) -> Rates:
    """Pick rates of every reply in every band, each band leaning on the others as far as the data warrant."""
    parts = []
    for block in _blocks(choices):
        is_told = block.played > 0  # other cells say nothing of the concentration
        parts.append([one[is_told] for one in (block.chosen, block.played, block.mean, block.support)])
    chosen, played, mean, support = (np.concatenate(one) for one in zip(*parts, strict=True))
    return Rates(choices, stats.likeliest_concentration(chosen, played, mean, support))
