"""Reading small texts into a store, for tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import chess.polyglot
import numpy as np
import pyarrow.parquet as pq
import pytest

from miner.core.library import Decoded, core
from miner.means import Means, ReaderName
from miner.pgn.batches import cut_pieces
from miner.pgn.ledger import BatchReader, Numbering
from miner.pgn.readers import Reader, make_reader
from miner.pgn.sources import Text
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Manifest, Store
from miner.terms import pack_move
from tests.stores import here

needs_compiled = pytest.mark.skipif(core() is None, reason="no core is there for this machine")
each_reader = pytest.mark.parametrize("reader", [pytest.param("compiled", marks=needs_compiled), "reference"])

Row = dict[str, Any]
SALT = 8 * b"salt"


@dataclass(frozen=True)
class Tables:
    """What a read left in its store."""

    manifest: Manifest
    games: list[Row]
    moves: list[Row]  # by game and ply

    @property
    def states(self) -> list[str]:
        """The ledger's states in reading order."""
        return [game["state"] for game in self.games]


def read_tables(
    folder: Path,
    sources: Sequence[Path | str],
    *,
    reader: ReaderName = "auto",
    processes: int = 1,
    salt: bytes = SALT,
    **settings: Any,
) -> Tables:
    """Read sources into a new store in `folder`."""
    store = Store.create(folder / "store")
    here(store.root / "salt").write_bytes(salt)
    manifest = read(
        [str(source) for source in sources],
        store,
        ReadSettings(**settings),
        Means(reader=reader, processes=processes),
    )
    return tables_of(store, manifest)


def tables_of(store: Store, manifest: Manifest) -> Tables:
    """The tables of a store that was read."""
    games = pq.read_table(store.path("games")).to_pylist()
    moves = pq.read_table(store.path("moves")).to_pylist()
    moves.sort(key=lambda row: (row["game"], row["ply"]))
    return Tables(manifest, sorted(games, key=lambda row: int(row["game"])), moves)


def read_text(folder: Path, text: str | bytes, **how: Any) -> Tables:
    """Read one PGN text into a new store in `folder`."""
    folder.mkdir(exist_ok=True, parents=True)
    source = folder / "games.pgn"
    source.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_tables(folder, [source], **how)


def read_in_memory(
    text: str, *, reader: ReaderName = "auto", batch_bytes: int = 1 << 20, **settings: Any
) -> tuple[list[Row], list[Row]]:
    """The rows of both tables, by the same functions as the stage but without a file or a process."""
    batch_reader = BatchReader(ReadSettings(**settings), SALT, make_reader(reader))
    numbering = Numbering()
    games: list[Row] = []
    moves: list[Row] = []
    for piece in cut_pieces(Text("games.pgn", iter([text.encode()])), batch_bytes):
        pending = batch_reader.read([piece])
        rows = pending.rows(numbering.answer(pending.report))
        games += rows.games.to_pylist()
        moves += rows.moves.to_pylist()
    return games, sorted(moves, key=lambda row: (row["game"], row["ply"]))


def decode(reader: Reader, *texts: bytes, width: int = 60) -> Decoded:
    """The plies of move texts."""
    ends = np.cumsum([len(text) + 1 for text in texts])
    return reader.decode(b"".join(text + b"\n" for text in texts), np.append(0, ends[:-1]), ends, width)


def decoded_plies(text: bytes) -> list[list[tuple[int, int, int]]]:
    """Ply, key and move of what each game of a text keeps at the most, whatever the tags say of it."""
    reader = make_reader("auto")
    games = reader.find_games(text, np.array([0]))
    decoded = reader.decode(text, games.moves, games.ends, 255)
    assert not decoded.is_illegal.any()
    plies: list[list[tuple[int, int, int]]] = [[] for _ in games.starts]
    for game, *row in zip(*(column.tolist() for column in decoded.visits), strict=True):
        plies[game].append((row[0], row[1], row[2]))
    return plies


def plies_of(moves: list[Row], game: int) -> list[tuple[int, int, int]]:
    """Ply, key and move of a game's rows."""
    return [(row["ply"], row["key"], row["move"]) for row in moves if row["game"] == game]


def game_text(moves: str, result: str = "1-0", **tags: str) -> str:
    """A game with the seven tags that the standard asks for, or others."""
    values = {
        "Event": "Club",
        "Site": "?",
        "Date": "2024.09.15",
        "Round": "1",
        "White": "Ada",
        "Black": "Bo",
        "Result": result,
        **tags,
    }
    lines = "".join(f'[{name} "{value}"]\n' for name, value in values.items())
    return f"{lines}\n{moves} {result}\n\n"


def expected_plies(game: chess.pgn.Game, width: int) -> list[tuple[int, int, int]]:
    """The rows that a game must leave, by python-chess alone."""
    board = game.board()
    met: set[int] = set()
    rows = []
    for ply, move in enumerate(game.mainline_moves()):
        if ply == width:
            break
        key = chess.polyglot.zobrist_hash(board)
        if key not in met:
            rows.append((ply, key, pack_move(move.from_square, move.to_square, move.promotion)))
        met.add(key)
        board.push(move)
    return rows
