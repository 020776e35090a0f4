"""Reach, points per 100 games and teaching value, by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.arrays import Floats
from miner.curve.fit import Curve, Curves
from miner.rank.worth import (
    BoundedShare,
    SeenGain,
    part_observed,
    points_columns,
    reach_share,
    with_gain,
    with_worth,
    without_gambits,
)
from miner.settings import RankSettings
from miner.terms import Kind

RULE = Curve(
    "1000-1199", "engine", 0.0, ("level", "pawns"), np.array([0.0, np.log(10) / 4]), np.zeros((2, 2))
)
PAWN = float(RULE.gain(0.0, -100.0)[0])  # 0.14: a pawn lost from an even position


def rows(find_rate: float | None) -> pd.DataFrame:
    """A reply of Black's and one of White's: chosen by 1 of 4 in 1 of 10 games, in 1 of 2 when steered to."""
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
    table = pd.DataFrame([row | {"white_errs": errs} for errs in (True, False)])
    return table.astype({"find_rate": float, "find_rate_high": float})


@pytest.mark.parametrize(("find_rate", "missed"), [(None, 1.0), (0.75, 0.25)])
@pytest.mark.parametrize(("repertoire", "pitfall"), [("", 0.1), ("white.pgn", 0.5)])
def test_a_trap_is_steered_to_and_missed(
    find_rate: float | None, missed: float, repertoire: str, pitfall: float
) -> None:
    """It adds only what is missed today; a pitfall arises by itself, or by a repertoire, and costs it all."""
    settings = RankSettings(side="white", repertoire=repertoire)

    gaining = with_gain(rows(find_rate), Curves({"1000-1199": RULE}), SeenGain(1.0, 0.0), 0.9)
    found = with_worth(gaining, settings, 0.9)

    worth = found.set_index("kind")
    assert worth["points_per_100"].to_dict() == pytest.approx(
        {Kind.TRAP: 100 * 0.5 * 0.25 * PAWN, Kind.PITFALL: 100 * pitfall * 0.25 * PAWN}
    )
    assert (worth["teaching_value"] / worth["points_per_100"]).to_dict() == pytest.approx(
        {Kind.TRAP: missed, Kind.PITFALL: 1.0}
    )


SHARES = st.floats(0.001, 1.0)
CERTAIN = 1.0  # the lower bound is the value


def combined(
    reach: float, rate: float, gain: float, missed: float = 1.0, *, parts: tuple[float, ...] = (CERTAIN,) * 4
) -> dict[str, Floats]:
    """One losing reply; `parts` are the lower bounds as shares of the values."""
    values = (reach, rate, gain, missed)
    shares = [
        BoundedShare(np.array([value]), np.array([value * part]))
        for value, part in zip(values, parts, strict=True)
    ]
    return points_columns(*shares)


def test_points_by_hand() -> None:
    """A position in 1 of 5 games, where 1 of 4 chooses a reply that loses 0.4: 2 points per 100 games."""
    worth = combined(0.2, 0.25, 0.4)

    assert worth["points_per_100"][0] == worth["points_per_100_low"][0] == pytest.approx(2.0)


def test_teaching_adds_what_is_missed_today() -> None:
    """Where 3 of 4 pupils find the punishment by themselves, teaching it adds a quarter of the 2 points."""
    worth = combined(0.2, 0.25, 0.4, missed=0.25)

    assert worth["teaching_value"][0] == worth["teaching_value_low"][0] == pytest.approx(0.5)
    assert worth["points_per_100"][0] == pytest.approx(2.0)


def test_spreads_add_up_in_squares() -> None:
    """Pick rate and gain each down by e^-0.3 and e^-0.4: the bound is down by e^-0.5."""
    worth = combined(0.2, 0.25, 0.4, parts=(CERTAIN, math.exp(-0.3), math.exp(-0.4), CERTAIN))

    assert worth["points_per_100_low"][0] == pytest.approx(2.0 * math.exp(-0.5))


def test_uncertain_reach() -> None:
    """The lower bound of a reach is 1.645 standard deviations of its logarithm below."""
    share = reach_share(np.array([0.2]), np.array([0.04]), confidence=0.9)

    assert share.low[0] == pytest.approx(0.2 * math.exp(-1.6449 * 0.2), rel=1e-4)


@given(values=st.tuples(SHARES, SHARES, SHARES, SHARES), parts=st.tuples(SHARES, SHARES, SHARES, SHARES))
def test_bounds_are_no_more_than_any_share_leaves(
    values: tuple[float, ...], parts: tuple[float, ...]
) -> None:
    """A bound lies above 0 and not above what any one of the uncertainties leaves."""
    worth = combined(*values, parts=parts)

    assert 0.0 < worth["points_per_100_low"][0] <= worth["points_per_100"][0] * min(parts[:3]) * (1 + 1e-9)
    assert 0.0 < worth["teaching_value_low"][0] <= worth["teaching_value"][0] * min(parts) * (1 + 1e-9)
    assert worth["teaching_value"][0] <= worth["points_per_100"][0] * (1 + 1e-9)


def test_more_games_raise_the_bound_not_the_points() -> None:
    """Of two replies worth the same the better known one comes first."""
    few = combined(0.2, 0.25, 0.4, parts=(CERTAIN, 0.2, CERTAIN, CERTAIN))
    many = combined(0.2, 0.25, 0.4, parts=(CERTAIN, 0.9, CERTAIN, CERTAIN))

    assert few["points_per_100"] == many["points_per_100"]
    assert few["teaching_value_low"] < many["teaching_value_low"]


def test_no_lower_rate_is_no_error() -> None:
    """A lower rate that is nil for the computer gives a bound of nearly nothing."""
    worth = combined(0.2, 0.25, 0.4, parts=(CERTAIN, 0.0, CERTAIN, CERTAIN))

    assert 0.0 <= worth["points_per_100_low"][0] < 1e-6


CURVES = Curves({"1000-1199": RULE})


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


@pytest.mark.parametrize(
    ("games", "score", "is_gambit"),
    [
        (400, 0.56, True),  # 6% more than the others, give or take 5
        (400, 0.44, False),  # less than the others
        (10, 0.56, False),  # of so few games nobody knows
    ],
)
def test_what_does_well_in_practice_is_a_gambit(games: int, score: float, is_gambit: bool) -> None:
    """A pawn by the engine, which the games do not bear out: it is worth nothing to know."""
    row = {
        "games": games,
        "players": games,
        "games_unknown": 0,
        "score_sum": score * games,
        "games_at_position": games + 1_000,
        "score_sum_at_position": score * games + 500.0,
        "gain_for_band": PAWN,
        "gain_low": PAWN / 2,
    }

    [found] = without_gambits(pd.DataFrame([row]), 0.9).to_dict("records")

    assert found["gambit"] is is_gambit
    assert found["gain_for_band"] == (0.0 if is_gambit else PAWN)
    assert found["gain_low"] == (0.0 if is_gambit else PAWN / 2)
