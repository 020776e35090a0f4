"""Which judged replies are losing."""

from __future__ import annotations

from typing import Protocol

import pandas as pd

from miner.terms import MOST_CP


class Thresholds(Protocol):
    """What a losing reply must lose; the settings of the rank stage have them."""

    @property
    def loss_threshold(self) -> float:
        """Expected score (0 to 1)."""

    @property
    def tempo_threshold(self) -> float:
        """The same for a tempo lost by force."""

    @property
    def hold_share(self) -> float:
        """Share of its threshold that a reply must have lost at the budget before, too."""


def is_losing(judged: pd.DataFrame, settings: Thresholds) -> pd.Series[bool]:
    """For each row of `judged`: whether its reply is losing.

    It loses the threshold or more of expected score, or walks into a mate, or loses a tempo by force and the
    tempo threshold. What only one search says is not shown: the last budget but one must have seen at least
    `hold_share` of that threshold, or for a mate some loss.
    """
    by_score = _holds(judged, settings.loss_threshold, settings)
    into_mate = (judged["cp_reply"] < -MOST_CP) & (judged["cp_best"] >= -MOST_CP)
    forced_home = judged["retreat_loss"].fillna(0.0) >= settings.loss_threshold
    by_tempo = forced_home & _holds(judged, settings.tempo_threshold, settings)
    losing = (by_score | (into_mate & _seen_before(judged)) | by_tempo) & (judged["state"] == "judged")
    return losing.astype(bool)


def _holds(judged: pd.DataFrame, threshold: float, settings: Thresholds) -> pd.Series[bool]:
    before = judged["loss_before"] >= settings.hold_share * threshold
    return (judged["loss"] >= threshold) & before & (judged["nodes_before"] > 0)


def _seen_before(judged: pd.DataFrame) -> pd.Series[bool]:
    return (judged["nodes_before"] > 0) & (judged["loss_before"] > 0.0)
