"""What is said where hardly anything was found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.finding.words import band_words, counted
from miner.schema import KEPT
from miner.store import Store

FEW = 5
"""Mistakes below which a list says how many games it rests on, and what would help."""


def few_words(store: Store, found: int, bands: Sequence[str] = ()) -> str:
    """Where hardly anything was found: the games of each band, and what would tell more; else empty."""
    if found >= FEW:
        return ""
    games = store.read_table("games", ["white_rating", "black_rating", "state"])
    games = games.filter(pc.is_in(games["state"], value_set=pa.array(KEPT)))
    ratings = np.concatenate([games[name].to_numpy() for name in ("white_rating", "black_rating")])
    names = store.bands.names
    counts = np.bincount(store.bands.places_of(ratings), minlength=len(names))
    told = ", ".join(f"{name} {count:,}" for name, count in zip(names, counts, strict=True) if count)
    elsewhere = _bands_with_mistakes(store) if bands and not found else ""
    whom = f" of {' and '.join(map(band_words, bands))}" if bands else ""
    wider = "more bands (--band), " if bands else ""
    return (
        f"{counted(found, 'mistake')}{whom}: {elsewhere}games of each band's players are {told or 'none'}. "
        f"More games, {wider}or a larger database's store behind these (--prior) would tell more."
    )


def _bands_with_mistakes(store: Store) -> str:
    """The bands that have some, with how many; empty: none has."""
    counts = Counter(store.read_table("by_band", ["band"])["band"].to_pylist())
    told = [f"{band} ({counts[band]:,})" for band in store.bands.names if counts[band]]
    return f"those with mistakes are {', '.join(told)}; " if told else ""
