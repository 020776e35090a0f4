"""The proofs in benchmarks/mistakes.py, on scans drawn from known rates."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from benchmarks.mistakes import (
    halves_of_motifs,
    log_losses,
    mistakes_by_band,
    places,
    rank_correlation,
)
from benchmarks.proofs import coverage
from miner.terms import ALL_BANDS, BandScheme

BANDS = BandScheme((1400,))
PATTERNS = ("pin", "skewer", "double attack", "trapped piece", "desperado", "mating net")
FALLS = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3)
FINDS = (0.3, 0.8, 0.5, 0.9, 0.4, 0.6)
GAMES = 3_000


def drawn(*, habits: bool = False) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Moments and games; White, the weaker half the time, falls for each pattern by its own rate.

    `habits`: in all games of a player, or in none.
    """
    random = np.random.default_rng(5)
    number = np.arange(GAMES)
    games = pd.DataFrame(
        {
            "game": number,
            "white_player": number % 600 + 1,
            "black_player": number % 700 + 1_001,
            "white_rating": np.where(number % 2, 1200, 1600),
            "black_rating": 1600,
        }
    )
    rows: list[dict[str, Any]] = []
    for pattern, falls, finds in zip(PATTERNS, FALLS, FINDS, strict=True):
        luck = random.uniform(size=GAMES)
        of_player = luck[(number % 600)] if habits else luck
        weak = np.where(number % 2, 1.0, 0.5)
        rows += [
            {
                "game": game,
                "ply": 4,
                "player": game % 600 + 1,
                "player_other": game % 700 + 1_001,
                "band": BANDS.name_of(1200 if game % 2 else 1600),
                "band_other": BANDS.name_of(1600),
                "pattern": pattern,
                "piece": "N",
                "square": "c7",
                "motif": pattern,
                "found": random.uniform() < finds,
                "found_best": False,
                "loss": 0.3,
                "key": 1,
                "move": PATTERNS.index(pattern),
                "fen": "4k3/8/8/8/8/8/8/4K2R w - - 0 1",
                "pv_reply": ["e1e2", "e8e7"],
                "answers": ["e8e7"],
            }
            for game in np.flatnonzero(of_player < falls * weak).tolist()
        ]
    return pd.DataFrame(rows).sort_values("game", ignore_index=True), games


@pytest.mark.parametrize("habits", [False, True])
def test_intervals_hold_the_other_half(habits: bool) -> None:
    """About 90 of 100, whether players repeat themselves or not."""
    both = halves_of_motifs(*drawn(habits=habits), BANDS)

    held = [coverage(places(both, "games", "games_scanned", "own", seed), 0.9) for seed in range(20)]

    assert 0.75 < np.mean(held) <= 1.0


def test_rates_of_both_halves_are_ranked_alike() -> None:
    """Patterns that differ so much come in the same order, falls and finds."""
    both = halves_of_motifs(*drawn(), BANDS)

    falls, by_chance, number = rank_correlation(both, "games", "games_scanned", 20, "games")
    finds, _, _ = rank_correlation(both, "found", "chances", 20, "chances")
    assert number == 3 * len(PATTERNS)  # each by pattern, piece and square
    assert falls > 0.95
    assert 0.9 < by_chance < 1.0
    assert finds > 0.7


def test_halves_are_of_players() -> None:
    """All games and mistakes are in one half or the other."""
    moments, games = drawn()

    both = halves_of_motifs(moments, games, BANDS)
    together = both[both["band"] == ALL_BANDS]

    coarse = together[together["piece"] == ""]
    assert (coarse["games_first"] + coarse["games_second"]).sum() == len(moments)
    assert set(together["games_scanned_first"] + together["games_scanned_second"]) == {2.0 * GAMES}
    assert together["games_scanned_first"].min() > 0.4 * 2 * GAMES


def test_log_loss_by_motif_and_model() -> None:
    """Both tell more than the mean where patterns differ; the model knows nothing else to go by."""
    losses = log_losses(*drawn()).mean()

    assert losses["motif"] < losses["mean"] - 0.02
    assert losses["model"] < losses["mean"] - 0.02


def test_mistakes_by_band() -> None:
    """The weak fall for each pattern twice as often; Black, who is strong, for none."""
    told = mistakes_by_band(*drawn(), BANDS).set_index("band")

    weak, strong = told.loc[BANDS.name_of(1200)], told.loc[BANDS.name_of(1600)]
    assert weak["mistakes"] == pytest.approx(sum(FALLS), abs=0.05)
    assert strong["mistakes"] == pytest.approx(sum(FALLS) / 6, abs=0.03)
    assert (weak["games"], strong["games"]) == (GAMES / 2, GAMES * 3 / 2)
    assert 0.005 < weak["error"] < 0.05
