"""What punishing adds, by one half of the games and seen in the other: benchmarks/punished.py."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchmarks.agreement import agreement, signs
from benchmarks.proofs import half_of
from benchmarks.punished import Followed, at_equal_ratings, counted, formulas, held
from benchmarks.replication import joined
from benchmarks.worlds import Setting, World, games_of, store_of
from miner.curve.fit import Curve, Curves
from miner.rank.parts import Parts
from miner.rank.results import answers_after

BAND, LOST = "1000-1199", 200
RULE = Curve(BAND, "engine", 0.0, ("level", "pawns"), np.array([0.0, np.log(10) / 4]), np.zeros((2, 2)))
GAIN = float(RULE.gain(0.0, -LOST)[0])
NOTHING_OWN = pd.DataFrame(
    {"part": [], "deviation": [], "apart": []}, index=pd.MultiIndex.from_arrays([[], []])
)


def followed(part: float, other: float | None = None, replies: int = 40, games: int = 60) -> Followed:
    """Games after replies that lose two pawns, half of which punish it and score so much of that more.

    In the second half of the games the part may be another.
    """
    random = np.random.default_rng(3)
    losing = pd.DataFrame({"key": np.arange(replies), "move": 1, "cp_best": 0, "cp_reply": -LOST})
    rows = losing.loc[np.repeat(np.arange(replies), games), ["key", "move"]].reset_index(drop=True)
    found = random.uniform(size=len(rows)) < 0.5
    second = half_of(np.arange(len(rows))) == 1
    value = 0.7 + np.where(second, part if other is None else other, part) * GAIN * (found - 0.5)
    rows = rows.assign(band=BAND, game=np.arange(len(rows)), found=found, gap=None)
    after = random.normal(value, 0.1).clip(0.02, 0.98)
    later = rows.assign(
        chosen=1, band_other=BAND, cp=-400.0 * np.log10(after / (1.0 - after)), score=0.0, gap=np.nan
    )
    games_after = rows.assign(score=(random.uniform(size=len(rows)) < value).astype(float))
    return Followed(losing, Curves({BAND: RULE}), games_after, later, Parts(0.5, 0.1, 0.0, NOTHING_OWN))


@pytest.mark.parametrize("part", [0.5, 1.2])
def test_one_half_foretells_the_other(part: float) -> None:
    """What is predicted and what is seen is the truth, by evaluations within a tenth."""
    results, later = map(joined, zip(*(held(followed(part), fitted) for fitted in (0, 1)), strict=True))

    by_later = agreement(later).to_dict("index")["all"]
    for column in ("predicted", "seen"):
        assert float(by_later[column].split()[0]) == pytest.approx(part * GAIN, rel=0.1)
    assert abs(float(agreement(results).to_dict("index")["all"]["off by"].split()[0])) < 3.0
    assert signs(later).right > 0.95


def test_nothing_of_what_is_foretold_has_a_hand_in_it() -> None:
    """Where punishing adds three times as much in one half, the other foretells a third of what is seen."""
    for fitted, (predicted, seen) in enumerate(((0.4, 1.2), (1.2, 0.4))):
        _, later = held(followed(0.4, 1.2), fitted)

        told = agreement(later).to_dict("index")["all"]
        assert float(told["predicted"].split()[0]) == pytest.approx(predicted * GAIN, rel=0.15)
        assert float(told["seen"].split()[0]) == pytest.approx(seen * GAIN, rel=0.15)


def test_what_the_rating_gap_is_worth_is_taken_off() -> None:
    """A game against somebody 400 points weaker: the score less what these are worth from there."""
    curve = Curve(
        BAND, "fitted", 100.0, ("level", "pawns", "gap"), np.array([0.0, 0.5, 2.0]), np.zeros((3, 3))
    )
    games = pd.DataFrame(
        {"key": [0, 0], "move": 1, "band": BAND, "score": 1.0, "gap": [400.0, None], "found": True}
    )

    told = at_equal_ratings(replace(followed(1.0), curves=Curves({BAND: curve})), games)["adjusted"]

    worth = curve.expected(LOST, 400.0) - curve.expected(LOST)
    assert told.to_list() == pytest.approx([1.0 - float(worth), 1.0])
    assert worth > 0.1


def test_games_of_a_store_are_those_that_rank_counts(tmp_path: Path) -> None:
    """The same games, points, gaps and squares as the stage has."""
    random = np.random.default_rng(2)
    world = World.drawn(random, Setting())
    store = store_of(world, games_of(world, random, 800), tmp_path)

    told = Followed.of(store)

    by = ["key", "move", "band", "found"]
    ours = counted(told.games).sort_values(by, ignore_index=True)
    theirs = answers_after(store, told.losing, store.bands).sort_values(by, ignore_index=True)
    assert len(ours) > 50
    assert len(told.later) > 50
    pd.testing.assert_frame_equal(ours[theirs.columns], theirs, check_dtype=False)


def test_what_is_told_of_finding_it_is_what_was_seen() -> None:
    """Half miss a punishment that adds all of the gain; of what the reply costs only half is lost."""
    told = formulas(followed(1.0))

    assert told["before"] == pytest.approx(0.5 * 0.5 * GAIN, rel=0.1)
    assert told["now"] == pytest.approx(0.5 * GAIN, rel=0.15)
    assert told["seen"] == pytest.approx(0.5 * GAIN, rel=0.15)


def test_sums_are_those_of_the_games() -> None:
    """Three games of one reply: two found it, at gaps of 0 and 100."""
    games = pd.DataFrame({"key": 1, "move": 2, "band": BAND, "found": [True, True, False]}).assign(
        score=[1.0, 0.0, 0.5], gap=[0.0, 100.0, np.nan]
    )

    rows = counted(games).set_index("found").to_dict("index")

    sums = ("games", "points", "scatter", "gap", "gap_scatter", "both_scatter")
    assert [rows[True][name] for name in sums] == [2, 1.0, 0.5, 50.0, 5_000.0, -50.0]
    assert [rows[False][name] for name in ("games", "scatter", "gap_scatter")] == [1, 0.0, 0.0]
