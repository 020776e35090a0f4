"""Pick rates pooled across bands, for all replies of all tallied positions at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner import stats

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Choices:
    """The distinct replies (one row each, ordered by key) against the bands (one column each)."""

    keys: npt.NDArray[np.uint64]  # (replies,)
    moves: npt.NDArray[np.uint16]  # (replies,)
    chosen: Ints  # (replies, bands): games with the reply
    played: Ints  # (replies, bands): games at its position
    choices: Ints  # (replies,): distinct replies at its position
    row: Ints  # for each row of the counted table, its reply
    band: Ints  # for each row of the counted table, its band


@dataclass(frozen=True, slots=True)
class Rates:
    """Pooled pick rates as Beta distributions, (replies, bands)."""

    successes: Floats
    failures: Floats
    concentration: float  # games that the prior counted for, as the data had it

    @property
    def mean(self) -> Floats:
        """The pooled pick rates."""
        return self.successes / (self.successes + self.failures)


def spread(counted: pa.Table, bands: int) -> Choices:
    """Counts as `count_replies` gives them (ordered by key, move, band), spread over a column per band."""
    keys, moves = counted["key"].to_numpy(), counted["move"].to_numpy()
    band, games = counted["band"].to_numpy().astype(np.int64), counted["games"].to_numpy()
    is_new_key = np.r_[True, keys[1:] != keys[:-1]][: len(keys)]
    is_new_reply = is_new_key | np.r_[True, moves[1:] != moves[:-1]][: len(keys)]
    row = np.cumsum(is_new_reply) - 1
    chosen = np.zeros((int(is_new_reply.sum()), bands), dtype=np.int64)
    chosen[row, band] = games
    place = np.cumsum(is_new_key[is_new_reply]) - 1
    at_position = np.zeros((int(is_new_key.sum()), bands), dtype=np.int64)
    np.add.at(at_position, place, chosen)
    choices = np.bincount(place, minlength=len(at_position))
    return Choices(
        keys[is_new_reply],
        moves[is_new_reply],
        chosen,
        at_position[place],
        choices[place].astype(np.int64),
        row,
        band,
    )


def pool(choices: Choices) -> Rates:
    """Pick rates of every reply in every band, each band leaning on the others as far as the data warrant."""
    mean, support = stats.pooled_priors(choices.chosen, choices.played, choices.choices)
    concentration = stats.likeliest_concentration(choices.chosen, choices.played, mean, support)
    successes, failures = stats.pooled_rates(choices.chosen, choices.played, mean, support, concentration)
    return Rates(successes, failures, concentration)
