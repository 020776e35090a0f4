"""Centipawns as points of the band."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import special

from miner.steer.leaves import coefficients_drawn, curve_worth, engine_worth


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
    worth = curve_worth(Steep(0.4), [Steep(0.3), Steep(0.5)])

    assert worth(0) == pytest.approx([0.5, 0.5, 0.5])
    assert worth(150) + worth(-150) == pytest.approx([1.0, 1.0, 1.0])


def test_best_guess_comes_first_then_the_draws() -> None:
    """A steeper draw makes more of the same advantage."""
    guess, flat, steep = curve_worth(Steep(0.4, 0.0), [Steep(0.3, 0.0), Steep(0.5, 0.0)])(100)

    assert guess == pytest.approx(special.expit(0.4))
    assert flat < guess < steep


def test_mate_in_two_is_certain_and_a_long_one_is_much() -> None:
    """Who was taught the line plays a short mate; a long one counts as a great advantage."""
    worth = curve_worth(Steep(0.1), [])

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
