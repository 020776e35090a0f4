"""Find rates pooled across bands, and model games in order, from small tables."""

from __future__ import annotations

import pandas as pd
import pytest

from miner.rank.afterwards import model_games, pooled_find_rates

BANDS = ("0-999", "1000-1199", "1200+", "unrated")
REPLY = {"key": 7, "move": 11}


def rates(
    *counted: tuple[str, int, int], players: int = 0, correlation: float = 0.0
) -> dict[str, tuple[float, float, float]]:
    """Low, rate and high by band, from band, games and found; `players` in each band, 0: not known."""
    rows = [
        {**REPLY, "band": band, "games": games, "players": players, "found": found}
        for band, games, found in counted
    ]
    told = pooled_find_rates(pd.DataFrame(rows), BANDS, confidence=0.9, correlation=correlation)
    columns = (told["find_rate_low"], told["find_rate"], told["find_rate_high"])
    return dict(zip(told["band"], zip(*columns, strict=True), strict=True))


def test_many_games_speak_for_themselves() -> None:
    """Of 400 games 100 have an answer that keeps the gain: a quarter, give or take 4%."""
    low, rate, high = rates(("1000-1199", 400, 100))["1000-1199"]

    assert rate == pytest.approx(0.25, abs=0.01)
    assert 0.20 < low < rate < high < 0.30


def test_games_of_few_players_count_for_less() -> None:
    """400 games of 10 players who mostly repeat themselves say less than 400 games of 400 players."""
    many = rates(("1000-1199", 400, 100), players=400, correlation=0.5)["1000-1199"]
    few = rates(("1000-1199", 400, 100), players=10, correlation=0.5)["1000-1199"]

    assert few[2] - few[0] > 2 * (many[2] - many[0])


def test_bands_lean_on_each_other() -> None:
    """Two games of juniors who both found it do not make 100%, where their elders mostly missed it."""
    told = rates(("0-999", 2, 2), ("1000-1199", 300, 60))

    assert told["1000-1199"][1] < told["0-999"][1] < 0.9
    assert told["0-999"][2] - told["0-999"][0] > told["1000-1199"][2] - told["1000-1199"][0]


def test_band_without_games_is_less_sure_still() -> None:
    """Who never met it is taken for like the others, but with the widest interval."""
    told = rates(("1000-1199", 300, 60))

    width = {band: high - low for band, (low, _, high) in told.items()}
    assert width["1000-1199"] < width["1200+"]
    assert told["1200+"][0] < told["1000-1199"][1] < told["1200+"][2]


@pytest.mark.parametrize(("games", "found"), [(3, 3), (5, 0), (1, 1)])
def test_few_games_of_one_kind_are_no_certainty(games: int, found: int) -> None:
    """Three of three found, or none of five: the rate lies inside an interval that leaves room for doubt."""
    low, rate, high = rates(("1000-1199", games, found))["1000-1199"]

    assert 0.0 <= low < rate < high <= 1.0
    assert high - low > 0.2


def test_replies_lean_on_what_is_usual() -> None:
    """Where most mistakes are punished, one game without a punishment does not make a reply safe."""
    usual = [
        {"key": key, "move": 1, "band": "1000-1199", "games": 50, "players": 0, "found": 40}
        for key in range(20)
    ]
    once = {"key": 99, "move": 1, "band": "1000-1199", "games": 1, "players": 0, "found": 0}

    told = pooled_find_rates(pd.DataFrame([*usual, once]), BANDS, confidence=0.9)

    assert 0.3 < told.loc[told["key"] == 99, "find_rate"].max() < 0.8


def test_nothing_is_known_of_nothing() -> None:
    """Without a game there is no row."""
    none = pd.DataFrame({name: [] for name in (*REPLY, "band", "games", "players", "found")})

    assert pooled_find_rates(none, BANDS, confidence=0.9).empty


def test_model_games_in_their_order() -> None:
    """The best model comes first, whatever the order of the table."""
    table = pd.DataFrame([{**REPLY, "place": 2, "game": 40}, {**REPLY, "place": 1, "game": 55}])

    assert model_games(table)["model_games"].tolist() == [[55, 40]]
