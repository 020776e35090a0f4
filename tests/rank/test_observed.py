"""What part of the curve's gain is seen on the board, from made-up counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from miner.curve.fit import Curve, Curves
from miner.rank.worth import part_observed

RULE = Curve(
    "1000-1199", "engine", 0.0, ("level", "pawns"), np.array([0.0, np.log(10) / 4]), np.zeros((2, 2))
)
CURVES = Curves({"1000-1199": RULE})
PAWN = float(RULE.gain(0.0, -100.0)[0])  # 0.14: a pawn lost from an even position


def counted(games: int, *, seen: float) -> pd.DataFrame:
    """A position met in twice `games`; those who lost a pawn score `seen` less than the other half."""
    return pd.DataFrame(
        [
            {
                "key": 1,
                "move": 2,
                "band": "1000-1199",
                "games": games,
                "games_at_position": 2 * games,
                "score_sum": games * (0.5 - seen),
                "score_sum_at_position": games * (1.0 - seen),
            }
        ]
    )


def verdict(loss: float = PAWN, state: str = "judged") -> pd.DataFrame:
    """The reply loses a pawn."""
    return pd.DataFrame([{"key": 1, "move": 2, "state": state, "loss": loss, "cp_best": 0, "cp_reply": -100}])


@pytest.mark.parametrize("part", [0.3, 1.0])
def test_many_games_tell_the_part(part: float) -> None:
    """If half a million games show a third of what the curve says, a third it is."""
    told = part_observed(counted(500_000, seen=part * PAWN), verdict(), CURVES)

    assert told.mean == pytest.approx(part, abs=0.01)
    assert told.deviation < 0.02


def test_few_games_leave_the_curve_alone() -> None:
    """Ten games of one reply say next to nothing, whatever they show."""
    told = part_observed(counted(5, seen=-0.5), verdict(), CURVES)

    assert 0.6 < told.mean < 1.0
    assert told.deviation == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("judged", [verdict(loss=0.04), verdict(state="inconclusive")])
def test_only_losing_replies_count(judged: pd.DataFrame) -> None:
    """What loses little, or was not judged in the end, says nothing of what mistakes cost."""
    told = part_observed(counted(500_000, seen=0.0), judged, CURVES)

    assert (told.mean, told.deviation) == (1.0, 0.5)


def test_no_gain_is_negative() -> None:
    """Where those who chose it score more, knowing the punishment is still worth something."""
    assert part_observed(counted(500_000, seen=-0.2), verdict(), CURVES).mean == 0.05
