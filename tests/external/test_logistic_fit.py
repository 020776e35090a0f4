"""The logistic fit and its clustered covariance against statsmodels.

Values computed with statsmodels 0.15.0: GLM, Binomial, freq_weights 0.5 each, cov_type "cluster" by game,
use_correction False.
"""

from __future__ import annotations

import numpy as np
import pytest

from miner.curve.fit import Sums, game_scatter, information, inputs_of, logistic
from miner.curve.rows import CurveRows

COEFFICIENTS = [0.20906411, 0.09220825, -0.51827486]  # level, advantage, gap
ERRORS = [0.32079475, 0.16074798, 0.79367577]  # by game
PLAIN_ERRORS = [0.37073138, 0.21502962, 0.89297088]  # were each game a coin

NOTHING_KNOWN = np.diag([1e-10, 1e-10, 1e-10, 1.0])  # all gaps are known here, so that column is empty


@pytest.fixture(scope="module")
def rows() -> CurveRows:
    """Thirty games with two judged replies each, by a rule that anybody can write down."""
    number = np.arange(60)
    game = number // 2
    return CurveRows(
        game=game,
        band=np.zeros(60, dtype=np.int64),
        cp=(((number * 37) % 41 - 20) * 15).astype(np.float64),
        gap=(((game * 53) % 61 - 30) * 10).astype(np.float64),
        gap_known=np.ones(60, dtype=np.bool_),
        score=np.array([0, 0.5, 1, 1, 0, 1, 0.5, 0, 0, 1, 1, 0.5])[(game * 5) % 12],
        weight=np.full(60, 0.5),
    )


def test_coefficients(rows: CurveRows) -> None:
    """Level, advantage and gap are those of statsmodels."""
    found = logistic(Sums(inputs_of(rows), rows.weight, rows.score), np.zeros(4), NOTHING_KNOWN)

    assert found[:3] == pytest.approx(COEFFICIENTS, abs=1e-6)


def test_an_advantage_that_would_be_negative_is_none(rows: CurveRows) -> None:
    """Evaluations turned round: the fit is the one that knows only level and gap."""
    turned, without = inputs_of(rows), inputs_of(rows)
    turned[:, 1], without[:, 1] = -turned[:, 1], 0.0
    unused = NOTHING_KNOWN + np.diag([0.0, 1.0, 0.0, 0.0])

    found = logistic(Sums(turned, rows.weight, rows.score), np.zeros(4), NOTHING_KNOWN)

    assert found[1] == 0.0
    assert found == pytest.approx(
        logistic(Sums(without, rows.weight, rows.score), np.zeros(4), unused), abs=1e-6
    )


def test_standard_errors(rows: CurveRows) -> None:
    """By the sandwich, a game being a cluster, and without it."""
    sums = Sums(inputs_of(rows), rows.weight, rows.score)
    found = logistic(sums, np.zeros(4), NOTHING_KNOWN)

    bread = np.linalg.inv(information(sums, found) + NOTHING_KNOWN)
    by_game = bread @ game_scatter(rows, found) @ bread

    assert np.sqrt(np.diag(by_game))[:3] == pytest.approx(ERRORS, abs=1e-6)
    assert np.sqrt(np.diag(bread))[:3] == pytest.approx(PLAIN_ERRORS, abs=1e-6)
