"""Who made each move, looked up by SQL and by number."""

from __future__ import annotations

from pathlib import Path

import chess
import duckdb
import pytest

from miner.board.moves import unpack_move
from miner.store import Store
from miner.store.query import UNPACKED_SQL, Movers, create_views
from tests.stores import Game, read_store

GAMES = [
    Game(moves="e4 e5", result="0-1", white="Anna", white_rating=1500, black="Bert"),
    Game(moves="d4 d5", result="1/2-1/2", white="?", black="Anna", black_rating=1600),
    Game(moves="c4 c5", result="1-0", white="Bert", white_rating=900, black="Anna", black_rating=65_000),
]

EXPECTED = {
    "e2e4": (1500, 0, 0),
    "e7e5": (0, 1500, 2),
    "d2d4": (0, 1600, 1),
    "d7d5": (1600, 0, 1),
    "c2c4": (900, 65_000, 2),
    "c7c5": (65_000, 900, 0),
}
"""Rating, the opponent's rating and half points of who made the move."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """The games, read."""
    return read_store(tmp_path, GAMES)


def rows_of(store: Store) -> dict[str, tuple[int, ...]]:
    """By move in UCI: rating, opponent's rating, half points and player."""
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        rows = connection.sql("select move, rating, rating_other, score, player from movers").fetchall()
    return {unpack_move(move).uci(): tuple(told) for move, *told in rows}


def test_movers_by_sql(store: Store) -> None:
    """Each row of moves tells of the player who made the move, and of the other's rating."""
    assert {uci: told[:3] for uci, told in rows_of(store).items()} == EXPECTED


def test_one_player_has_one_number(store: Store) -> None:
    """Anna is the same player with either colour, Bert is another, and a nameless one is 0."""
    player = {uci: told[3] for uci, told in rows_of(store).items()}

    assert player["e2e4"] == player["d7d5"] == player["c7c5"]
    assert player["e7e5"] == player["c2c4"] != player["e2e4"]
    assert player["d2d4"] == 0


def test_movers_by_number_are_those_by_sql(store: Store, tmp_path: Path) -> None:
    """Looked up in the file and taken apart again, the movers are what the join gives."""
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        rows = connection.sql("from moves").to_arrow_table()
        packed = Movers.fill(connection, tmp_path / "spill" / "movers").of(
            rows["game"].to_numpy(), rows["ply"].to_numpy()
        )
        connection.register("packed", {"move": rows["move"].to_numpy(), "mover": packed})
        unpacked = connection.sql(f"select move, {UNPACKED_SQL} from packed").fetchall()

    found = {
        chess.Move.uci(unpack_move(move)): (rating, score, player) for move, player, rating, score in unpacked
    }
    assert found == {uci: (told[0], told[2], told[3]) for uci, told in rows_of(store).items()}
