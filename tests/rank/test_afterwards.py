"""Find rates pooled across bands, and model games in order, from small tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from miner.rank.afterwards import (
    find_rates_of,
    model_games,
    pooled_find_rates,
    punishments_of,
    told_rates,
    with_taught_lines,
)
from tests.export.examples import vienna
from tests.report.stores import written_store

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


def both_rates(*, several: bool, taught: int) -> dict[str, Any]:
    """The rates of 1000-1199, where 160 of 400 games by 90 players found an answer."""
    row = {**REPLY, "band": "1000-1199", "games": 400, "players": 90, "found": 160, "taught": taught}
    replies = pd.DataFrame([REPLY] if several else [], columns=list(REPLY)).astype("int64")
    told = find_rates_of(pd.DataFrame([row]), replies, BANDS, confidence=0.9)
    return {str(name): told.loc[told["band"] == "1000-1199", name].item() for name in told.columns}


def test_taught_answer_is_a_part_of_what_is_found() -> None:
    """Of 400 games 160 have a good answer, 72 the taught one: 40% and 18%."""
    rates = both_rates(several=True, taught=72)

    assert rates["find_rate"] == pytest.approx(0.4, abs=0.01)
    assert rates["best_rate"] == pytest.approx(0.18, abs=0.01)


def test_one_answer_has_one_rate() -> None:
    """Where only one move is good, to find it and to find the taught one is the same."""
    rates = both_rates(several=False, taught=160)

    assert rates["best_rate"] == rates["find_rate"]


def test_few_players_are_not_told_of() -> None:
    """Four players make no rate, five do."""
    columns = ("find_rate", "find_rate_low", "find_rate_high", "best_rate")
    rows = pd.DataFrame([dict.fromkeys(columns, 0.5) | {"find_players": players} for players in (4, 5)])

    told = told_rates(rows)

    for name in columns:
        assert told[name].isna().tolist() == [True, False]


def punishment(**changes: Any) -> dict[str, Any]:
    """A row of PUNISHMENTS about 3...exf4 in the Vienna: 4.e5 and 4.Qe2 are good, 4.e5 is taught."""
    key, move = vienna().reply
    row = {
        "key": key,
        "move": move,
        "answers": ["d1e2", "e4e5"],
        "kept": [1.0, 0.9],
        "cp": [90, 80],
        "taught": "e4e5",
        "line": ["e4e5", "f6g8", "d2d4"],
        "nodes": 1000,
        "defence": "d8e7",
        "defence_games": 12,
        "games_taught": 20,
        "against_defence": ["d1e2", "f6g8"],
    }
    return row | changes


def test_shown_line_begins_with_the_taught_answer(tmp_path: Path) -> None:
    """The engine's line by 4.Qe2 makes room for that of 4.e5, with the retreat that hangs on it; another
    reply, of which nothing is known, keeps its line, and so does one whose line is that of the taught answer.
    """
    key, move = vienna().reply
    store = written_store(tmp_path, [vienna()], {"punishments": [punishment()]})
    row = {"key": key, "move": move, "retreat": "f6g8", "retreat_loss": 0.2, "defences": ["e5f4 d1e2 f8e7"]}
    by_queen = row | {"pv_reply": ["e5f4", "d1e2"]}
    by_pawn = row | {"pv_reply": ["e5f4", "e4e5", "d8e7"]}

    shown = with_taught_lines(store, pd.DataFrame([by_queen, by_queen | {"move": 1}, by_pawn]))

    assert shown["pv_reply"].tolist() == [
        ["e5f4", "e4e5", "f6g8", "d2d4"],
        by_queen["pv_reply"],
        by_pawn["pv_reply"],
    ]
    assert shown["retreat"].tolist() == ["", "f6g8", "f6g8"]
    assert shown["retreat_loss"].isna().tolist() == [True, False, False]
    assert shown["knows_defences"].tolist() == [False, True, True]
    assert shown["defences"].map(list).tolist() == [[], row["defences"], row["defences"]]


def test_answers_in_san() -> None:
    """The answers, the best first, and what usually follows the taught one; no defence, no line."""
    rows = pd.DataFrame([punishment(fen=vienna().fen), punishment(fen=vienna().fen, defence="")])

    told = punishments_of(rows)

    assert told["answers"].tolist() == ["Qe2 e5"] * 2
    assert told["usual_line"].tolist() == ["e5 Qe7 Qe2", ""]
    assert told["usual_games"].tolist() == [12, 12]


def test_model_games_in_their_order() -> None:
    """The best model comes first, whatever the order of the table."""
    table = pd.DataFrame([{**REPLY, "place": 2, "game": 40}, {**REPLY, "place": 1, "game": 55}])

    assert model_games(table)["model_games"].tolist() == [[55, 40]]
