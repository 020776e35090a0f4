"""The parts of gains that games show: by hand, and on replies whose parts are known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from miner.rank.parts import Differences, Parts, fit_parts

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

    assert told.mean == 1.0
    assert told.deviation == pytest.approx(0.5)
    assert told.of(table)[0][0] == 1.0
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
