"""How well curves foretell the scores that games really brought."""

from __future__ import annotations

import numpy as np
import pandas as pd

from miner.arrays import Floats, Ints
from miner.curve.fit import Curves
from miner.curve.rows import Rows

BINS = 10


def diagnose(curves: Curves, rows: Rows, bins: int = BINS) -> pd.DataFrame:
    """Predicted and observed score in bins of the prediction, band by band; best on games not fitted to.

    Each band's bins hold about equally many of its games. Columns: band, source, bin (from 1), games (each
    counted once), predicted, observed, error (predicted - observed), standard_error (of the observed score,
    one game being one piece of evidence).
    """
    parts = [
        _of_band(rows.where(rows.band == place), curves, name, bins)
        for place, name in enumerate(curves.by_band)
        if (rows.band == place).any()
    ]
    columns = ["band", "source", "bin", "games", "predicted", "observed", "error", "standard_error"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _of_band(rows: Rows, curves: Curves, name: str, bins: int) -> pd.DataFrame:
    curve = curves.of(name)
    predicted = curve.expected(rows.cp, rows.gap)
    number = _bins_of(predicted, rows.weight, bins)

    def mean_of(values: Floats) -> Floats:
        return np.bincount(number, rows.weight * values, minlength=bins)[filled] / games

    games = np.bincount(number, rows.weight, minlength=bins)
    filled = games > 0
    games = games[filled]
    observed = mean_of(rows.score)
    return pd.DataFrame(
        {
            "band": name,
            "source": curve.source,
            "bin": np.flatnonzero(filled) + 1,
            "games": games,
            "predicted": mean_of(predicted),
            "observed": observed,
            "error": mean_of(predicted) - observed,
            "standard_error": _standard_errors(rows, number, bins)[filled] / games,
        }
    )


def _bins_of(predicted: Floats, weight: Floats, bins: int) -> Ints:
    order = np.argsort(predicted, kind="stable")
    below = np.cumsum(weight[order]) - weight[order] / 2.0
    number = np.empty(len(predicted), dtype=np.int64)
    number[order] = np.minimum((below / weight.sum() * bins).astype(np.int64), bins - 1)
    # Equal predictions belong together.
    _, same = np.unique(predicted, return_inverse=True)
    first = np.full(same.max() + 1, bins)
    np.minimum.at(first, same, number)
    return np.asarray(first[same])


def _standard_errors(rows: Rows, number: Ints, bins: int) -> Floats:
    """Of the sums of scores in each bin."""
    games = np.bincount(number, rows.weight, minlength=bins)
    mean = np.bincount(number, rows.weight * rows.score, minlength=bins) / np.maximum(games, 1e-12)
    left = rows.weight * (rows.score - mean[number])
    table = pd.DataFrame({"bin": number, "game": rows.game, "left": left})
    by_game = table.groupby(["bin", "game"])["left"].sum()
    squares = (by_game**2).groupby("bin").sum()
    errors = np.zeros(bins)
    errors[squares.index.to_numpy()] = np.sqrt(squares.to_numpy())
    return errors
