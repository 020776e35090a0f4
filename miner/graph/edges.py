"""The tallied replies as edges between the tallied positions. Tables in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Ints, Keys
from miner.graph.walk import START_KEY, Ways, walk


@dataclass(frozen=True, slots=True)
class Edges:
    """Positions in the order of their keys, and one edge for each reply, whatever band chose it."""

    keys: npt.NDArray[np.uint64]  # (positions,)
    white_to_move: npt.NDArray[np.bool_]  # (positions,)
    parent: Ints  # (replies,): places of positions
    child: Ints  # (replies,): likewise; -1: it leads to no tallied position
    key: npt.NDArray[np.uint64]  # (replies,): that of the parent
    move: npt.NDArray[np.uint16]  # (replies,): packed; ordered by key and move
    games: Ints  # (replies,): all bands together

    @property
    def start(self) -> int:
        """The place of the start position."""
        return int(np.searchsorted(self.keys, np.uint64(START_KEY)))

    def rows(self, keys: npt.NDArray[np.uint64], moves: npt.NDArray[np.uint16]) -> Ints:
        """The number of each reply, given by key and move; -1 where there is none."""
        numbers = pd.Series(np.arange(len(self.key)), pd.MultiIndex.from_arrays([self.key, self.move]))
        found = numbers.reindex(pd.MultiIndex.from_arrays([keys, moves])).fillna(-1)
        return found.to_numpy().astype(np.int64)


def edges_of(positions: pa.Table, replies: pa.Table) -> Edges:
    """The edges of the tables `positions` (key, path) and `replies` (key, move, games)."""
    counted = replies.select(["key", "move", "games"]).group_by(["key", "move"]).aggregate([("games", "sum")])
    counted = counted.sort_by([("key", "ascending"), ("move", "ascending")])
    key, move = counted["key"].to_numpy(), counted["move"].to_numpy()
    games = counted["games_sum"].to_numpy()

    def ways_of(keys: Keys) -> Ways:
        at = pc.index_in(pa.array(keys), value_set=positions["key"])
        return Ways.along(keys, positions["path"].take(at).combine_chunks())

    graph = walk(key, move, games, ways_of)
    return Edges(graph.keys, graph.plies % 2 == 0, graph.parent, graph.child, key, move, games)
