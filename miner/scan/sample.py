"""Which games are scanned: a sample that is spread over the bands and depends on the games alone.

Neither on their order, nor on the store or source that they are in, nor on who plays.
"""

from __future__ import annotations

import hashlib

import numpy as np
import numpy.typing as npt
import pandas as pd

from miner.schema import KEPT
from miner.terms import BandScheme

_MIX, _ROUNDS = np.uint64(0x9E3779B97F4A7C15), (np.uint64(30), np.uint64(27), np.uint64(31))


def sampled(games: pd.DataFrame, wanted: int, bands: BandScheme) -> pd.DataFrame:
    """At most `wanted` of the kept games with moves, as evenly from all bands as they go round.

    A game counts for the band of one of its players, whom its hash decides on. Of each band the games with
    the lowest hashes are taken, as many of each, more where others have too few. So a store that grows keeps
    the games of its sample but for those that new ones displace. Columns as in `games`, and `content`: 64
    bits of the moves; in their order.
    """
    kept = games[games["state"].isin(KEPT) & (games["plies"] > 0)]
    hashes = _hashes(kept)
    is_white = (hashes & np.uint64(1)) == 0
    ratings = np.where(is_white, kept["white_rating"], kept["black_rating"])
    if wanted <= 0 or len(kept) <= wanted:
        return kept
    band = bands.places_of(ratings)
    order = np.lexsort((kept["game"].to_numpy(), hashes, band))
    counts = np.bincount(band, minlength=len(bands.names))
    rank = np.empty(len(kept), dtype=np.int64)
    rank[order] = np.arange(len(kept)) - np.repeat(np.cumsum(counts) - counts, counts)
    return kept[rank < shares(counts, wanted)[band]]


def shares(counts: npt.NDArray[np.int64], wanted: int) -> npt.NDArray[np.int64]:
    """How many of each band are taken: as many of each, and what bands lack of that goes to the others.

    >>> shares(np.array([2, 50, 100]), 60).tolist()
    [2, 29, 29]
    """
    taken = np.zeros_like(counts)
    left, open_bands = wanted, counts > 0
    while left > 0 and open_bands.any():
        each = max(1, left // int(open_bands.sum()))
        for place in np.flatnonzero(open_bands):
            more = min(each, int(counts[place] - taken[place]), left)
            taken[place] += more
            left -= more
        open_bands = taken < counts
        if each == 1:  # what is left is less than one for each band
            break
    return taken


def _hashes(games: pd.DataFrame) -> npt.NDArray[np.uint64]:
    """Of what was played, between whom of what rating, and when: no source, no salt."""
    hashes = _mixed(games["content"].to_numpy(dtype=np.uint64))
    texts = (
        games[name].map({text: _of_text(text) for text in games[name].unique()})
        for name in ("date", "result")
    )
    for column in (games["white_rating"], games["black_rating"], *texts):
        hashes = _mixed(hashes ^ column.to_numpy(dtype=np.uint64))
    return hashes


def _of_text(text: str) -> int:
    return int.from_bytes(hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()[:8], "little")


def _mixed(values: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """64 bits of which each depends on all that go in.

    Source: the finalizer of the SplitMix64 generator, G. Steele et al., OOPSLA 2014 (from memory).
    """
    first, second, third = _ROUNDS
    mixed = values + _MIX
    mixed = (mixed ^ (mixed >> first)) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> second)) * np.uint64(0x94D049BB133111EB)
    return np.asarray(mixed ^ (mixed >> third))
