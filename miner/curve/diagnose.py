"""How well curves foretell the scores that games really brought."""

from __future__ import annotations

import numpy as np
import pandas as pd

from miner.arrays import Floats, Ints
from miner.curve.fit import Curve, Curves
from miner.curve.rows import CurveRows

BINS = 10


def diagnose(curves: Curves, rows: CurveRows) -> pd.DataFrame:
    """Predicted and observed score in bins of the prediction, band by band; best on games not fitted to.

    Each band's bins hold about equally many of its games. Columns: band, source, bin (from 1), games (each
    counted once), predicted, observed, error (predicted - observed), standard_error (of the observed score,
    one game being one piece of evidence).
    """
    parts = [
        _of_band(rows.where(rows.band == place), curve)
        for place, curve in enumerate(curves)
        if (rows.band == place).any()
    ]
    columns = ["band", "source", "bin", "games", "predicted", "observed", "error", "standard_error"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _of_band(rows: CurveRows, curve: Curve) -> pd.DataFrame:
    predicted = curve.expected(rows.cp, rows.gap)
    filled, number = np.unique(_bins_of(predicted, rows.weight), return_inverse=True)
    games = np.bincount(number, rows.weight)

    def mean_of(values: Floats) -> Floats:
        return np.bincount(number, rows.weight * values) / games

    observed = mean_of(rows.score)
    left = pd.DataFrame(
        {"bin": number, "game": rows.game, "left": rows.weight * (rows.score - observed[number])}
    )
    by_game = left.groupby(["bin", "game"])["left"].sum()
    return pd.DataFrame(
        {
            "band": curve.band,
            "source": curve.source,
            "bin": filled + 1,
            "games": games,
            "predicted": mean_of(predicted),
            "observed": observed,
            "error": mean_of(predicted) - observed,
            "standard_error": np.sqrt((by_game**2).groupby("bin").sum().to_numpy()) / games,
        }
    )


def _bins_of(predicted: Floats, weight: Floats) -> Ints:
    order = np.argsort(predicted, kind="stable")
    below = np.cumsum(weight[order]) - weight[order] / 2.0
    number = np.empty(len(predicted), dtype=np.int64)
    number[order] = np.minimum((below / weight.sum() * BINS).astype(np.int64), BINS - 1)
    # Equal predictions belong together.
    _, first, same = np.unique(predicted, return_index=True, return_inverse=True)
    return np.asarray(number[first[same]])
