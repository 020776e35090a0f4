"""The rating formula that stands for gaps where the engine's curve does, against the regulations' table.

Source: FIDE Handbook B.02, table 8.1.1 (tests/external/data/rating_expectation.csv).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from miner.curve.fit import Curve, curves_of
from miner.curve.rows import EngineRows
from tests.curve.drawn import NAMES, drawn

TABLE = pd.read_csv(Path(__file__).parent / "data" / "rating_expectation.csv")


@pytest.fixture(scope="module")
def formula() -> Curve:
    """The curve of a store without games, by an engine without its own expectation."""
    none = drawn(1, (0, 0, 0), (0.0, 0.0, 0.0))
    return curves_of(none, EngineRows(np.zeros(0), np.zeros(0)), NAMES).of(NAMES[0])


def test_level_positions_score_as_the_regulations_expect(formula: Curve) -> None:
    """Up to 250 points the expectation is within two hundredths of the table's."""
    near = TABLE[TABLE["rating_difference"] <= 250]

    expected = formula.expected(0.0, near["rating_difference"].to_numpy())

    assert len(near) > 30
    assert np.abs(expected - near["expected_score"].to_numpy()).max() <= 0.02


def test_great_differences_level_off(formula: Curve) -> None:
    """Beyond, less is expected of the stronger than the table does, as amateurs' games have it."""
    far = TABLE[TABLE["rating_difference"] >= 400]

    expected = formula.expected(0.0, far["rating_difference"].to_numpy())

    assert (expected < far["expected_score"].to_numpy()).all()
    assert (expected > 0.85).all()
