"""Which motifs an opening brings: what is met in the scanned games through a position, from there on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import pandas as pd

from miner.finding.motif_words import through_sentence
from miner.finding.motifs import TOLD_FROM, MotifCount, Motifs, Share, players_in
from miner.terms import Side


class Through:
    """The scanned games by the positions that they pass."""

    def __init__(
        self, motifs: Motifs, topics: Sequence[MotifCount], played: pd.DataFrame, profits: Side | None = None
    ) -> None:
        """`played`: game, ply and key of all moves of the scanned games; `topics`: the motifs to be told.

        `profits`: only where this side may punish; None: whoever errs.
        """
        self.topics = tuple(topics)
        order = np.argsort(played["key"].to_numpy(), kind="stable")
        self._keys = played["key"].to_numpy()[order]
        self._games, self._plies = (played[name].to_numpy()[order] for name in ("game", "ply"))
        self._rows = motifs.rows
        self._met: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
        for place, topic in enumerate(self.topics):
            rows = motifs.mistakes_of(topic)
            if profits is not None:
                rows = rows[rows["ply"] % 2 == (1 if profits is Side.WHITE else 0)]
            for row, game, ply in zip(rows.index, rows["game"], rows["ply"], strict=True):
                self._met[game].append((place, ply, row))

    def games_at(self, key: int) -> int:
        """Scanned games through a position."""
        first, last = self._span(key)
        return last - first

    def shares_at(self, key: int) -> list[tuple[MotifCount, Share]]:
        """The topics met in games through a position, from there on, the most frequent first.

        Told is what enough players fell for; by either side.
        """
        first, last = self._span(key)
        found: dict[int, list[int]] = defaultdict(list)
        for game, passed in zip(
            self._games[first:last].tolist(), self._plies[first:last].tolist(), strict=True
        ):
            for place, ply, row in self._met.get(game, ()):
                if ply >= passed:
                    found[place].append(row)
        told = [
            (
                self.topics[place],
                Share(self.topics[place].motif, self._rows.loc[rows, "game"].nunique(), last - first),
            )
            for place, rows in found.items()
            if len(rows) >= TOLD_FROM and players_in(self._rows.loc[rows]) >= TOLD_FROM
        ]
        return sorted(told, key=lambda one: (-one[1].games, one[1].name))

    def sentence_at(self, key: int) -> str:
        """The same in words; empty: nothing is told."""
        return through_sentence(self.games_at(key), [share for _, share in self.shares_at(key)])

    def _span(self, key: int) -> tuple[int, int]:
        wanted = np.uint64(key)
        return int(np.searchsorted(self._keys, wanted, "left")), int(
            np.searchsorted(self._keys, wanted, "right")
        )
