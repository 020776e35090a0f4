"""Points and bounds in a world whose truth is known: the small version of benchmarks/worlds.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks.worlds import Setting, World, games_of, lived, truth


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    """Six worlds of 6,000 games, on average."""
    folder = tmp_path_factory.mktemp("worlds")
    worlds = [lived(Setting(games=6_000), seed, folder / str(seed)) for seed in range(6)]
    return {name: float(np.mean([world[name] for world in worlds])) for name in worlds[0]}


@pytest.mark.slow
def test_bounds_are_met(told: dict[str, float]) -> None:
    """Of lower bounds that promise 95% about so many hold."""
    assert 0.91 <= told["bounds met: avoid"] <= 0.995
    assert told["punish"] >= 0.91


@pytest.mark.slow
def test_the_first_ten_deliver(told: dict[str, float]) -> None:
    """What stands at the top is worth what is claimed, although it was picked for that."""
    assert 0.85 <= told["first ten: avoid"] <= 1.3
    assert 0.85 <= told["first ten: punish"] <= 1.3


@pytest.mark.slow
def test_the_part_that_is_seen_is_the_true_one(told: dict[str, float]) -> None:
    """Where replies really cost what the curve says, that is what the games show."""
    assert told["part_observed"] == pytest.approx(1.0, abs=0.15)


def test_truth_is_what_the_games_show(tmp_path: Path) -> None:
    """The shares of a world's games are near its true ones."""
    random = np.random.default_rng(5)
    world = World.drawn(random, Setting())
    games = games_of(world, random, 4_000)

    at = int(np.argmax(world.likely))
    there = games[games["place"] == at]
    assert len(there) / len(games) == pytest.approx(world.likely[at], abs=0.02)
    true = truth(world)
    for reply, rate in zip(
        *(true.loc[true["place"] == at, name] for name in ("reply", "true_rate")), strict=True
    ):
        assert (there["reply"] == reply).mean() == pytest.approx(rate, abs=0.06)


def test_what_results_make_of_later_evaluations_scatters() -> None:
    """From reply to reply results count more or less of what is seen later, and so do true costs."""
    even, uneven = (
        World.drawn(np.random.default_rng(5), Setting(factor=0.6, factor_scatter=scatter))
        for scatter in (0.0, 0.2)
    )

    assert np.unique(even.factor).tolist() == [0.6]
    assert uneven.factor.mean() == pytest.approx(0.6, abs=0.02)
    assert uneven.factor.std() == pytest.approx(0.12, abs=0.02)
    assert np.corrcoef(uneven.factor.ravel(), uneven.punished.ravel())[0, 1] > 0.3
