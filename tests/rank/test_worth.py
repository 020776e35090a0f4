"""Reach, points per 100 games and teaching value, by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.curve.fit import Curve, Curves
from miner.rank.parts import Parts
from miner.rank.results import SeenParts
from miner.rank.worth import (
    BoundedShare,
    product,
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


def parts(mean: float, deviation: float = 0.0) -> Parts:
    """One part for all replies."""
    nothing = pd.DataFrame({"part": [], "deviation": []}, index=pd.MultiIndex.from_arrays([[], []]))
    return Parts(mean, deviation, 0.0, nothing)


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
        "reach_games": 100.0,
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
    """Who misses it today would gain what finding adds; a pitfall arises by itself, or by a repertoire."""
    settings = RankSettings(side="white", repertoire=repertoire)
    seen = SeenParts(parts(0.5), parts(1.5))

    found = with_worth(with_gain(rows(find_rate), Curves({"1000-1199": RULE}), seen, 0.9), settings, 0.9)

    worth = found.set_index("kind")
    assert worth["points_per_100"].to_dict() == pytest.approx(
        {Kind.TRAP: 100 * 0.5 * 0.25 * 0.5 * PAWN, Kind.PITFALL: 100 * pitfall * 0.25 * 0.5 * PAWN}
    )
    assert worth["teaching_value"].to_dict() == pytest.approx(
        {
            Kind.TRAP: 100 * 0.5 * 0.25 * missed * 1.5 * PAWN,
            Kind.PITFALL: worth["points_per_100"][Kind.PITFALL],
        }
    )


def test_where_nobody_was_followed_punishing_gives_the_gain() -> None:
    """Nothing is known of who punishes it: all of what the reply costs is to be had."""
    found = with_gain(rows(None), Curves({"1000-1199": RULE}), SeenParts(parts(0.5), None), 0.9)

    assert found["punish_gain"].to_list() == found["gain_for_band"].to_list()


def test_doubt_of_the_part_may_leave_nothing() -> None:
    """A part of 0.5, give or take 0.4: 1.645 times that is more, so that the bound lies below 0."""
    seen = SeenParts(parts(0.5, 0.4), None)
    found = with_gain(rows(None), Curves({"1000-1199": RULE}), seen, 0.9)

    assert found["gain_low"][0] == pytest.approx((0.5 - 1.6449 * 0.4) * PAWN, rel=1e-3)


def test_the_list_is_ordered_by_what_is_to_be_expected() -> None:
    """Of two replies the one worth more comes first, though its bound is lower."""
    table = rows(None).assign(key=[1, 2], pick_rate=[0.25, 0.3], pick_rate_low=[0.25, 0.01])
    gaining = with_gain(table, Curves({"1000-1199": RULE}), SeenParts(parts(1.0), None), 0.9)

    found = with_worth(gaining.assign(white_errs=True), RankSettings(), 0.9)

    assert found["key"].to_list() == [2, 1]
    assert found["teaching_value_low"].is_monotonic_increasing


SHARES = st.floats(0.001, 1.0)
CERTAIN = 1.0  # the lower bound is the value


def combined(*values: float, bounds: tuple[float, ...] = (CERTAIN,) * 4) -> tuple[float, float]:
    """A gain times shares, and its bound; `bounds` are the lower bounds as shares of the values."""
    shares = [
        BoundedShare(np.array([value]), np.array([value * bound]))
        for value, bound in zip(values, bounds[: len(values)], strict=True)
    ]
    found = product(*shares)
    return float(found.value[0]), float(found.low[0])


def test_product_by_hand() -> None:
    """A gain of 0.4 in 1 of 5 games, where 1 of 4 chooses the reply: 0.02 of a point a game."""
    assert combined(0.4, 0.2, 0.25) == pytest.approx((0.02, 0.02))


def test_spreads_of_shares_add_up_in_squares_of_logarithms() -> None:
    """Reach and pick rate down by e^-0.3 and e^-0.4: the bound is down by e^-0.5."""
    bounds = (CERTAIN, math.exp(-0.3), math.exp(-0.4))

    assert combined(0.4, 0.2, 0.25, bounds=bounds)[1] == pytest.approx(0.02 * math.exp(-0.5))


def test_spreads_of_gain_and_share_add_up_in_squares() -> None:
    """The gain takes 0.3 of the points, the share 0.4: together the root of 0.09 + 0.16 - 0.09 x 0.16."""
    assert combined(0.4, 0.05, bounds=(0.7, 0.6))[1] == pytest.approx(0.02 * (1.0 - math.sqrt(0.2356)))


@pytest.mark.parametrize(("share", "gain"), [(1.0, 0.2), (0.5, 0.3), (0.9, 0.4)])
def test_bound_of_a_product_is_met_as_often_as_it_claims(share: float, gain: float) -> None:
    """95% of products of a share that scatters on a logarithmic scale, and a gain that does so straight."""
    random = np.random.default_rng(2)
    drawn = np.exp(random.normal(0.0, share, 200_000)) * random.normal(1.0, gain, 200_000)
    z = 1.6449

    bounds = (1.0 - z * gain, math.exp(-z * share))

    assert 0.94 <= (drawn >= combined(1.0, 1.0, bounds=bounds)[1]).mean() <= 0.975


def test_a_gain_may_be_none() -> None:
    """Where the gain's bound lies as far below 0 as it lies above, the points' bound does."""
    assert combined(0.4, 0.05, bounds=(-1.0, CERTAIN)) == pytest.approx((0.02, -0.02))
    assert combined(0.0, 0.05) == (0.0, 0.0)


def test_uncertain_reach() -> None:
    """The lower bound of a reach is 1.645 standard deviations of its logarithm below."""
    share = reach_share(np.array([0.2]), np.array([0.04]), confidence=0.9)

    assert share.low[0] == pytest.approx(0.2 * math.exp(-1.6449 * 0.2), rel=1e-4)


@given(values=st.tuples(SHARES, SHARES, SHARES), bounds=st.tuples(SHARES, SHARES, SHARES))
def test_bounds_are_no_more_than_any_share_leaves(
    values: tuple[float, ...], bounds: tuple[float, ...]
) -> None:
    """A bound is not above what any one of the uncertainties leaves."""
    value, low = combined(*values, bounds=bounds)

    assert low <= value * min(bounds) * (1 + 1e-9)


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
        **dict.fromkeys(("gain_usual", "gain_for_band", "punish_gain"), PAWN),
        **dict.fromkeys(("gain_low", "punish_gain_low"), PAWN / 2),
    }

    [found] = without_gambits(pd.DataFrame([row]), 0.9).to_dict("records")

    assert found["gambit"] is is_gambit
    assert found["gain_for_band"] == (0.0 if is_gambit else PAWN)
    assert found["gain_low"] == (0.0 if is_gambit else PAWN / 2)
