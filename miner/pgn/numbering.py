"""Numbers of games and lines, and repeated games: the part of reading that goes in the order of the sources.

Batches may be read in any order, by anyone: what a batch must know of those before it is its `Answer`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from miner.arrays import Flags, Hashes


@dataclass(frozen=True, slots=True)
class Count:
    """How much a piece of text holds."""

    games: int
    lines: int
    size: int  # bytes
    skipped: int  # blocks of text between games
    origin: int  # which of the sources that are read together it is of
    begins_text: bool  # as `batches.Piece` says


@dataclass(frozen=True, slots=True)
class Report:
    """The part of a batch that decides how the games after it are numbered and which are repeated."""

    counts: Sequence[Count]  # of each piece
    signatures: Hashes  # of each kept game; 0: not to be compared


class TextPlace(NamedTuple):
    """Where in a text something stands."""

    number: int  # of the next game, from 1
    line: int  # from 1
    byte: int  # from 0


@dataclass(frozen=True, slots=True)
class Answer:
    """The part of the games before a batch that decides about its rows."""

    first_game: int  # number in the store of its first game
    begins: Sequence[TextPlace]  # of each piece
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
        self._place = TextPlace(1, 1, 0)  # behind the last piece
        self._seen = seen or Seen()

    def answer(self, report: Report) -> Answer:
        """The answer to the next batch's report."""
        first_game = self._game
        begins = []
        for count in report.counts:
            begins.append(begin := TextPlace(1, 1, 0) if count.begins_text else self._place)
            self._place = TextPlace(
                begin.number + count.games, begin.line + count.lines, begin.byte + count.size
            )
            self._game += count.games
        return Answer(first_game, begins, self._seen.add(report.signatures))
