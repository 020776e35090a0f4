"""The parts of gains that games show: by hand, and on replies whose parts are known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from miner.rank.parts import Differences, Parts, fit_by_later, fit_parts

RESULT = 0.2  # variance


def seen(gain: float, difference: float, games: float, *, expected: float | None = None) -> pd.DataFrame:
    """One reply, whose players scored so much less than the others."""
    row = {"key": 1, "move": 2, "band": "", "gain": gain, "expected": gain if expected is None else expected}
    return pd.DataFrame([row | {"difference": difference, "weight": games}])


def fitted(rows: pd.DataFrame) -> Parts:
    """The parts by these results."""
    return fit_parts(Differences(rows, RESULT), vague=0.5)


def drawn(seed: int, *, part: float, scatter: float, replies: int = 150) -> tuple[pd.DataFrame, Parts]:
    """Replies with true parts (column `true`), and what is made of the differences drawn for them."""
    random = np.random.default_rng(seed)
    gain, weight = random.uniform(0.08, 0.3, replies), random.uniform(3.0, 40.0, replies)
    true = random.normal(part, scatter, replies)
    difference = random.normal(true * gain, np.sqrt(RESULT / weight))
    rows = {"key": np.arange(replies), "move": 1, "band": "", "gain": gain, "expected": gain}
    table = pd.DataFrame(rows | {"difference": difference, "weight": weight, "true": true})
    return table, fitted(table)


@pytest.mark.parametrize("part", [0.3, 1.0])
def test_many_games_tell_the_part(part: float) -> None:
    """If a million games show a third of what the curve says, a third it is."""
    table = seen(0.2, part * 0.2, 1e6)

    assert fitted(table).of(table)[0][0] == pytest.approx(part, abs=0.01)


def test_few_games_leave_the_curve_alone() -> None:
    """Ten games of one reply say next to nothing, whatever they show."""
    told = fitted(seen(0.14, -0.5, 5.0))

    assert 0.6 < told.mean < 1.0
    assert told.deviation == pytest.approx(0.5, abs=0.05)


def test_nothing_seen() -> None:
    """The part that is expected beforehand, for each reply."""
    table = seen(0.2, 0.2, 1.0)

    told = fitted(table[:0])

    assert told.mean == pytest.approx(1.0)
    assert told.deviation == pytest.approx(0.5)
    assert told.of(table)[0][0] == pytest.approx(1.0)
    assert told.of(table)[1][0] > 0.5


def test_the_others_did_not_all_play_the_best_move() -> None:
    """Where they gave away half as much themselves, half the gain is all that can be seen of it."""
    many = pd.concat([seen(0.2, 0.1, 1e4, expected=0.1).assign(key=key) for key in range(50)])

    assert fitted(many).mean == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("scatter", [0.2, 0.4, 0.8])
def test_scatter_bounds_and_first_ten(scatter: float) -> None:
    """The scatter is found, 95% of bounds hold, and those told most of have what they are told to have."""
    told = [drawn(seed, part=0.8, scatter=scatter) for seed in range(20)]

    assert np.mean([fit.scatter for _, fit in told]) == pytest.approx(scatter, abs=0.07)
    met, first = [], []
    for table, fit in told:
        part, deviation = fit.of(table)
        met.append((table["true"] >= part - 1.645 * deviation).mean())
        ten = np.argsort(-part)[:10]
        first.append((table["true"].to_numpy()[ten].sum(), part[ten].sum()))
    assert 0.92 <= np.mean(met) <= 0.98
    true, claimed = np.sum(first, axis=0)
    assert true / claimed == pytest.approx(1.0, abs=0.06)


VALUE = 0.015  # variance of evaluations later on
LUCK = 0.9  # what results have of them


def drawn_later(
    seed: int, *, factor: float, scatter: float, replies: int = 150
) -> tuple[pd.DataFrame, Differences, Differences]:
    """Replies with true parts of results, and differences of results and of evaluations of the same games."""
    random = np.random.default_rng(seed)
    gain, weight = random.uniform(0.08, 0.3, replies), random.uniform(3.0, 30.0, replies)
    part = random.normal(1.0, scatter, replies)
    luck = random.normal(0.0, np.sqrt(VALUE / weight))
    left = random.normal(0.0, np.sqrt((RESULT - LUCK**2 * VALUE) / weight))
    rows = pd.DataFrame({"key": np.arange(replies), "move": 1, "band": "", "gain": gain, "expected": gain})
    rows = rows.assign(weight=weight, true=factor * part)
    results = rows.assign(difference=factor * part * gain + LUCK * luck + left)
    return rows, Differences(results, RESULT), Differences(rows.assign(difference=part * gain + luck), VALUE)


@pytest.mark.parametrize("factor", [0.2, 1.0])
def test_results_say_by_which_factor_evaluations_count(factor: float) -> None:
    """Where positions are seen to be lost, but points are not, the factor is small, and so are all parts."""
    fits = [
        fit_by_later(results, later, LUCK, 0.5)
        for _, results, later in (drawn_later(seed, factor=factor, scatter=0.4) for seed in range(20))
    ]

    told = [fit.by_later.factor for fit in fits if fit.by_later]
    assert np.mean(told) == pytest.approx(factor, abs=0.05)
    assert np.mean([fit.mean for fit in fits]) == pytest.approx(factor, abs=0.05)


@pytest.mark.parametrize("scatter", [0.0, 0.4])
def test_evaluations_tell_replies_from_each_other(scatter: float) -> None:
    """95% of bounds hold, more where replies are alike; the first ten deliver; results alone miss more."""
    met, first, off = [], [], []
    for seed in range(20):
        rows, results, later = drawn_later(seed, factor=0.8, scatter=scatter)
        fit, alone = fit_by_later(results, later, LUCK, 0.5), fit_parts(results, 0.5)
        part, deviation = fit.of(rows)
        true = rows["true"].to_numpy()
        met.append((true >= part - 1.645 * deviation).mean())
        ten = np.argsort(-part * rows["gain"])[:10]
        first.append(((true * rows["gain"])[ten].sum(), (part * rows["gain"])[ten].sum()))
        off.append([np.square(one.of(rows)[0] - true).mean() for one in (fit, alone)])
    by_both, by_results = np.mean(off, axis=0)
    assert 0.92 <= np.mean(met) <= (0.985 if scatter else 1.0)
    true_sum, claimed = np.sum(first, axis=0)
    assert true_sum / claimed == pytest.approx(1.0, abs=0.05)
    assert by_both < 0.8 * by_results


def test_luck_that_results_share_is_counted_once() -> None:
    """Nothing is lost, and evaluations only scatter: games that stood better by chance won more, no reply."""
    told = [
        fit_by_later(results, later, LUCK, 0.5).of(rows)[0]
        for rows, results, later in (drawn_later(seed, factor=0.0, scatter=0.3) for seed in range(20))
    ]

    assert np.mean(told) == pytest.approx(0.0, abs=0.04)
