"""Which judged replies are losing."""

from __future__ import annotations

import pandas as pd

from miner.settings import RankSettings
from miner.terms import MOST_CP


def is_losing(judged: pd.DataFrame, settings: RankSettings) -> pd.Series[bool]:
    """For each row of `judged`: whether its reply is losing.

    It loses the threshold or more of expected score, or walks into a mate, or loses a tempo by force and the
    tempo threshold. What only one search says is not shown: the last budget but one must have seen at least
    `hold_share` of that threshold, or for a mate some loss.
    """
    was_judged_before = judged["nodes_before"] > 0

    def loses(threshold: float) -> pd.Series[bool]:
        held = judged["loss_before"] >= settings.hold_share * threshold
        return (judged["loss"] >= threshold) & held & was_judged_before

    seen_before = was_judged_before & (judged["loss_before"] > 0.0)
    into_mate = (judged["cp_reply"] < -MOST_CP) & (judged["cp_best"] >= -MOST_CP) & seen_before
    forced_home = judged["retreat_loss"].fillna(0.0) >= settings.loss_threshold
    by_tempo = forced_home & loses(settings.tempo_threshold)
    losing = (loses(settings.loss_threshold) | into_mate | by_tempo) & (judged["state"] == "judged")
    return losing.astype(bool)
