"""The expectimax on trees that can be worked out by hand, and centipawns as points of the band."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from miner.steer.expectimax import (
    BandReply,
    Choice,
    OurPosition,
    TheirPosition,
    Tree,
    Valued,
    bottom_up,
    coefficients_drawn,
    curve_worth,
    engine_worth,
    rates_drawn,
    value,
)

DRAWS = 400


def straight(cp: float) -> Any:
    """A curve on which 100 centipawns are a tenth of a point, and nothing is uncertain."""
    return np.full(1 + DRAWS, 0.5 + cp / 1000.0)


def found(tree: Tree, root: int = 0, losing: float = 0.1) -> Valued:
    """The expectimax by that curve."""
    return value(tree, root, straight, draws=DRAWS, losing=losing)


def guess(valued: Valued, key: int = 0) -> float:
    """The best guess of a position's value."""
    return float(valued.positions[key][0])


def ours(*choices: Choice, cp: int = 0) -> OurPosition:
    """A position of ours."""
    return OurPosition(cp, choices)


def theirs(*replies: BandReply, cp: int = 0, strength: float = 100.0) -> TheirPosition:
    """A position of theirs."""
    return TheirPosition(cp, replies, strength)


def to(move: int, child: int | None, cp: int = 0, **more: Any) -> Choice:
    """A choice of ours that is as good as any."""
    return Choice(move, cp, 0.0, child=child, **more)


def test_band_answers_by_its_pick_rates() -> None:
    """60% answer soundly (0.50), 30% lose a pawn (0.60), and the rest counts as best play: 0.53."""
    tree: Tree = {
        0: ours(to(1, 10)),
        10: theirs(BandReply(2, 0.6, 60, cp=0), BandReply(3, 0.3, 30, cp=100)),
    }

    assert guess(found(tree)) == pytest.approx(0.6 * 0.5 + 0.3 * 0.6 + 0.1 * 0.5)


def test_our_side_picks_the_best_value_not_the_best_verdict() -> None:
    """A gambit that the engine likes less scores more, since half the band walk into its point."""
    tree: Tree = {
        0: ours(Choice(1, 30, 0.0), Choice(2, 10, 0.02, child=20), cp=30),
        20: theirs(BandReply(3, 0.5, 50, cp=-10), BandReply(4, 0.5, 50, cp=300), cp=-10),
    }

    valued = found(tree)

    assert valued.chosen[0] == 2
    assert guess(valued) == pytest.approx(0.5 * 0.49 + 0.5 * 0.8)
    assert valued.prices[0, 2][0] == pytest.approx(0.49)
    assert valued.moves[0, 1][0] == pytest.approx(0.53)


def test_unsound_move_is_not_chosen_however_well_it_scores() -> None:
    """A coffeehouse move scores 0.80 against this band, but it is not allowed."""
    tree: Tree = {
        0: ours(Choice(1, 20, 0.0), Choice(2, -150, 0.2, is_allowed=False, child=20), cp=20),
        20: theirs(BandReply(3, 1.0, 100, cp=300), cp=-150),
    }

    valued = found(tree)

    assert valued.moves[0, 2][0] == pytest.approx(0.8)
    assert valued.chosen[0] == 1
    assert guess(valued) == pytest.approx(0.52)


def test_transposition_is_valued_once_and_its_trap_adds_up() -> None:
    """Two replies lead to one position, in which we win a pawn; the trap behind it counts for both."""
    tree: Tree = {
        0: ours(to(1, 10)),
        10: theirs(BandReply(2, 0.5, 50, child=30), BandReply(3, 0.5, 50, child=30)),
        30: ours(to(4, 40)),
        40: theirs(BandReply(5, 0.5, 50, cp=0), BandReply(6, 0.5, 50, cp=200)),
    }

    valued = found(tree)

    [trap] = valued.traps[0, 1]
    assert guess(valued, 30) == guess(valued) == pytest.approx(0.6)
    assert (trap.key, trap.move) == (40, 6)
    assert trap.reach == pytest.approx(0.5)
    assert trap.gain == pytest.approx(0.1)


def test_circle_ends_in_the_engines_verdict() -> None:
    """Moves to and fro come back to the first position: what follows there is the verdict, 0.51."""
    tree: Tree = {
        0: ours(to(1, 10, cp=10), cp=10),
        10: theirs(BandReply(2, 1.0, 100, child=0), cp=10),
    }

    order, cut = bottom_up(tree, 0)
    valued = found(tree)

    assert (order, set(cut)) == ([10, 0], {(10, 2)})
    assert guess(valued) == pytest.approx(0.51)


def test_reply_that_nobody_looked_at_counts_as_best_play() -> None:
    """A rare reply gives no gain before an engine has looked at it."""
    tree: Tree = {0: theirs(BandReply(1, 0.4, 4), BandReply(2, 0.6, 6, cp=50), cp=50)}

    assert guess(found(tree)) == pytest.approx(0.55)


def test_verdict_of_a_reply_is_never_better_for_them_than_best_play() -> None:
    """Two searches differ by noise: a reply may not seem better than the best one."""
    tree: Tree = {0: theirs(BandReply(1, 1.0, 10, cp=20), cp=50)}

    assert guess(found(tree)) == pytest.approx(0.55)


def test_trap_below_the_threshold_is_none() -> None:
    """A slip of 40 centipawns is no trap; one of 200 is."""
    tree: Tree = {
        0: ours(to(1, 10)),
        10: theirs(BandReply(2, 0.5, 50, cp=40), BandReply(3, 0.2, 20, cp=200)),
    }

    assert [trap.move for trap in found(tree).traps[0, 1]] == [3]


def test_equal_values_go_to_the_engines_preference() -> None:
    """Of two moves of one value the one that loses less by the engine is taken."""
    tree: Tree = {0: ours(Choice(1, 10, 0.03), Choice(2, 10, 0.0), cp=10)}

    assert found(tree).chosen[0] == 2


def test_draws_are_always_the_same_and_sum_to_one() -> None:
    """The pick rates' draws depend on the position only; each set with the rest of the band is whole."""
    position = theirs(BandReply(1, 0.7, 7), BandReply(2, 0.2, 2), strength=10.0)

    first, again = rates_drawn(5, position, DRAWS), rates_drawn(5, position, DRAWS)

    assert (first == again).all()
    assert first.sum(axis=0) == pytest.approx(np.ones(1 + DRAWS))
    assert first[:, 1:].mean(axis=1) == pytest.approx([0.7, 0.2, 0.1], abs=0.03)
    assert (first != rates_drawn(6, position, DRAWS)).any()


def test_more_games_make_a_narrower_interval() -> None:
    """What rests on ten games is less certain than what rests on a thousand."""

    def spread(strength: float) -> float:
        replies = (BandReply(1, 0.5, 5, cp=0), BandReply(2, 0.5, 5, cp=200))
        values = found({0: theirs(*replies, strength=strength)}).positions[0][1:]
        return float(np.std(values))

    assert spread(10.0) > 5 * spread(1000.0)


RATES = st.lists(st.floats(0.05, 1.0), min_size=2, max_size=5)


@given(rates=RATES, cps=st.lists(st.integers(0, 400), min_size=5, max_size=5), strength=st.floats(20, 500))
def test_interval_holds_the_value(rates: Sequence[float], cps: Sequence[int], strength: float) -> None:
    """The best guess lies within what the draws span."""
    whole = max(1.0, sum(rates))
    replies = [
        BandReply(move, rate / whole, 1, cp=cp)
        for move, (rate, cp) in enumerate(zip(rates, cps, strict=False))
    ]

    values = found({0: theirs(*replies, strength=strength)}).positions[0]

    assert values[1:].min() - 1e-9 <= values[0] <= values[1:].max() + 1e-9


@given(rate=st.floats(0.0, 0.9), more=st.floats(0.001, 0.1), cp=st.integers(1, 500))
def test_value_rises_with_the_rate_of_a_losing_reply(rate: float, more: float, cp: int) -> None:
    """The more of them walk into the trap, the more our move is worth."""

    def worth(rate: float) -> float:
        trap, sound = BandReply(1, rate, 1, cp=cp), BandReply(2, 1.0 - rate, 1, cp=0)
        return guess(found({0: theirs(trap, sound)}))

    assert worth(rate + more) > worth(rate)


def test_few_games_do_not_float_to_the_top() -> None:
    """By lower bounds a trap seen in three games gives way to one that is a little weaker but well known."""
    tree: Tree = {
        0: ours(to(1, 10), to(2, 20)),
        10: theirs(BandReply(3, 0.55, 2, cp=300), BandReply(4, 0.45, 1, cp=0), strength=3.0),
        20: theirs(BandReply(5, 0.5, 500, cp=300), BandReply(6, 0.5, 500, cp=0), strength=1000.0),
    }

    by_guess = value(tree, 0, straight, draws=DRAWS, losing=0.1)
    by_bound = value(tree, 0, straight, draws=DRAWS, losing=0.1, confidence=0.9)

    assert (by_guess.chosen[0], by_bound.chosen[0]) == (1, 2)
    assert guess(by_bound) == pytest.approx(0.65)


def known_and_hardly_known(games: int) -> Tree:
    """1 is certain by the engine's verdict and 3 games; 2 scores more by so many games, or less."""
    return {
        0: ours(to(1, 10), to(2, 20)),
        10: TheirPosition(2, (), 3.0, games=3),
        20: TheirPosition(
            0, (BandReply(5, 0.1, 1, cp=100), BandReply(6, 0.9, 9, cp=0)), strength=20.0, games=games
        ),
    }


def test_bounds_are_not_compared_where_games_differ_a_hundredfold() -> None:
    """The move of the higher value is chosen though its bound is lower; the other is passed over."""
    few, many = (
        value(known_and_hardly_known(games), 0, straight, draws=DRAWS, losing=0.1, confidence=0.9)
        for games in (299, 300)
    )

    assert (few.chosen[0], few.passed_over) == (1, {})
    assert (many.chosen[0], many.passed_over) == (2, {0: 1})


class Steep:
    """A curve with a level of its own, as fits have."""

    def __init__(self, slope: float, level: float = 0.2) -> None:
        self.slope = slope
        self.level = level

    def expected(self, cp: npt.ArrayLike, gap: npt.ArrayLike = 0.0) -> npt.NDArray[np.float64]:  # noqa: ARG002 - of equals
        """Logistic in pawns."""
        return np.asarray(special.expit(self.level + self.slope * np.asarray(cp) / 100.0))


def test_engines_rule_is_certain() -> None:
    """A pawn is 0.64 in every draw; a mate is the whole point."""
    worth = engine_worth(3)

    assert worth(100) == pytest.approx([0.64, 0.64, 0.64, 0.64], abs=0.01)
    assert worth(9990).tolist() == [1.0] * 4


def test_what_one_side_gains_the_other_loses() -> None:
    """Equal positions are worth a half, and opposite ones add up to one, whatever the curve's level."""
    worth = curve_worth(Steep(0.4).expected, [Steep(0.3).expected, Steep(0.5).expected])

    assert worth(0) == pytest.approx([0.5, 0.5, 0.5])
    assert worth(150) + worth(-150) == pytest.approx([1.0, 1.0, 1.0])


def test_best_guess_comes_first_then_the_draws() -> None:
    """A steeper draw makes more of the same advantage."""
    guess, flat, steep = curve_worth(
        Steep(0.4, 0.0).expected, [Steep(0.3, 0.0).expected, Steep(0.5, 0.0).expected]
    )(100)

    assert guess == pytest.approx(special.expit(0.4))
    assert flat < guess < steep


def test_mate_in_two_is_certain_and_a_long_one_is_much() -> None:
    """Who was taught the line plays a short mate; a long one counts as a great advantage."""
    worth = curve_worth(Steep(0.1).expected, [])

    assert worth(9998).tolist() == [1.0]
    assert worth(-9999).tolist() == [0.0]
    assert worth(9988) == worth(2000)
    assert worth(9988)[0] < 1.0


def test_drawn_coefficients_scatter_as_their_covariance_says() -> None:
    """Their mean and covariance are those given, and they are always the same."""
    centre, covariance = np.array([0.1, 0.6]), np.array([[0.04, 0.01], [0.01, 0.09]])

    drawn = coefficients_drawn(centre, covariance, 20_000)

    assert drawn.mean(axis=0) == pytest.approx(centre, abs=0.01)
    assert np.cov(drawn.T) == pytest.approx(covariance, abs=0.005)
    assert (drawn == coefficients_drawn(centre, covariance, 20_000)).all()
