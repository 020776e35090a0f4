"""Pick rates pooled across bands, for all replies of all tallied positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner import pooling
from miner.arrays import Floats, Ints, begins_run

Counts = npt.NDArray[np.uint32]
Singles = npt.NDArray[np.float32]

_MOVES = 1 << 16
_NEVER_ALL = 0.999  # most that an earlier database's rates may add up to: there is always something new


@dataclass(frozen=True, slots=True)
class Choices:
    """The distinct replies (ordered by key, then move) and their positions, against the bands (columns)."""

    keys: npt.NDArray[np.uint64]  # (replies,)
    moves: npt.NDArray[np.uint16]  # (replies,)
    chosen: Counts  # (replies, bands): games with the reply
    place: Ints  # (replies,): the position of each
    played: Counts  # (positions, bands): games at the position
    row: Ints  # for each row of the counted table, its reply
    band: npt.NDArray[np.uint8]  # for each row of the counted table, its band
    squared: Floats  # for each row of the counted table, each player's games squared and added up
    squared_there: Singles  # (positions, bands): the same of all games at the position

    @property
    def cell(self) -> Ints:
        """For each row of the counted table, the place of its position and band in `played.ravel()`."""
        cells: Ints = self.place[self.row] * self.played.shape[1] + self.band
        return cells


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected of `Choices` before their games are seen, and of other moves that are likely."""

    base: Singles  # (replies, bands): probability; 0 where no way to the position is known
    knows: npt.NDArray[np.bool_]  # (positions,): an earlier database knows the position
    place: Ints  # (unseen,): positions of likely moves that are no replies there
    moves: npt.NDArray[np.uint16]  # (unseen,)
    unseen: Singles  # (unseen, bands): probability of each


@dataclass(frozen=True, slots=True)
class Rates:
    """Pooled pick rates as Beta distributions."""

    choices: Choices
    pooled: pooling.Pooled  # of the bands that were kept
    kept: npt.NDArray[np.bool_]  # (bands,): others have no games, and no rates
    resemblance: pooling.Resemblance  # where the earlier database knows the position, if there is one
    resemblance_where_unknown: pooling.Resemblance  # elsewhere
    player_correlation: float  # of the replies in games of one player

    def of_rows(self, wanted: npt.NDArray[np.bool_] | slice = slice(None)) -> tuple[Floats, Floats]:
        """Successes and failures for rows of the counted table, which must be of bands that were kept."""
        return self._parameters(self.choices.row[wanted], self.choices.band[wanted])

    def of_band(self, band: int) -> tuple[Floats, Floats]:
        """Successes and failures of every reply in a band with games, whether it was seen there or not."""
        assert self.kept[band], f"band {band} has no games"
        return self._parameters(slice(None), band)

    def unchosen(self, expected: Expected, band: int) -> tuple[Ints, npt.NDArray[np.uint16], Floats]:
        """Likely moves that a band has not chosen at positions where it has games: positions, moves, rates.

        Those that other bands have chosen there are among them, but none that it has chosen in a prior.
        """
        successes, failures = self.of_band(band)
        choices = self.choices
        is_chosen = np.zeros(len(choices.keys), dtype=np.bool_)
        is_chosen[choices.row[choices.band == band]] = True
        row = np.flatnonzero(~is_chosen & (choices.played[choices.place, band] > 0))
        place, column = expected.place, int(np.sum(self.kept[:band]))
        spare = self.pooled.spare[place, column] * (choices.played[place, band] > 0)
        rates = [
            (successes / (successes + failures))[row],
            expected.unseen[:, band] * spare.astype(np.float64),
        ]
        return (
            np.concatenate([choices.place[row], place]),
            np.concatenate([choices.moves[row], expected.moves]),
            np.concatenate(rates),
        )

    def _parameters(self, rows: Ints | slice, bands: npt.NDArray[np.uint8] | int) -> tuple[Floats, Floats]:
        cells = rows, (np.cumsum(self.kept) - 1)[bands]
        return self.pooled.successes[cells].astype(np.float64), self.pooled.failures[cells].astype(np.float64)


def spread(counted: pa.Table, bands: int) -> Choices:
    """The rows of `count_replies` as arrays with a column for each of so many bands."""
    keys, moves = counted["key"].to_numpy(), counted["move"].to_numpy()
    band, games = counted["band"].to_numpy(), counted["games"].to_numpy()
    is_new_key = begins_run(keys)
    is_new_reply = is_new_key | begins_run(moves)
    row = np.cumsum(is_new_reply) - 1
    chosen = np.zeros((int(is_new_reply.sum()), bands), dtype=np.uint32)
    chosen[row, band] = games
    place = np.cumsum(is_new_key[is_new_reply]) - 1
    played = np.zeros((int(is_new_key.sum()), bands), dtype=np.uint32)
    np.add.at(played, place, chosen)
    squared_there = np.zeros(played.shape, dtype=np.float32)
    squared_there[place[row], band] = counted["games_squared_at_position"].to_numpy()
    return Choices(
        keys[is_new_reply],
        moves[is_new_reply],
        chosen,
        place,
        played,
        row,
        band,
        counted["games_squared"].to_numpy(),
        squared_there,
    )


def pool(choices: Choices, expected: Expected | None = None) -> Rates:
    """Pick rates of every reply in every band, each band leaning on the others as far as the data warrant.

    `expected`: the rates before any game of ours is seen.
    """
    correlation = pooling.intra_player_correlation(
        np.asarray(choices.chosen[choices.row, choices.band]),
        choices.squared,
        choices.cell,
        choices.squared_there.ravel(),
    )
    worth = pooling.worth_of_games(choices.played, choices.squared_there, correlation)
    kept = pooling.bands_between(choices.chosen)
    counted = pooling.ReplyCounts(
        choices.chosen[:, kept],
        choices.place,
        worth[:, kept],
        None if expected is None else expected.base[:, kept],
        None if expected is None else expected.knows,
    )
    pooled, known, unknown = pooling.pool_apart(counted)
    is_known = bool(counted.knows_base.any())
    return Rates(choices, pooled, kept, known if is_known else unknown, unknown, correlation)


def earlier_rates(choices: Choices, earlier: pa.Table) -> Singles:
    """Pick rates of an earlier database for each reply and band, shape (replies, bands); 0: unknown there.

    A band that was never at the position there has the share of all bands together; one that was there and
    did not choose the reply, no more than one game's share.
    """
    known = choices.keys[begins_run(choices.keys)]
    keys = earlier["key"].to_numpy()
    place = np.minimum(np.searchsorted(known, keys), len(known) - 1)
    earlier = earlier.filter(pa.array(known[place] == keys))
    place = place[known[place] == keys]
    band, games = earlier["place"].to_numpy(), earlier["games"].to_numpy()
    there = np.zeros(choices.played.shape, dtype=np.float32)
    there[place, band] = earlier["games_at_position"].to_numpy()
    ours = choices.place * _MOVES + choices.moves
    theirs = place * _MOVES + earlier["move"].to_numpy()
    row = np.minimum(np.searchsorted(ours, theirs), len(ours) - 1)
    shared = ours[row] == theirs
    together = np.bincount(row[shared], games[shared], minlength=len(ours))
    share = together / np.maximum(there.sum(axis=1), 1.0)[choices.place]
    most = 1.0 / (there[choices.place] + 1.0)
    rates = np.where(there[choices.place] > 0, np.minimum(share[:, None], most), share[:, None])
    rates[row[shared], band[shared]] = earlier["pick_rate"].to_numpy()[shared]
    sums = np.zeros(choices.played.shape)
    np.add.at(sums, choices.place, rates)
    rates /= np.maximum(sums / _NEVER_ALL, 1.0)[choices.place]
    singles: Singles = rates.astype(np.float32)
    return singles
