"""Which games were seen before: their signatures in sorted runs, 8 bytes a game."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

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
