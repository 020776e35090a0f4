"""Games drawn from known curves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from miner.curve.fit import SATURATION_CP, SATURATION_GAP, saturated
from miner.curve.rows import CurveRows, EngineRows

NAMES = ("0-1499", "1500+", "unrated")


def drawn(
    seed: int, games: Sequence[int], advantages: Sequence[float], *, gap: float = 1.7, replies: int = 3
) -> CurveRows:
    """So many games of each band, each with some evaluations of one player, who has known chances.

    A third of the games is drawn in place of won or lost, the expected score being the same.
    """
    random = np.random.default_rng(seed)
    band = np.repeat(np.arange(len(games)), games)
    random.shuffle(band)
    level = random.normal(0.0, 120.0, size=len(band))
    rated = band < len(games) - 1
    gaps = np.where(rated, random.normal(0.0, 200.0, size=len(band)), 0.0)
    pawns = saturated(level, SATURATION_CP) / 100.0
    chance = special.expit(np.array(advantages)[band] * pawns + gap * saturated(gaps, SATURATION_GAP) / 400.0)
    draws = np.minimum(1.0 / 3.0, 2.0 * np.minimum(chance, 1.0 - chance))
    toss = random.uniform(size=len(band))
    score = np.where(toss < draws, 0.5, (toss - draws < chance - draws / 2.0).astype(np.float64))

    def each(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, replies)

    return CurveRows(
        game=each(np.arange(len(band))),
        band=each(band),
        cp=each(level),
        gap=each(gaps),
        gap_known=each(rated),
        score=each(score),
        weight=np.full(len(band) * replies, 1.0 / replies),
    )


def engine_rows() -> EngineRows:
    """An engine that turns a pawn into much: half a point's odds of e for each."""
    cp = np.linspace(-600.0, 600.0, 200)
    return EngineRows(cp, special.expit(saturated(cp, SATURATION_CP) / 100.0))
