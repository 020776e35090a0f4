"""What losing replies really cost in the positions they are played in, against what the curve says.

The curve compares positions: players who stand worse have often been the weaker ones, and the engine's
losses are largest where it errs most. Within a position, players of a band who chose a losing reply score
less than the others there by a part of what the curve has. That part is taken to be the same for all replies
of a store.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner.curve.fit import Curves

LEAST_LOSS = 0.05
"""Expected score that a reply must lose by the engine to be counted: smaller losses are mostly its noise."""

_EXPECTED, _VAGUE = 1.0, 0.5  # the part as it is taken to be beforehand, and by how much that may be wrong
_LEAST = 0.05  # nothing is worth less than nothing
_RESULT_VARIANCE = 0.25  # of a result between 0 and 1 at the most


@dataclass(frozen=True, slots=True)
class Part:
    """What part of the curve's gain is seen on the board: mean and standard deviation."""

    mean: float
    deviation: float


def part_observed(replies: pd.DataFrame, judged: pd.DataFrame, curves: Curves) -> Part:
    """Regression through zero of observed differences on the curve's, over all bands and losing replies.

    `replies` and `judged` are those tables. Each reply and band weighs n m / (n + m), with n games with the
    reply and m without it in the same position, and a normal prior stands for a store of few games. Source:
    W. Cochran, Biometrics 10 (1954) 417-451, for the weights (from memory).
    """
    losing = judged[(judged["state"] == "judged") & (judged["loss"] >= LEAST_LOSS)]
    rows = replies.merge(losing[["key", "move", "cp_best", "cp_reply"]], on=["key", "move"])
    others = rows["games_at_position"] - rows["games"]
    rows = rows.assign(others=others)[others > 0]
    precision, pull = 1.0 / _VAGUE**2, _EXPECTED / _VAGUE**2
    for band, of_band in rows.groupby("band"):
        best, reply = (of_band[name].to_numpy(dtype=np.float64) for name in ("cp_best", "cp_reply"))
        gain, _ = curves.of(str(band)).gain(best, reply)
        without = (of_band["score_sum_at_position"] - of_band["score_sum"]) / of_band["others"]
        seen = (without - of_band["score_sum"] / of_band["games"]).to_numpy()
        weight = (of_band["games"] * of_band["others"] / of_band["games_at_position"]).to_numpy()
        precision += float(np.sum(weight * gain**2)) / _RESULT_VARIANCE
        pull += float(np.sum(weight * gain * seen)) / _RESULT_VARIANCE
    return Part(max(pull / precision, _LEAST), precision**-0.5)
