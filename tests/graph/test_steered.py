"""Reach by hand: plain, and when one side plays towards a position."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.graph.steered import Steered, steer
from miner.settings import TallySettings
from tests.stores import Game, key_after, reach_after, replies_after, tallied_store


def steered(edges: list[tuple[int, int, float, float]], positions: int) -> Steered:
    """Steered reach over edges (parent, child, rate, log variance), from position 0."""
    parents, children, rates, variances = zip(*edges, strict=True) if edges else ((), (), (), ())
    return steer(
        np.array(parents, dtype=np.int64),
        np.array(children, dtype=np.int64),
        np.array(rates, dtype=np.float64),
        np.array(variances, dtype=np.float64),
        positions=positions,
        start=0,
    )


def test_rates_multiply_along_a_way() -> None:
    """Own move 1, opponent's 0.5, own move 1, opponent's 0.4: 0.2; the variances add up."""
    found = steered([(0, 1, 1.0, 0.0), (1, 2, 0.5, 0.01), (2, 3, 1.0, 0.0), (3, 4, 0.4, 0.02)], 5)

    assert found.reach.tolist() == pytest.approx([1.0, 1.0, 0.5, 0.5, 0.2])
    assert found.log_variance.tolist() == pytest.approx([0.0, 0.0, 0.01, 0.01, 0.03])


def test_best_way_counts_not_the_sum() -> None:
    """Of two ways into a position the likelier one is taken, with its own variance, whichever is longer."""
    short = [(0, 3, 0.3, 0.5)]
    long = [(0, 1, 0.9, 0.01), (1, 2, 1.0, 0.0), (2, 3, 0.5, 0.02)]

    found = steered([*short, *long], 4)

    assert found.reach[3] == pytest.approx(0.45)
    assert found.log_variance[3] == pytest.approx(0.03)


def test_position_without_a_way_has_no_reach() -> None:
    """What nothing leads to, or only a reply that leads out of the tally, is not reached."""
    found = steered([(0, -1, 1.0, 0.0), (1, 2, 1.0, 0.0)], 3)

    assert found.reach.tolist() == [1.0, 0.0, 0.0]


def test_circle_ends() -> None:
    """Moves to and fro, all of rate 1, neither raise a reach above 1 nor go on for ever."""
    found = steered([(0, 1, 1.0, 0.1), (1, 2, 1.0, 0.1), (2, 1, 1.0, 0.1), (2, 0, 1.0, 0.1)], 3)

    assert found.reach.tolist() == [1.0, 1.0, 1.0]
    assert found.log_variance.tolist() == pytest.approx([0.0, 0.1, 0.2])


def test_no_replies_reach_nothing_but_the_start() -> None:
    """Without replies there is the start."""
    assert steered([], 2).reach.tolist() == [1.0, 0.0]


RATES = st.sampled_from([1.0, 0.9, 0.5, 0.25])
EDGES = st.dictionaries(
    st.tuples(st.integers(0, 6), st.integers(-1, 6)), st.tuples(RATES, st.floats(0.0, 1.0)), max_size=25
)


@given(EDGES)
def test_steering_is_the_best_way_of_all(by_ends: dict[tuple[int, int], tuple[float, float]]) -> None:
    """Trying every reply in every round, until none betters a position, comes to the same."""
    edges = [(*ends, *by_ends[ends]) for ends in sorted(by_ends)]
    reach, variance = [1.0] + [0.0] * 6, [0.0] * 7
    for _ in range(7):
        before, told = list(reach), list(variance)
        for parent, child, rate, log_variance in edges:
            if child >= 0 and before[parent] * rate > reach[child]:
                reach[child], variance[child] = before[parent] * rate, told[parent] + log_variance

    found = steered(edges, 7)

    assert found.reach.tolist() == reach
    assert found.log_variance.tolist() == variance


WEAK, STRONG = 1100, 1900
GAMES = [
    # Of the weak band's games with Black after 1.e4 three in four answer 1...e5; the strong band never does.
    *[Game(moves="e4 e5 f4 exf4 h3", white_rating=STRONG, black_rating=WEAK)] * 2,
    Game(moves="e4 e5 Nf3 Nc6", white_rating=STRONG, black_rating=WEAK),
    Game(moves="e4 c5 Nf3 d6", white_rating=STRONG, black_rating=WEAK),
    *[Game(moves="e4 c5 Nf3 d6", white_rating=WEAK, black_rating=STRONG)] * 3,
    Game(moves="d4 d5 c4 e6", white_rating=WEAK, black_rating=STRONG),
] * 5


def test_plain_reach_is_a_share_of_the_bands_games_with_that_colour(tmp_path: Path) -> None:
    """Half of the weak band's games with Black reach the King's Gambit; the start is reached by all."""
    store = tallied_store(tmp_path, GAMES)

    assert reach_after(store, "e4 e5 f4")["1000-1199"]["plain_reach"] == 0.5
    assert reach_after(store, "")["1000-1199"]["plain_reach"] == 1.0
    assert reach_after(store, "e4")["1800-1999"]["plain_reach"] == 0.75
    assert set(reach_after(store, "e4 e5 f4")) == {"1000-1199"}


def test_steered_reach_takes_own_moves_for_granted(tmp_path: Path) -> None:
    """White plays 1.e4 and 2.f4 by choice: the reach of 1.e4 e5 2.f4 is the weak band's rate of 1...e5."""
    store = tallied_store(tmp_path, GAMES)
    rate = replies_after(store, "e4")["1000-1199", "e5"]["pick_rate"]

    gambit = reach_after(store, "e4 e5 f4")["1000-1199"]

    assert gambit["steered_reach"] == pytest.approx(rate)
    assert gambit["steered_reach"] > gambit["plain_reach"]
    assert gambit["steered_log_variance"] > 0.0


def test_steered_reach_multiplies_the_opponents_rates(tmp_path: Path) -> None:
    """Black steers to 1.e4 e5 2.f4 exf4: White's rates of 1.e4 and 2.f4 multiply, Black's are 1."""
    store = tallied_store(tmp_path, GAMES)
    e4 = replies_after(store, "")["1800-1999", "e4"]["pick_rate"]
    f4 = replies_after(store, "e4 e5")["1800-1999", "f4"]["pick_rate"]

    accepted = reach_after(store, "e4 e5 f4 exf4")["1800-1999"]

    assert accepted["steered_reach"] == pytest.approx(max(e4 * f4, 0.5), rel=1e-5)
    assert accepted["plain_reach"] == 0.5  # half of the strong band's games with White


def test_bands_have_rates_of_their_own(tmp_path: Path) -> None:
    """The strong band answers 1.e4 by 1...c5, the weak one mostly by 1...e5: so are they steered."""
    store = tallied_store(tmp_path, GAMES)

    sicilian = reach_after(store, "e4 c5 Nf3")

    assert sicilian["1800-1999"]["steered_reach"] > 2 * sicilian["1000-1199"]["steered_reach"]


def test_steered_reach_is_never_below_the_plain(tmp_path: Path) -> None:
    """A position that many ways lead to is steered to as often as it comes anyway."""
    ways = ["d4 Nf6 c4 e6 Nc3", "c4 e6 d4 Nf6 Nf3", "d4 e6 c4 Nf6 g3", "c4 Nf6 d4 e6 e3"]
    store = tallied_store(tmp_path, [Game(moves=moves) for moves in ways], TallySettings(min_games=4))

    reach = reach_after(store, "d4 Nf6 c4 e6")["unrated"]

    assert reach["plain_reach"] == reach["steered_reach"] == 1.0
    assert key_after("d4 Nf6 c4 e6") in store.read_table("positions")["key"].to_pylist()
