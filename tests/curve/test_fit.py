"""Curves fitted to games that were drawn from known ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.curve.fit import Curve, Curves, curves_of
from miner.curve.rows import CurveRows, EngineRows
from miner.schema import CURVES
from miner.terms import UNRATED, expected_score
from tests.curve.drawn import NAMES, drawn, engine_rows

NO_ENGINE = EngineRows(np.zeros(0), np.zeros(0))


def test_known_curves_are_found() -> None:
    """Each band's advantage and the rating gap come out as they were put in."""
    curves = curves_of(drawn(1, (6_000, 6_000, 6_000), (0.3, 0.7, 0.5)), engine_rows(), NAMES)

    advantages = [curves.of(name).coefficients[1] for name in NAMES]
    assert advantages == pytest.approx([0.3, 0.7, 0.5], abs=0.06)
    assert curves.of("1500+").coefficients[2] == pytest.approx(1.7, abs=0.2)
    assert {curve.source for curve in curves} == {"fitted"}


def test_a_band_with_few_games_leans_on_the_others() -> None:
    """Thirty games of a band that is like the others give nearly the others' curve."""
    curves = curves_of(drawn(2, (5_000, 30, 5_000), (0.5, 0.5, 0.5)), engine_rows(), NAMES)

    assert curves.of("1500+").source == "fitted"
    assert curves.of("1500+").coefficients[1] == pytest.approx(0.5, abs=0.1)


def test_too_few_games_are_the_engines() -> None:
    """A band with five games has the engine's own expectation, and says so; it tells how many it had."""
    curve = curves_of(drawn(3, (500, 5, 500), (0.4, 0.4, 0.4)), engine_rows(), NAMES).of("1500+")

    assert curve.source == "engine"
    assert curve.games == pytest.approx(5.0)
    assert curve.expected(100.0) == pytest.approx(0.73, abs=0.01)


def test_a_small_store_is_the_engines() -> None:
    """Fewer games in all than can tell more than the engine does: nothing is fitted."""
    curves = curves_of(drawn(4, (40, 40, 40), (0.4, 0.4, 0.4)), engine_rows(), NAMES)

    assert {curve.source for curve in curves} == {"engine"}


@pytest.mark.parametrize("cp", [-300.0, -50.0, 0.0, 120.0])
def test_an_engine_without_its_own_expectation(cp: float) -> None:
    """It has the usual rule of engine testing."""
    none = drawn(5, (0, 0, 0), (0.4, 0.4, 0.4))

    curve = curves_of(none, NO_ENGINE, NAMES).of("0-1499")

    assert curve.expected(cp) == pytest.approx(expected_score(cp))


@given(
    st.integers(0, 40),
    st.sampled_from([0.0, 0.5, 1.0]),
    st.floats(-2_000, 2_000),
    st.floats(0, 2_000),
    st.floats(-900, 900),
)
def test_more_advantage_is_never_worth_less(
    games: int, result: float, cp: float, more: float, gap: float
) -> None:
    """Whatever happened in the games: here the worse a player stood the better he scored."""
    rows = drawn(6, (300, games, 0), (0.4, -3.0, 0.4))
    upside_down = CurveRows(rows.game, rows.band, -rows.cp, rows.gap, rows.gap_known, rows.score, rows.weight)
    curves = curves_of(upside_down, engine_rows(), NAMES)

    for curve in curves:
        assert curve.expected(cp + more, gap) >= curve.expected(cp, gap) - 1e-12


def test_a_mate_counts_as_very_much() -> None:
    """Mate in two is a little better than ten pawns, and no certain point against a beginner."""
    curve = curves_of(drawn(7, (3_000, 3_000, 0), (0.3, 0.6, 0.4)), engine_rows(), NAMES).of("0-1499")

    assert curve.expected(9_998.0) < 0.99
    assert curve.expected(9_998.0) > curve.expected(1_000.0)


def test_intervals_hold_the_true_score() -> None:
    """Of intervals of 90 % for the score at +100 about nine in ten hold it, each game counting once."""
    held = []
    for seed in range(80):
        advantages = np.random.default_rng(seed).normal(0.5, 0.1, size=3)
        curves = curves_of(drawn(100 + seed, (400, 400, 400), tuple(advantages)), engine_rows(), NAMES)
        for name, advantage in zip(NAMES, advantages, strict=True):
            low, high = curves.of(name).interval(100.0, 0.0, 0.9)
            truth = 1.0 / (1.0 + np.exp(-advantage * 10.0 * np.tanh(0.1)))
            held.append(low <= truth <= high)

    assert 0.85 <= np.mean(held) <= 0.95


def test_repeated_evaluations_of_a_game_are_no_evidence() -> None:
    """Ten judged replies of one game tell no more than one: intervals are as wide."""
    widths = []
    for replies in (1, 10):
        curves = curves_of(drawn(8, (800, 800, 0), (0.5, 0.5, 0.5), replies=replies), engine_rows(), NAMES)
        low, high = curves.of("1500+").interval(100.0)
        widths.append(float(high - low))

    assert widths[1] == pytest.approx(widths[0], rel=0.01)


def test_the_unrated_have_no_gap() -> None:
    """A rating difference changes nothing for players whose rating is not known."""
    curve = curves_of(drawn(9, (500, 500, 500), (0.5, 0.5, 0.5)), engine_rows(), NAMES).of(UNRATED)

    assert curve.expected(50.0, 300.0) == curve.expected(50.0)


def test_tables_hold_the_curves() -> None:
    """Written and read again the curves are the same."""
    curves = curves_of(drawn(10, (500, 3, 500), (0.5, 0.5, 0.5)), engine_rows(), NAMES)

    table = curves.to_table()
    again = Curves.from_table(table)

    assert table.schema.equals(CURVES)
    assert list(again.by_band) == list(NAMES)
    for before, after in zip(curves, again, strict=True):
        assert facts_of(before) == facts_of(after)


def facts_of(curve: Curve) -> tuple[object, ...]:
    numbers = (curve.coefficients.tolist(), curve.covariance.tolist())
    return (curve.band, curve.source, curve.games, curve.names, *numbers)


def test_shapes_are_kept() -> None:
    """Evaluations and gaps of any shapes that fit together give scores and bounds of that shape."""
    curve = curves_of(drawn(11, (500, 500, 0), (0.5, 0.5, 0.5)), engine_rows(), NAMES).of("1500+")

    expected = curve.expected(np.zeros((3, 1)), np.zeros(4))
    low, high = curve.interval(np.zeros((3, 1)), np.zeros(4))

    assert expected.shape == low.shape == high.shape == (3, 4)
    assert (low < expected).all()
    assert (expected < high).all()
