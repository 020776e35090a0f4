"""Values of games nine plies later, on counted games."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from miner.curve.fit import Curve, Curves
from miner.rank.later import valued

BAND = "1000-1199"
RULE = Curve(BAND, "engine", 0.0, ("level", "pawns", "gap"), np.array([0.0, 0.5, 2.3]), np.zeros((3, 3)))
CURVES = Curves({BAND: RULE})


def games(*, by_gap: float, luck: float, number: int = 4_000) -> pd.DataFrame:
    """Two groups of games: `by_gap` centipawns are gained a rating point more, results follow values."""
    random = np.random.default_rng(3)
    gap, chance = random.normal(0.0, 150.0, number), random.normal(0.0, 40.0, number)
    group = np.arange(number) % 2
    cp = 60.0 * group + by_gap * gap + chance
    value = RULE.expected(cp)
    score = luck * value + 0.1 * group + random.normal(0.0, 0.3, number)
    return pd.DataFrame({"band": BAND, "group": group, "cp": cp, "gap": gap, "score": score})


def test_what_the_stronger_player_gains_is_taken_off() -> None:
    """At 0.3 centipawns a point values hang together with the gap; what is told of them does not."""
    rows = games(by_gap=0.3, luck=0.0)

    told = valued(rows, CURVES, ["group"]).games

    raw = RULE.expected(rows["cp"])
    assert np.corrcoef(raw, rows["gap"])[0, 1] > 0.5
    assert told["value"].groupby(told["group"]).corr(told["gap"]).abs().max() < 0.05
    means = told.groupby("group")["value"].mean()
    assert means[1] - means[0] == pytest.approx(RULE.expected(60.0) - RULE.expected(0.0), abs=0.01)


@pytest.mark.parametrize("luck", [0.0, 1.0])
def test_how_much_results_have_of_it(luck: float) -> None:
    """Within a group, so that what the groups differ by does not count."""
    assert valued(games(by_gap=0.0, luck=luck), CURVES, ["group"]).luck == pytest.approx(luck, abs=0.25)


def test_few_games_leave_what_is_known_beforehand() -> None:
    """Two games of one group say nothing."""
    told = valued(games(by_gap=0.0, luck=0.0)[:2], CURVES, ["group"])

    assert told.variance == pytest.approx(0.02, abs=0.002)
    assert told.luck == pytest.approx(1.0, abs=0.1)


def test_who_is_not_rated_keeps_his_value() -> None:
    """Nothing is taken off where the gap is not known."""
    rows = games(by_gap=0.3, luck=0.0).assign(gap=np.nan)

    told = valued(rows, CURVES, ["group"]).games

    assert np.allclose(told["value"], RULE.expected(rows["cp"]))
