"""The tallied replies as edges between the tallied positions: a join of the tally's tables, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Ints, Keys, Moves
from miner.graph.walk import START_KEY


@dataclass(frozen=True, slots=True)
class Edges:
    """Positions in the order of their keys, and one edge for each reply, whatever band chose it."""

    keys: Keys  # (positions,)
    white_to_move: npt.NDArray[np.bool_]  # (positions,)
    parent: Ints  # (replies,): places of positions
    child: Ints  # (replies,): likewise; -1: it leads to no tallied position
    key: Keys  # (replies,): that of the parent
    move: Moves  # (replies,): packed; ordered by key and move
    games: Ints  # (replies,): all bands together

    @property
    def start(self) -> int:
        """The place of the start position."""
        return int(np.searchsorted(self.keys, np.uint64(START_KEY)))

    def rows(self, keys: Keys, moves: Moves) -> Ints:
        """The number of each reply, given by key and move; -1 where there is none."""
        numbers = pd.Series(np.arange(len(self.key)), pd.MultiIndex.from_arrays([self.key, self.move]))
        found = numbers.reindex(pd.MultiIndex.from_arrays([keys, moves])).fillna(-1)
        return found.to_numpy().astype(np.int64)


def edges_of(positions: pa.Table, replies: pa.Table, edges: pa.Table) -> Edges:
    """The edges of the tables `positions` (key, ply), `replies` (key, move, games) and `edges`.

    They have the same replies, but for those in `edges` at positions that no way to is known.
    """
    edges = edges.filter(pc.is_valid(edges["change"]))
    _, parent = np.unique(edges["place"].to_numpy(), return_inverse=True)
    keys, plies = positions["key"].to_numpy(), positions["ply"].to_numpy()
    key = keys[parent]
    after = pa.array(key ^ edges["change"].to_numpy())
    child = pc.fill_null(pc.index_in(after, value_set=positions["key"]), -1).to_numpy().astype(np.int64)
    games = replies.group_by(["key", "move"]).aggregate([("games", "sum")])
    games = games.sort_by([("key", "ascending"), ("move", "ascending")])["games_sum"].to_numpy()
    return Edges(keys, plies % 2 == 0, parent, child, key, edges["move"].to_numpy(), games)
