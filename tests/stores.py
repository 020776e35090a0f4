"""Small stores made from PGN text by the real stages, and their tables in a chess player's words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import chess
import chess.polyglot
import pyarrow as pa

from miner.board.moves import unpack_move
from miner.means import Means
from miner.read.stage import read
from miner.schema import METHODS, TABLES
from miner.settings import ReadSettings, TallySettings
from miner.store import Manifest, Store, digest_of, write_parquet
from miner.store.places import Location
from miner.tally.stage import tally

FIRST_DAY = date(2024, 1, 1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Game:
    """A game to be; moves in SAN with or without numbers."""

    moves: str
    result: str = "1-0"
    white: str = "Anna"
    black: str = "Bert"
    white_rating: int = 0
    black_rating: int = 0
    eco: str = ""
    opening: str = ""


def here(place: Location) -> Path:
    """The path of a place that is one of this machine."""
    assert isinstance(place, Path)
    return place


def write_table(store: Store, name: str, table: pa.Table) -> None:
    """Put a table in place by itself."""
    write_parquet(store.path(name), table.cast(TABLES[name]))


def finish(store: Store, manifest: Manifest) -> Manifest:
    """Have a stage count as finished, its tables being as they are."""
    names = [name for table in manifest.rows for name in store.files(table)]
    digests = {name: digest_of(store.root / name) for name in names}
    store.record(recorded := replace(manifest, digests=digests, method=METHODS[manifest.stage]))
    return recorded


def pgn_of(games: Iterable[Game]) -> str:
    """The games as PGN, each on a day of its own, so that none is a duplicate."""
    return "\n".join(_pgn(game, FIRST_DAY + timedelta(days=day)) for day, game in enumerate(games))


def _pgn(game: Game, day: date) -> str:
    tags = {
        "Event": "Club",
        "Site": "?",
        "Date": day.strftime("%Y.%m.%d"),
        "Round": "1",
        "White": game.white,
        "Black": game.black,
        "Result": game.result,
        "WhiteElo": str(game.white_rating or ""),
        "BlackElo": str(game.black_rating or ""),
        "ECO": game.eco,
        "Opening": game.opening,
    }
    optional = ("WhiteElo", "BlackElo", "ECO", "Opening")
    lines = [f'[{name} "{value}"]' for name, value in tags.items() if value or name not in optional]
    return "\n".join([*lines, "", f"{game.moves} {game.result}", ""])


def read_store(folder: Path, games: Iterable[Game], settings: ReadSettings | None = None) -> Store:
    """A store into which the games were read."""
    folder.mkdir(parents=True, exist_ok=True)
    source = folder / "games.pgn"
    source.write_text(pgn_of(games), encoding="utf-8")
    store = Store.create(folder / "store")
    read([str(source)], store, settings or ReadSettings(), Means(processes=1))
    return store


def tallied_store(folder: Path, games: Iterable[Game], settings: TallySettings | None = None) -> Store:
    """A store whose games are tallied, by default every position of them."""
    store = read_store(folder, games)
    tally(store, settings or TallySettings(min_games=1))
    return store


def board_after(moves: str) -> chess.Board:
    """The board after moves in SAN, space-separated, without numbers."""
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board


def key_after(moves: str) -> int:
    """The key of that board."""
    return chess.polyglot.zobrist_hash(board_after(moves))


def replies_after(store: Store, moves: str) -> dict[tuple[str, str], dict[str, Any]]:
    """The tallied replies there, by band and SAN."""
    board, key = board_after(moves), key_after(moves)
    return {
        (row["band"], board.san(unpack_move(row["move"]))): row
        for row in store.read_table("replies").to_pylist()
        if row["key"] == key
    }


def position_after(store: Store, moves: str) -> dict[str, Any]:
    """The row of `positions`."""
    [row] = [row for row in store.read_table("positions").to_pylist() if row["key"] == key_after(moves)]
    return dict(row)


def reach_after(store: Store, moves: str) -> dict[str, dict[str, Any]]:
    """The rows of `reach`, by band."""
    return {
        row["band"]: row for row in store.read_table("reach").to_pylist() if row["key"] == key_after(moves)
    }


def tables_of(store: Store, names: Sequence[str] = ("replies", "positions", "reach")) -> dict[str, Any]:
    """Whole tables as plain rows, to be compared."""
    return {name: store.read_table(name).to_pylist() for name in names}
