"""Model games and plans as the store holds them."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.lesson.backing import PLAN_ROWS, read_backing
from miner.schema import MODEL_GAMES, PLANS
from miner.store import Store
from tests.export.examples import legal, vienna
from tests.stores import write_table

LEGAL = "e2e4 e7e5 g1f3 d7d6 f1c4 c8g4 b1c3 g7g6 f3e5 g4d1 c4f7 e8e7 c3d5"


def model(place: int, **changes: Any) -> dict[str, Any]:
    key, move = legal().reply
    row = {
        "key": key,
        "move": move,
        "place": place,
        "game": 7,
        "winner_rating": 1630,
        "loser_rating": 0,
        "date": "????.??.??",
        "result": "1-0",
        "moves": LEGAL,
        "reply_ply": 9,
        "quality": 0.01,
        "moments": [8, 10],
        "score": 1.0,
    }
    return row | changes


def plan(detail: str, share: float, players: str = "strongest") -> dict[str, Any]:
    key, move = legal().reply
    return {
        "key": key,
        "move": move,
        "players": players,
        "games": 12,
        "theme": "piece",
        "detail": detail,
        "from_square": "",
        "to_square": "",
        "share": share,
    }


def test_a_store_without_them(tmp_path: Path) -> None:
    """A store that was not followed up has neither."""
    backing = read_backing(Store.create(tmp_path / "store"))

    assert backing.model(legal()) is None
    assert backing.plan(legal()) == ()


def test_the_best_model_game(tmp_path: Path) -> None:
    """The game in the first place is taken, told without names and without an unknown date."""
    store = Store.create(tmp_path / "store")
    rows = [model(2, result="0-1"), model(1)]
    write_table(store, "model_games", pa.Table.from_pylist(rows, schema=MODEL_GAMES))

    game = read_backing(store).model(legal())

    assert game is not None
    assert game.sans[-4:] == ("Bxd1", "Bxf7+", "Ke7", "Nd5#")
    assert game.words() == "won by a player rated 1630, 1-0"
    assert dataclasses.replace(game, date="2024.??.??").words() == "2024, won by a player rated 1630, 1-0"
    assert read_backing(store).model(vienna()) is None


def test_the_strongest_players_plans(tmp_path: Path) -> None:
    """The commonest plans of the strongest players are told, at most four."""
    store = Store.create(tmp_path / "store")
    rows = [plan("pawn d5", 0.9, "1000-1199"), *(plan(f"knight f{rank}", rank / 10) for rank in range(1, 7))]
    write_table(store, "plans", pa.Table.from_pylist(rows, schema=PLANS))

    told = read_backing(store).plan(legal())

    assert len(told) == PLAN_ROWS
    assert told[0] == "knight f6 (60% of 12 won games)"


def test_plans_of_one_band(tmp_path: Path) -> None:
    """Without strongest players the band with most won games speaks, alone, and in words."""
    store = Store.create(tmp_path / "store")
    trade = {"theme": "exchange", "detail": "exchange bishop knight"}
    rows = [
        plan("pawn g3", 0.5, "1000-1199") | {"games": 6},
        plan("pawn h4", 0.4, "800-999") | {"theme": "pawn", "to_square": "h4"},
        plan("", 0.3, "800-999") | trade,
    ]
    write_table(store, "plans", pa.Table.from_pylist(rows, schema=PLANS))

    assert read_backing(store).plan(legal()) == (
        "pawn to h4 (40% of 12 won games)",
        "exchanges bishop for knight (30% of 12 won games)",
    )
