"""What a trap and a pitfall are worth, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from miner.curve.fit import Curve, Curves
from miner.rank.worth import Part, worth_of
from miner.settings import RankSettings
from miner.terms import Kind

RULE = Curve(
    "1000-1199", "engine", 0.0, ("level", "pawns"), np.array([0.0, np.log(10) / 4]), np.zeros((2, 2))
)
PAWN = float(RULE.gain(0.0, -100.0)[0])  # 0.14: a pawn lost from an even position


def rows(find_rate: float | None) -> pd.DataFrame:
    """One reply as a trap and as a pitfall: chosen by 1 of 4 in 1 of 10 games, in 1 of 2 when steered to."""
    row = {
        "key": 1,
        "move": 2,
        "band": "1000-1199",
        "games_at_position": 100,
        "pick_rate": 0.25,
        "pick_rate_low": 0.25,
        "plain_reach": 0.1,
        "steered_reach": 0.5,
        "steered_log_variance": 0.0,
        "cp_best": 0,
        "cp_reply": -100,
        "after_gap": 0.0,
        "find_rate": find_rate,
        "find_rate_high": find_rate,
    }
    table = pd.DataFrame([row | {"kind": kind} for kind in (Kind.PITFALL, Kind.TRAP)])
    return table.astype({"find_rate": float, "find_rate_high": float})


@pytest.mark.parametrize(("find_rate", "missed"), [(None, 1.0), (0.75, 0.25)])
@pytest.mark.parametrize(("repertoire", "pitfall"), [("", 0.1), ("white.pgn", 0.5)])
def test_a_trap_is_steered_to_and_missed(
    find_rate: float | None, missed: float, repertoire: str, pitfall: float
) -> None:
    """It adds only what is missed today; a pitfall arises by itself, or by a repertoire, and costs it all."""
    settings = RankSettings(side="white", repertoire=repertoire)

    found = worth_of(rows(find_rate), Curves({"1000-1199": RULE}), Part(1.0, 0.0), settings, 0.9)

    worth = found.set_index("kind")
    assert worth["points_per_100"].to_dict() == pytest.approx(
        {Kind.TRAP: 100 * 0.5 * 0.25 * PAWN, Kind.PITFALL: 100 * pitfall * 0.25 * PAWN}
    )
    assert (worth["teaching_value"] / worth["points_per_100"]).to_dict() == pytest.approx(
        {Kind.TRAP: missed, Kind.PITFALL: 1.0}
    )
