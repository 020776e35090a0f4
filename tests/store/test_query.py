"""Parquet files as DuckDB reads them, here and in a bucket; and who made each move in them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import chess
import duckdb
import numpy as np
import pyarrow as pa
import pytest

from miner.board.moves import unpack_move
from miner.errors import StoreError
from miner.store import Store, query, write_parquet
from miner.store.places import Location, Remote, located
from miner.store.query import UNPACKED_SQL, Movers, create_views
from tests.buckets import Line
from tests.stores import Game, read_store

FILES, ROWS = 3, 200_000


@pytest.fixture(params=["folder", "memory", "s3"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Location:
    """A folder with some files of numbers that go up, in groups of rows."""
    if request.param != "folder":
        pytest.importorskip("fsspec", reason="fsspec is not installed (the extra `remote`)")
    urls = {"folder": str(tmp_path / "a [*] folder"), "memory": f"memory://{tmp_path.name}"}
    place = located(urls.get(request.param) or request.getfixturevalue("bucket"))
    place.mkdir(parents=True)
    for number in range(FILES):
        write_parquet(place / f"{number}.parquet", numbers(number), row_group_size=ROWS // 10)
    return place


def numbers(file: int) -> pa.Table:
    value = np.arange(file * ROWS, (file + 1) * ROWS)
    return pa.table({"value": value, "noise": np.random.default_rng(file).integers(0, 1 << 60, ROWS)})


def test_all_files_of_a_folder_are_read(folder: Location) -> None:
    """By several threads at once, column by column, and each row is there once."""
    with query.connected({"threads": "4"}) as connection:
        query.parquet(connection, folder).create_view("numbers")
        found = connection.sql("select count(*), sum(value), bit_xor(noise) from numbers").fetchall()

    noise = np.concatenate([numbers(file)["noise"].to_numpy() for file in range(FILES)])
    count = FILES * ROWS
    assert found == [(count, count * (count - 1) // 2, np.bitwise_xor.reduce(noise))]


def test_no_bar_of_duckdb_is_drawn() -> None:
    """A slow query draws nothing between our own lines, also where DuckDB would do so."""
    program = (
        "from miner.store import query\nwith query.connected() as connection:\n"
        "    print(connection.sql(\"select current_setting('enable_progress_bar')\").fetchall())"
    )

    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert ended.stdout == "[(False,)]\n"


def test_one_file_is_read(folder: Location) -> None:
    """Though others lie beside it."""
    with query.connected() as connection:
        [(low, high)] = (
            query.parquet(connection, folder / "1.parquet").aggregate("min(value), max(value)").fetchall()
        )

    assert (low, high) == (ROWS, 2 * ROWS - 1)


def test_only_what_is_asked_for_is_fetched(s3: Line, bucket: str) -> None:
    """Of groups of rows that cannot hold what is wanted nothing is fetched but what the file says of them."""
    place = located(bucket)
    for number in range(FILES):
        write_parquet(place / f"{number}.parquet", numbers(number), row_group_size=ROWS // 50)
    with query.connected() as connection:
        query.parquet(connection, place).create_view("numbers")
        before = s3.requests

        found = connection.sql("select noise from numbers where value = 7").fetchall()

    assert found == [(numbers(0)["noise"][7].as_py(),)]
    assert s3.requests - before < 20


def test_what_cannot_be_fetched_is_told_as_it_was(bucket: str) -> None:
    """DuckDB tells of it in words of its own; ours name the place and what to do."""
    place = located(bucket)
    assert isinstance(place, Remote)
    write_parquet(place / "0.parquet", numbers(0))

    def count() -> None:
        with query.connected() as connection:
            query.parquet(connection, place).create_view("numbers")
            (place / "0.parquet").unlink()
            connection.sql("select sum(noise) from numbers").fetchall()

    with pytest.raises(StoreError, match=r"^s3://club/.*/0\.parquet: the file is gone.*; run the same again"):
        count()


GAMES = [
    Game(moves="e4 e5", result="0-1", white="Anna", white_rating=1500, black="Bert"),
    Game(moves="d4 d5", result="1/2-1/2", white="?", black="Anna", black_rating=1600),
    Game(moves="c4 c5", result="1-0", white="Bert", white_rating=900, black="Anna", black_rating=3_900),
]

EXPECTED = {
    "e2e4": (1500, 0, 0),
    "e7e5": (0, 1500, 2),
    "d2d4": (0, 1600, 1),
    "d7d5": (1600, 0, 1),
    "c2c4": (900, 3_900, 2),
    "c7c5": (3_900, 900, 0),
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
        with Movers.fill(connection, tmp_path / "spill" / "movers") as movers:
            packed = movers.of(rows["game"].to_numpy(), rows["ply"].to_numpy())
        connection.register("packed", {"move": rows["move"].to_numpy(), "mover": packed})
        unpacked = connection.sql(f"select move, {UNPACKED_SQL} from packed").fetchall()

    found = {
        chess.Move.uci(unpack_move(move)): (rating, score, player) for move, player, rating, score in unpacked
    }
    assert found == {uci: (told[0], told[2], told[3]) for uci, told in rows_of(store).items()}


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_the_file_of_movers_is_mapped_no_longer_than_needed(store: Store, tmp_path: Path) -> None:
    """Some systems delete no file that is mapped, nor the folder in which it lies."""
    maps = Path("/proc/self/maps")
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        with Movers.fill(connection, tmp_path / "movers"):
            during = maps.read_text(encoding="utf-8").count(f"{tmp_path}/movers")
        after = maps.read_text(encoding="utf-8").count(f"{tmp_path}/movers")

    assert (during, after) == (1, 0)
