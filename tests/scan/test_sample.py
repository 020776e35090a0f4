"""The sample: spread over the bands, the same whatever the order, kept when the store grows."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from miner.scan.sample import sampled, shares
from miner.terms import BandScheme

BANDS = BandScheme((1000, 1500))


def games_of(count: int, *, rated: int = 1200, first: int = 0) -> pd.DataFrame:
    """Games between players of one rating."""
    numbers = np.arange(first, first + count)
    return pd.DataFrame(
        {
            "game": numbers,
            "content": numbers.astype(np.uint64) * np.uint64(977) + np.uint64(1),
            "date": "2024.09.15",
            "result": "1-0",
            "state": "kept",
            "plies": 30,
            "white_player": 0,
            "black_player": 0,
            "white_rating": rated,
            "black_rating": rated,
        }
    )


def test_small_store_is_scanned_whole() -> None:
    """Fewer games than wanted: all; those without moves, and duplicates, are none."""
    games = games_of(10)
    games.loc[3, "state"] = "duplicate"
    games.loc[4, "plies"] = 0

    assert sampled(games, 50, BANDS)["game"].tolist() == [0, 1, 2, 5, 6, 7, 8, 9]
    assert len(sampled(games, 0, BANDS)) == 8  # no limit


def test_bands_get_as_many_each() -> None:
    """However many games a band has; where one has too few, the others get more."""
    games = pd.concat([games_of(400), games_of(60, rated=1600, first=400), games_of(5, rated=900, first=460)])

    taken = sampled(games, 85, BANDS)

    assert Counter(taken["white_rating"]) == {1200: 40, 1600: 40, 900: 5}
    assert shares(np.array([400, 60, 5]), 85).tolist() == [40, 40, 5]


def test_a_game_counts_for_either_player() -> None:
    """Of games between two bands about half count for each: neither band's players are left out."""
    games = games_of(2000).assign(black_rating=1700)

    taken = sampled(pd.concat([games, games_of(0)]), 1000, BANDS)
    even = np.sum(taken["white_rating"] == 1200)

    assert (len(taken), even) == (1000, 1000)


def test_order_of_reading_changes_nothing() -> None:
    """The same games under other numbers, read the other way round."""
    games = games_of(300)
    turned = games.iloc[::-1].assign(game=np.arange(300))

    assert set(sampled(games, 40, BANDS)["content"]) == set(sampled(turned, 40, BANDS)["content"])


def test_equal_moves_are_told_apart_by_ratings_date_and_result() -> None:
    """A short draw that many agree on: about half of them are taken, whatever they differ in."""
    games = games_of(200).assign(content=np.uint64(5))
    for differing in (
        {"white_rating": 1100 + np.arange(200) % 300},
        {"date": [f"2024.{day % 12 + 1:02}.{day % 28 + 1:02}" for day in range(200)]},
    ):
        taken = sampled(games.assign(**differing), 100, BandScheme((2000,)))

        assert 20 < np.sum(taken["game"] < 100) < 80


def test_grown_store_keeps_its_sample() -> None:
    """Of a store twice the size the new sample has, of the old games, only those of the old sample."""
    before = sampled(games_of(300), 60, BANDS)
    after = sampled(games_of(600), 60, BANDS)
    more = sampled(games_of(300), 90, BANDS)

    kept = set(after["game"]) & set(range(300))
    assert kept < set(before["game"])
    assert len(kept) > 15
    assert set(before["game"]) < set(more["game"])
