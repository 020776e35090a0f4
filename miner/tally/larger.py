"""What a larger database adds to a store's tally: its replies, wherever the store's games are likely to lead.

How often a position arises among a club's few games is told by no count: most of what its pupils will meet
next season they met once or never. So it is the product of pick rates from the start of the game on, all ways
added up, the rates being the club's own as far as it has games, and the larger database's beyond.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags, Floats, Keys, Moves
from miner.graph.sound import Steps
from miner.graph.walk import Edges, edges_of
from miner.store import Store
from miner.terms import UNRATED

LEAST_REACH = 0.001
"""Share of the store's games from which a position is told of that is not tallied by itself."""
ENOUGH_GAMES = 10_000
"""Games of a prior for each game of its floor, below which it lacks too many positions that matter."""

_MARGIN = 4.0  # by how much a first estimate of that share may be too small
_WORTH = 10.0  # games of the store for which the prior's shares count in that estimate
_MOST_PLIES = 255
_COUNTS = ["games", "players", "games_unknown", "games_squared", "score_sum", "rating_sum"]
_THERE = ["players_at_position", "games_squared_at_position"]
_REPLY = ["key", "move", "band"]
ELSEWHERE = "_elsewhere"
"""Ends the names of columns that count games of the prior alone."""


@dataclass(frozen=True)
class Larger:
    """The tally of a larger database with the same bands."""

    store: Store
    bands: tuple[str, ...]
    repertoire: Collection[tuple[int, int]] = ()  # keys and packed moves that the store's side is to play

    @cached_property
    def replies(self) -> pa.Table:
        """Its table `replies`, with the bands' places in a column `place`."""
        replies = self.store.read_table("replies")
        return replies.append_column("place", pc.index_in(replies["band"], value_set=pa.array(self.bands)))

    @cached_property
    def positions(self) -> pa.Table:
        """Its table `positions`, without the ways."""
        return self.store.read_table("positions", ["key", "ply", "eco", "opening"])

    def joined(self, counted: pa.Table, min_games: int) -> tuple[pa.Table, Keys]:
        """The rows of `count_replies` beside those of this database, which may be of other replies.

        Left are positions with so many games of the store, and those where its games may well lead. Columns
        more: those of the counts, ending in `ELSEWHERE`; a count that there is none of is 0. Second come the
        positions of the repertoire.
        """
        own = counted.to_pandas()
        games = own.groupby("key")["games"].transform("sum")
        likely, in_repertoire = self._within_reach(own)
        keys = np.union1d(likely, in_repertoire)
        own = own[(games >= min_games) | own["key"].isin(keys)]
        theirs = self._rows_at(np.union1d(keys, own["key"].to_numpy()), own)
        both = own.merge(theirs, on=_REPLY, how="outer").sort_values(_REPLY, ignore_index=True).fillna(0)
        at = both.groupby(["key", "band"])
        for name in _THERE:
            for column in (name, name + ELSEWHERE):  # every reply of a band tells of all of them
                both[column] = at[column].transform("max")
        joined = pa.Table.from_pandas(both.astype({"band": np.uint8}), preserve_index=False)
        return joined, in_repertoire

    def _rows_at(self, keys: Keys, own: pd.DataFrame) -> pd.DataFrame:
        """The counts of this database at some positions; for the unrated those of all bands together.

        That is where the store has unrated players and this database has none: they may be of any strength.
        """
        rows = self.replies.filter(pc.is_in(self.replies["key"], value_set=pa.array(keys))).to_pandas()
        rows = rows.assign(rating_sum=(rows["mean_rating"] * rows["games"]).fillna(0.0), band=rows["place"])
        rows = rows[[*_REPLY, *_COUNTS, *_THERE]]
        unrated = self.bands.index(UNRATED)
        if (own["band"] == unrated).any() and not pc.any(pc.equal(self.replies["band"], UNRATED)).as_py():
            there = rows.drop_duplicates(["key", "band"]).groupby("key")[_THERE].sum()
            all_bands = rows.groupby(["key", "move"], as_index=False)[_COUNTS].sum().assign(band=unrated)
            rows = pd.concat([rows, all_bands.join(there, on="key")], ignore_index=True)
        named: pd.DataFrame = rows.rename(columns={name: name + ELSEWHERE for name in [*_COUNTS, *_THERE]})
        return named

    def _within_reach(self, own: pd.DataFrame) -> tuple[Keys, Keys]:
        """The positions of this database where the store's games may lead, by a first estimate; and those of
        the repertoire where the other side does.
        """
        edges = edges_of(self.positions, self.replies, self.store.read_table("edges"))
        share = self._shares(edges, own)
        rows = edges.rows(own["key"].to_numpy(), own["move"].to_numpy())
        known = rows >= 0
        games = np.bincount(rows[known], own["games"].to_numpy()[known], minlength=len(share))
        there = own.groupby("key")["games"].sum()
        at = there.reindex(pd.Index(edges.keys)).fillna(0.0).to_numpy()[edges.parent]
        steps = Steps.between(edges.parent, edges.child, len(edges.keys))
        rates = ((games + _WORTH * share) / (at + _WORTH))[steps.replies]
        reach, _ = arrivals(steps, rates, np.zeros(len(rates)), start=edges.start)
        return edges.keys[reach >= LEAST_REACH / _MARGIN], edges.keys[
            self._in_repertoire(edges, steps, rates)
        ]

    def _in_repertoire(self, edges: Edges, steps: Steps, rates: Floats) -> Flags:
        """The positions that the moves of the repertoire, either side's, lead to with the other's choices."""
        found = np.zeros(len(edges.keys), dtype=np.bool_)
        if not self.repertoire:
            return found
        keys, moves = zip(*self.repertoire, strict=True)
        of_repertoire = np.zeros(len(edges.key))
        rows = edges.rows(np.array(keys, dtype=np.uint64), np.array(moves, dtype=np.uint16))
        of_repertoire[rows[rows >= 0]] = 1.0
        whites = edges.white_to_move[steps.parents]
        for ours in (whites, ~whites):
            played = np.where(ours, of_repertoire[steps.replies], rates)
            found |= arrivals(steps, played, np.zeros(len(rates)), start=edges.start)[0] >= LEAST_REACH
        return found

    def _shares(self, edges: Edges, own: pd.DataFrame) -> Floats:
        """The share of each reply here, each band counting as much as it does among the store's games.

        One game more at each position stands for what nobody has chosen yet.
        """
        band, games = (self.replies[name].to_numpy() for name in ("place", "games"))
        size = len(self.bands)
        here, there = (
            np.bincount(which, number, minlength=size) / max(number.sum(), 1)
            for which, number in ((band, games), (own["band"].to_numpy(), own["games"].to_numpy()))
        )
        weight = np.divide(there, here, out=np.zeros(size), where=here > 0)
        weight = weight if weight.any() else np.ones(size)
        rows = edges.rows(self.replies["key"].to_numpy(), self.replies["move"].to_numpy())
        known = rows >= 0
        chosen = np.bincount(rows[known], (weight[band] * games)[known], minlength=len(edges.key))
        plain = edges.games.astype(np.float64)
        known_to = np.bincount(edges.parent, chosen, minlength=len(edges.keys))[edges.parent] > 0.0
        chosen = np.where(known_to, chosen, plain)  # by all bands where those of the store have never been
        there, games_there = (
            np.bincount(edges.parent, one, minlength=len(edges.keys))[edges.parent] for one in (chosen, plain)
        )
        return np.asarray(chosen / there * games_there / (games_there + 1.0))

    def rates_of(self, keys: Keys, moves: Moves, bands: Any) -> Floats:
        """Pick rates here, and their bounds, of replies of bands (by their places); shape (3, replies)."""
        names = ["pick_rate", "pick_rate_low", "pick_rate_high"]
        here = self.replies.filter(pc.is_in(self.replies["key"], value_set=pa.array(np.unique(keys))))
        known = here.select(["key", "move", "place", *names]).to_pandas().set_index(["key", "move", "place"])
        found = known.reindex(pd.MultiIndex.from_arrays([keys, moves, bands.astype(np.int32)]))
        return np.array(found.to_numpy(dtype=np.float64).T)

    def names(self, names: pa.Table, keys: Keys) -> pa.Table:
        """ECO tags and opening names of positions, those of the store first; columns key, eco, opening."""
        theirs = self.positions.filter(pc.is_in(self.positions["key"], value_set=pa.array(keys)))
        found = pd.concat([names.to_pandas(), theirs.select(names.column_names).to_pandas()])
        first = found.drop_duplicates("key").sort_values("key")
        return pa.Table.from_pandas(first, names.schema, preserve_index=False)


def arrivals(steps: Steps, rates: Floats, variances: Floats, *, start: int) -> tuple[Floats, Floats]:
    """How many games of one come to each position from the place `start`, and that number's variance.

    `rates` and their `variances` have one entry for each step. To first order; rates on different steps are
    taken to be independent.
    """
    size = len(steps.begins) - 1
    arriving: Floats = np.zeros(size)
    doubt: Floats = np.zeros(size)
    arriving[start] = 1.0
    reach, variance = arriving.copy(), doubt.copy()
    for _ in range(_MOST_PLIES):
        before, doubt_before = arriving[steps.parents], doubt[steps.parents]
        arriving = np.asarray(np.bincount(steps.children, rates * before, minlength=size), dtype=np.float64)
        spread = np.square(rates) * doubt_before + np.square(before) * variances
        doubt = np.asarray(np.bincount(steps.children, spread, minlength=size), dtype=np.float64)
        reach, variance = reach + arriving, variance + doubt
        if arriving.sum() < LEAST_REACH * LEAST_REACH:
            break
    return np.minimum(reach, 1.0), variance


def worth_telling(reach: Floats, own_games: Floats, min_games: int) -> Flags:
    """Which positions are told of, by the share of the store's games that come there, and by its games."""
    return np.asarray((reach >= LEAST_REACH) | (own_games >= min_games))


def lacks_positions(floor: int, games: int) -> bool:
    """Whether a prior of so many games lacks positions that matter, as only those of `floor` were tallied."""
    return floor > 1 and games < floor * ENOUGH_GAMES
