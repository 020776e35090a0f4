"""Numbers of games and lines, and repeated games: the part of reading that goes in the order of the sources.

Batches may be read in any order, by anyone: what a batch must know of those before it is its `Answer`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from miner.arrays import Flags, Hashes


@dataclass(frozen=True, slots=True)
class Count:
    """What a piece of text holds."""

    games: int
    lines: int
    size: int  # bytes
    skipped: int  # blocks of text between games
    origin: int  # which of the sources that are read together it is of
    begins_text: bool  # as `batches.Piece` says


@dataclass(frozen=True, slots=True)
class Report:
    """What must be known of a batch before the games after it can be numbered and compared with it."""

    counts: Sequence[Count]  # of each piece
    signatures: Hashes  # of each kept game; 0: not to be compared


@dataclass(frozen=True, slots=True)
class Answer:
    """What a batch must know of the games before it."""

    first_game: int  # number in the store of its first game
    first_numbers: Sequence[int]  # of each piece: number of its first game in its text, from 1
    first_lines: Sequence[int]  # of each piece: line of its text on which it begins, from 1
    first_bytes: Sequence[int]  # of each piece: byte of its text at which it begins, from 0
    is_duplicate: Flags  # of each kept game


class Seen:
    """The signatures of all games so far, in sorted runs, 8 bytes a game.

    Runs are merged as in a mergesort, so that there are few, each at least twice as long as the next.
    """

    def __init__(self, before: Hashes | None = None) -> None:
        """`before`: the signatures of earlier games, in rising order."""
        self._runs: list[Hashes] = [] if before is None or not len(before) else [before]

    def add(self, signatures: Hashes) -> Flags:
        """Which of these games were seen before, here or earlier; 0 stands for a game never compared."""
        is_repeated = np.ones(len(signatures), dtype=np.bool_)
        unique, first = np.unique(signatures, return_index=True)
        is_new = np.ones(len(unique), dtype=np.bool_)
        for run in self._runs:
            at = np.minimum(np.searchsorted(run, unique), len(run) - 1)
            is_new &= run[at] != unique
        is_repeated[first[is_new]] = False
        is_repeated[signatures == 0] = False
        self._insert(unique[is_new & (unique != 0)])
        return is_repeated

    def _insert(self, run: Hashes) -> None:
        if not len(run):
            return
        while self._runs and len(self._runs[-1]) < 2 * len(run):
            run = np.concatenate([self._runs.pop(), run])
            run.sort()
        self._runs.append(run)


class Numbering:
    """Keeps count of games, lines, bytes and signatures, batch by batch in reading order."""

    def __init__(self, first_game: int = 0, seen: Seen | None = None) -> None:
        """For games that go on from `first_game`; those before it were `seen`."""
        self._game = first_game
        self._number = self._line = 1  # of the next game and the next line in their text
        self._byte = 0
        self._seen = seen or Seen()

    def answer(self, report: Report) -> Answer:
        """The answer to the next batch's report."""
        first_game = self._game
        numbers, lines, first_bytes = [], [], []
        for count in report.counts:
            if count.begins_text:
                self._number = self._line = 1
                self._byte = 0
            numbers.append(self._number)
            lines.append(self._line)
            first_bytes.append(self._byte)
            self._game += count.games
            self._number += count.games
            self._line += count.lines
            self._byte += count.size
        return Answer(first_game, numbers, lines, first_bytes, self._seen.add(report.signatures))
