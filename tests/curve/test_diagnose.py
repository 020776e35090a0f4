"""Predicted and observed scores in bins."""

from __future__ import annotations

import numpy as np
import pytest

from miner.curve.diagnose import diagnose
from miner.curve.fit import curves_of
from miner.curve.rows import CurveRows
from tests.curve.drawn import NAMES, drawn, engine_rows

ADVANTAGES = (0.3, 0.7, 0.5)


def test_held_out_games_score_as_predicted() -> None:
    """In bins of a thousand games the mean error is two points in a hundred at most."""
    curves = curves_of(drawn(1, (10_000,) * 3, ADVANTAGES), engine_rows(), NAMES)

    told = diagnose(curves, drawn(2, (10_000,) * 3, ADVANTAGES))

    assert told["games"].sum() == pytest.approx(30_000)
    assert (told["games"] > 900).all()
    assert len(told) == 30
    assert told["error"].abs().mean() <= 0.02


def test_errors_are_those_of_the_standard_error() -> None:
    """Curves that are right miss by about one standard error: squared, by one on average."""
    curves = curves_of(drawn(3, (20_000,) * 3, ADVANTAGES), engine_rows(), NAMES)

    told = diagnose(curves, drawn(4, (2_000,) * 3, ADVANTAGES))

    assert 0.5 < ((told["error"] / told["standard_error"]) ** 2).mean() < 1.7


def test_wrong_curves_are_found_out() -> None:
    """Curves of players who make more of an advantage err in the outer bins."""
    curves = curves_of(drawn(5, (5_000,) * 3, (1.2,) * 3), engine_rows(), NAMES)

    told = diagnose(curves, drawn(6, (5_000,) * 3, (0.2,) * 3))

    best = told[told["bin"] == 10]
    assert (best["error"] > 0.05).all()


def test_equal_predictions_are_in_one_bin() -> None:
    """Where all games have one evaluation there is one bin."""
    rows = drawn(7, (300, 300, 0), ADVANTAGES)
    even = np.zeros(len(rows))
    level = CurveRows(rows.game, rows.band, even, even, rows.gap_known, rows.score, rows.weight)

    told = diagnose(curves_of(level, engine_rows(), NAMES), level)

    assert len(told) == 2
    assert told["games"].tolist() == pytest.approx([300.0, 300.0])


def test_no_games_no_rows() -> None:
    """Bands without games are left out, also if they are all."""
    none = drawn(8, (0, 0, 0), ADVANTAGES)

    assert diagnose(curves_of(none, engine_rows(), NAMES), none).empty
