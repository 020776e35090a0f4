"""Motifs counted: games, players, who finds the answer, and how finely a motif is told."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from miner.scan.motifs import count_motifs, with_motifs
from miner.schema import MOTIFS
from miner.terms import BandScheme

BANDS = BandScheme((1000,))
LOW, HIGH = BANDS.names[:2]


def moment(game: int, player: int, **more: Any) -> dict[str, Any]:
    """White errs in his third move, against a stronger player who finds the answer."""
    usual = {
        "ply": 4,
        "band": LOW,
        "band_other": HIGH,
        "player_other": 100 + game,
        "found": True,
        "found_best": True,
        "loss": 0.3,
        "pattern": "double attack",
        "piece": "N",
        "square": "c7",
    }
    return usual | {"game": game, "player": player} | more


def games_of(count: int, *, players: int = 0) -> pd.DataFrame:
    """Games of weak White players, so many different ones (0: each another), with strong ones."""
    numbers = np.arange(count)
    return pd.DataFrame(
        {
            "game": numbers,
            "white_player": numbers % players + 1 if players else numbers + 1,
            "black_player": numbers + 100,
            "white_rating": 900,
            "black_rating": 1500,
        }
    )


def rows_of(moments: list[dict[str, Any]], games: pd.DataFrame) -> dict[tuple[str, str], dict[str, Any]]:
    """The rows of `motifs` by band and motif."""
    table = pd.DataFrame(moments)
    counted = count_motifs(with_motifs(table), games, BANDS, 0.9)
    assert list(counted.columns) == MOTIFS.names
    return {(row["band"], row["motif"]): row for row in counted.to_dict("records")}  # type: ignore[misc]


def test_motif_is_told_as_finely_as_five_players_fell_for_it() -> None:
    """Five on c7, one on f7, one by a queen: each by the finest grain that has five players."""
    c7 = [moment(game, game + 1) for game in range(5)]
    f7, queen = moment(5, 6, square="f7"), moment(6, 7, piece="Q", square="e5")
    other = moment(7, 8, pattern="pin", piece="B", square="b5")

    told = with_motifs(pd.DataFrame([*c7, f7, queen, other]))["motif"].tolist()

    assert told == [*["double attack: knight on c7"] * 5, "double attack: knight", "double attack", "pin"]


def test_one_player_is_no_five() -> None:
    """Who falls for it again and again is one player; of players who are not known each is another."""
    one = [moment(game, 1) for game in range(5)]
    unknown = [moment(game, 0) for game in range(5)]

    assert with_motifs(pd.DataFrame(one))["motif"].tolist() == ["double attack"] * 5
    assert with_motifs(pd.DataFrame(unknown))["motif"].tolist() == ["double attack: knight on c7"] * 5


def test_games_of_a_hundred() -> None:
    """10 of 50 games; one with two such mistakes counts once; the strong players fell for none."""
    moments = [moment(game, game + 1) for game in range(10)] + [moment(0, 1, ply=8)]

    rows = rows_of(moments, games_of(50))

    row = rows[LOW, "double attack"]
    assert (row["games_scanned"], row["games"], row["players"], row["per_100"]) == (50, 10, 10, 20.0)
    assert 10 < row["per_100_low"] < 20 < row["per_100_high"] < 32
    together = rows["all", "double attack"]
    assert (together["games_scanned"], together["games"], together["per_100"]) == (100, 10, 10.0)
    assert rows[HIGH, "double attack"]["games"] == 0


def test_who_finds_it_is_told_of_the_band_that_punishes() -> None:
    """Of ten chances of strong players six were taken, four in the best way; a game that ends is none."""
    found = [True] * 6 + [False] * 4
    best = [True] * 4 + [False] * 6
    moments = [
        moment(game, game + 1, found=was_found, found_best=was_best)
        for game, (was_found, was_best) in enumerate(zip(found, best, strict=True))
    ]

    rows = rows_of([*moments, moment(10, 11, found=None, found_best=None)], games_of(20))

    row = rows[HIGH, "double attack: knight on c7"]
    assert (row["chances"], row["found"], row["found_best"]) == (10, 6, 4)
    assert (row["find_rate"], row["best_rate"]) == (0.6, 0.4)
    assert row["find_rate_low"] < 0.45 < 0.75 < row["find_rate_high"]
    assert np.isnan(rows[LOW, "double attack"]["find_rate"])  # nobody of them could punish it
    assert rows[LOW, "double attack"]["games"] == 11


def test_few_players_give_a_wider_interval() -> None:
    """Ten games of two players who fall for it each time tell less than those of ten."""
    of_many = rows_of([moment(game, game + 1) for game in range(10)], games_of(50))
    of_two = rows_of([moment(game, game % 2 + 1) for game in range(0, 50, 5)], games_of(50, players=10))

    def width(rows: dict[tuple[str, str], dict[str, Any]]) -> float:
        row = rows[LOW, "double attack"]
        return float(row["per_100_high"] - row["per_100_low"])

    assert width(of_two) > 1.2 * width(of_many)


def test_gain_is_the_mean() -> None:
    """What it costs, on average over the games."""
    rows = rows_of([moment(0, 1, loss=0.2), moment(1, 2, loss=0.4)], games_of(4))

    assert rows[LOW, "double attack"]["gain"] == pytest.approx(0.3)


def test_whether_it_recurs_is_told_of_the_whole_sample() -> None:
    """Five players fell for it, four of them weak: it recurs in each band's row, whoever they are."""
    moments = [moment(game, game + 1) for game in range(4)]
    strong = moment(4, 105, ply=5, band=HIGH, band_other=LOW, player_other=5)

    five, four = rows_of([*moments, strong], games_of(10)), rows_of(moments, games_of(10))

    assert [five[band, "double attack"]["recurs"] for band in ("all", LOW, HIGH)] == [True] * 3
    assert [five[band, "double attack"]["players"] for band in ("all", LOW, HIGH)] == [5, 4, 1]
    assert not four["all", "double attack"]["recurs"]


def test_what_it_costs() -> None:
    """The weak give away 0.3 in 20 of 100 games; the strong miss four of ten chances in as many games.

    Of five who fell for it none can be told who finds it: chances of one player are no band's.
    """
    moments = [moment(game, game + 1, found=game < 6, found_best=False) for game in range(10)]
    alone = [moment(game, game + 1, player_other=7, found=False) for game in range(5)]

    rows, few = rows_of(moments, games_of(50)), rows_of(alone, games_of(50))

    costs = {band: rows[band, "double attack"]["costs"] for band in (LOW, HIGH)}
    assert costs == {LOW: pytest.approx(20 * 0.3), HIGH: pytest.approx(100 * 0.4 * 10 / 50 * 0.3)}
    low = rows[HIGH, "double attack"]
    missed = 100 * (1 - low["find_rate_high"]) * 10 / 50
    assert low["costs_low"] == pytest.approx((low["per_100_low"] + missed) * 0.3)
    assert few[HIGH, "double attack"]["costs"] == 0.0
