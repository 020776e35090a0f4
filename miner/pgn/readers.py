"""Readers of PGN text, one that is compiled and one on python-chess, behind the same interface.

Both give the same for the same text; the tests hold them against each other.
"""

from __future__ import annotations

import logging
from functools import cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

from miner.arrays import Flags, Offsets
from miner.core.library import Core, Decoded, MoveTexts, Visits, core
from miner.errors import UsageError
from miner.means import ReaderName
from miner.pgn.reference import ReferenceReader
from miner.pgn.split import GameSpans, walk_games
from miner.pgn.tags import TAGS, text_of
from miner.pgn.text import Column

_log = logging.getLogger(__name__)


class Reader(Protocol):
    """Reads texts with LF line ends that end in one; places are bytes from their beginning."""

    is_compiled: bool  # whether it lets other threads run

    def find_games(self, text: bytes, bounds: Offsets) -> GameSpans:
        """The games of a text that begins anew at each of `bounds`, as sources do; the first is 0."""

    def lines_before(self, text: bytes, places: Offsets) -> Offsets:
        """How many line ends lie before each place; they may not fall."""

    def read_tags(self, text: bytes, starts: Offsets, moves: Offsets) -> dict[str, Column]:
        """The tags that matter, of games whose tags lie from `starts` up to `moves`; an absent tag is empty.

        Any number of tags may stand on a line. Of a tag given twice, the last counts.
        """

    def see_moves(self, text: bytes, begins: Offsets, ends: Offsets) -> MoveTexts:
        """What is seen of the move texts from `begins` to `ends` without following the moves."""

    def decode(self, text: bytes, begins: Offsets, ends: Offsets, width: int) -> Decoded:
        """The first `width` plies of the main lines of move texts."""


def make_reader(name: ReaderName) -> Reader:
    """The reader of that name; `auto` is the compiled one where there is one.

    Raises UsageError if the compiled reader is asked for and missing.
    """
    compiled = core() if name != "reference" else None
    if compiled is not None:
        return CoreReader(compiled)
    if name == "compiled":
        raise UsageError(
            "the compiled reader is not there for this machine",
            advice="install the miner from a wheel for it or where its source can be built, "
            "or choose the reference reader",
        )
    if name == "auto":
        _tell_that_it_takes_long()
    return ReferenceReader()


@cache
def _tell_that_it_takes_long() -> None:
    """Once in a process."""
    _log.warning("the compiled reader is not there for this machine; reading takes hundreds of times as long")


class CoreReader:
    """Reads with the core, many games at once."""

    is_compiled = True

    def __init__(self, compiled: Core) -> None:
        self._core = compiled
        self.lines_before = compiled.lines_before
        self.see_moves = compiled.movetexts
        self.decode = compiled.decode

    def find_games(self, text: bytes, bounds: Offsets) -> GameSpans:
        """See `Reader`.

        Most games of most files are tags, a blank line and moves without comments: those are found at once
        over the whole text. What lies between them is gone through bit by bit.
        """
        regions = self._core.regions(text, bounds)
        is_plain = regions.are_plain
        found = [np.stack([regions.starts, regions.moves, regions.ends], axis=1)[is_plain]]
        edges = np.append(regions.starts, len(text))
        skipped: list[tuple[int, int]] = []
        for region in np.flatnonzero(~is_plain).tolist():
            begin, end = int(edges[region]), int(edges[region + 1])
            spans, between = walk_games(text[begin:end])
            skipped += [(begin + first, begin + last) for first, last in between]
            found.append(np.array(spans, dtype=np.intp).reshape(-1, 3) + begin)
        games = np.concatenate(found)
        return GameSpans.of(games[np.argsort(games[:, 0], kind="stable")], skipped)

    def read_tags(self, text: bytes, starts: Offsets, moves: Offsets) -> dict[str, Column]:
        """See `Reader`."""
        begins, ends = self._core.tags(text, starts, moves, TAGS)
        return {
            name: self._column(text, begin, end) for name, begin, end in zip(TAGS, begins, ends, strict=True)
        }

    def _column(self, text: bytes, begins: Offsets, ends: Offsets) -> Column:
        if not ends.any():
            return Column([""], np.zeros(len(ends), dtype=np.int32))
        codes, firsts = self._core.codes(text, begins, ends)
        spans = zip(begins[firsts].tolist(), ends[firsts].tolist(), strict=True)
        return Column([text_of(text[begin:end]) for begin, end in spans], codes)


def in_key_order(visits: Visits, is_kept: Flags, numbers: npt.NDArray[np.uint32]) -> Visits:
    """The rows of the games that are kept, with the games' numbers, by the leading 32 bits of their keys.

    Rows of which these are equal stay as they are, by game and ply.
    """
    compiled = core()
    if compiled is not None:
        return compiled.in_key_order(visits, is_kept, numbers)
    kept = visits.take(is_kept[visits.games])
    ordered = kept.take(np.argsort(kept.keys >> np.uint64(32), kind="stable"))
    return ordered._replace(games=numbers[ordered.games])
