"""The proofs in benchmarks/proofs.py, on small databases drawn from known rates and curves."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from benchmarks.proofs import (
    by_habits,
    coverage,
    half_of,
    halves_of,
    log_losses,
    of_losing,
    places_of,
    places_together,
    small_stores,
    with_prior,
)
from benchmarks.worlds import Setting, World, games_of, store_of
from miner.read.stage import read
from miner.settings import ReadSettings, TallySettings
from miner.store import Store
from tests.stores import Game, read_store

SETTINGS = TallySettings(band_edges=(1200, 1600), min_games=10)
FIRST, ANSWERS = ("e4", "d4", "c4"), ("e5", "c5", "e6", "c6", "d5", "Nf6")
RATINGS = (1100, 1400, 1700)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Games of three bands whose first moves and answers differ a little from band to band."""
    random = np.random.default_rng(11)
    common = random.dirichlet(np.ones(6), size=3)
    games = []
    for number in range(3_000):
        band = int(random.integers(3))
        opening = int(random.choice(3, p=[0.5 - 0.1 * band, 0.3, 0.2 + 0.1 * band]))
        tilt = common[opening] * np.exp((0.0, 0.9, 0.4)[band] * np.linspace(-1, 1, 6))
        answer = ANSWERS[int(random.choice(6, p=tilt / tilt.sum()))]
        moves = f"{FIRST[opening]} {answer}"
        names = {"white": f"W{number % 700}", "black": f"B{number % 600}"}
        games.append(Game(moves=moves, white_rating=RATINGS[band], black_rating=RATINGS[band], **names))
    return read_store(tmp_path_factory.mktemp("proofs"), games)


def test_halves_are_halves() -> None:
    """About as many numbers fall into either half, and always the same."""
    halves = half_of(np.arange(10_000))

    assert 0.48 < halves.mean() < 0.52
    assert np.array_equal(halves, half_of(np.arange(10_000)))


@pytest.mark.parametrize("by", ["game", "player"])
def test_no_game_is_in_both_halves(store: Store, by: str) -> None:
    """At the start each game is in one half or the other."""
    halves = halves_of(store, SETTINGS, "game" if by == "game" else "player")

    start = np.flatnonzero(halves.choices.played.sum(axis=1) == halves.choices.played.sum(axis=1).max())[0]
    first, second = halves.choices.played[start].sum(), halves.played[start].sum()
    assert first + second == 3_000
    assert first > 1_000
    assert second > 1_000


def test_pooled_rates_tell_more_of_new_games(store: Store) -> None:
    """In every band the log loss is lower than by its own shares, and by those of all bands together."""
    losses = log_losses(halves_of(store, SETTINGS, "game"), SETTINGS.bands)

    assert losses["games"].sum() == pytest.approx(3_000, rel=0.1)
    assert (losses["raw_more"] > 0.0).all()
    assert (losses["together_more"] > 0.0).all()


def test_intervals_hold_on_new_games(store: Store) -> None:
    """Of the intervals of 90 % about nine in ten hold the other half; of 50 % about half."""
    places = places_of(halves_of(store, SETTINGS, "game"))

    assert len(places) > 50
    assert 0.8 < coverage(places, 0.9) <= 0.98
    assert 0.35 < coverage(places, 0.5) < 0.65


def test_replies_that_lose_are_foretold(tmp_path: Path) -> None:
    """In a world whose replies scatter about what is expected the other half has about as many."""
    random = np.random.default_rng(2)
    world = World.drawn(random, Setting())
    store = store_of(world, games_of(world, random, 3_000), tmp_path)

    told = of_losing(store, places_together(halves_of(store, TallySettings(), "game")), 1)

    [(replies, chosen, foretold)] = re.findall(r"(\d+), chosen (\d+) times, foretold ([\d.]+)$", told)
    assert int(replies) > 30
    assert float(foretold) == pytest.approx(int(chosen), rel=0.2)


@pytest.mark.slow
def test_real_games(shared: Path, tmp_path: Path) -> None:
    """Rated amateurs' games: the intervals hold, and pooled rates are best in each band with 200 games."""
    real = Store.create(tmp_path / "store")
    read([str(shared / "data" / "rated-dev.pgn.zst")], real, ReadSettings())
    halves = halves_of(real, TallySettings(), "game")

    losses = log_losses(halves, TallySettings().bands)
    enough = losses[losses["games"] >= 200]
    assert len(enough) >= 8
    assert (enough[["raw_more", "together_more"]] > 0.0).all(axis=None)
    assert 0.88 <= coverage(places_of(halves), 0.9) <= 0.92

    told, unchosen = by_habits(real, TallySettings())
    assert told["saved"] > 0.015
    assert told["saved"] > 3 * told["standard_error"]
    many = unchosen[unchosen["games"] >= 1000]
    assert len(many) >= 6
    assert (many["observed"] / many["foretold"]).between(0.75, 1.25).all()


@pytest.mark.slow
def test_intervals_of_small_stores(shared: Path, tmp_path: Path) -> None:
    """Of a thousand games, held against all other players: all replies, frequent and chief ones."""
    real = Store.create(tmp_path / "store")
    read([str(shared / "data" / "rated-dev.pgn.zst")], real, ReadSettings())

    told = small_stores(real, TallySettings(), games=1000, draws=3)["held"]

    assert told["all"] == pytest.approx(0.9, abs=0.02)
    assert told["3 games with the reply"] == pytest.approx(0.9, abs=0.02)
    assert told["rate (0.6, 1.0]"] == pytest.approx(0.9, abs=0.04)


def test_an_earlier_database_does_no_harm_where_it_lacks_positions(store: Store) -> None:
    """Where it knows the position a club's rates foretell more with it; elsewhere as much as without."""
    told = with_prior(store, TallySettings(band_edges=(1200, 1600), min_games=3), clubs=32)

    more = told["with_prior"] - told["alone"]
    assert more["known to it"] < 0.0
    assert more["lacking there"] < 0.02
