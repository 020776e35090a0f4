"""Which games were seen before: their signatures in sorted runs, 8 bytes a game."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from miner.pgn.ledger import (
    Answer,
    Report,
)

Signatures = npt.NDArray[np.uint64]


class Seen:
    """The signatures of all games so far.

    Runs are merged as in a mergesort, so that there are few, each at least twice as long as the next.
    """

    def __init__(self, before: Signatures | None = None) -> None:
        """`before`: the signatures of earlier games, in rising order."""
        self._runs: list[Signatures] = [] if before is None or not len(before) else [before]

    def add(self, signatures: Signatures) -> npt.NDArray[np.bool_]:
        """Which of these games were seen before, here or earlier; 0 stands for a game never compared."""
        is_repeated = np.ones(len(signatures), dtype=np.bool_)
        unique, first = np.unique(signatures, return_index=True)
        is_new = ~self._contains(unique)
        is_repeated[first[is_new]] = False
        is_repeated[signatures == 0] = False
        self._insert(unique[is_new & (unique != 0)])
        return is_repeated

    def _contains(self, signatures: Signatures) -> npt.NDArray[np.bool_]:
        found = np.zeros(len(signatures), dtype=np.bool_)
        for run in self._runs:
            at = np.minimum(np.searchsorted(run, signatures), len(run) - 1)
            found |= run[at] == signatures
        return found

    def _insert(self, run: Signatures) -> None:
        if not len(run):
            return
        while self._runs and len(self._runs[-1]) < 2 * len(run):
            run = np.concatenate([self._runs.pop(), run])
            run.sort()
        self._runs.append(run)


class Numbering:
    """Keeps count of games, lines and signatures, batch by batch in reading order."""

    def __init__(self, first_game: int = 0, seen: Seen | None = None) -> None:
        """For games that go on from `first_game`; those before it were `seen`."""
        self._games = first_game
        self._number = self._line = 1  # of the next game in its source, of the next line in it
        self._seen = seen or Seen()

    def answer(self, begins_source: Sequence[bool], report: Report) -> Answer:
        """The answer to the next batch's report; `begins_source`: whether each of its pieces does so."""
        first_game = self._games
        numbers, lines = [], []
        for begins, count in zip(begins_source, report.counts, strict=True):
            if begins:
                self._number = self._line = 1
            numbers.append(self._number)
            lines.append(self._line)
            self._number += count.games
            self._line += count.lines
            self._games += count.games
        return Answer(first_game, numbers, lines, self._seen.add(report.signatures))
