"""The tables of a store for whoever works with data: as frames of pandas, and by SQL."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

import chess
import numpy as np

from miner.board.moves import unpack_move
from miner.errors import UsageError
from miner.schema import TABLES
from miner.store.query import band_sql, opened, parquet
from miner.store.store import FOLDERS, TABLES_OF, Store
from miner.terms import ALL_BANDS

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

PLACES = {"move": "key", "answer": "at"}
"""The columns of moves in 16 bits, and those of the positions in which they are made."""
BANDS = ("band", "band_other")
"""The columns of rating bands."""

_MACROS = """
create macro uci(move) as
    chr(97 + (move::integer >> 6 & 7)) || chr(49 + (move::integer >> 9 & 7))
    || chr(97 + (move::integer & 7)) || chr(49 + (move::integer >> 3 & 7))
    || case move::integer >> 12 & 7
        when 2 then 'n' when 3 then 'b' when 4 then 'r' when 5 then 'q' else '' end;
create macro hex_key(key) as printf('%016x', key::ubigint);
"""


def frame_of(store: Store, name: str) -> pd.DataFrame:
    """A table of a store, a row for a row.

    Beside each column of moves in 16 bits stand the same in UCI and, where the position is known, SAN, such
    as `move_uci` and `move_san`; null: it is one of too few games to be in `positions`. Bands are ordered
    categories, weakest first, then `unrated` and names of several together. Beside the ratings of `games`
    stand their bands, once the store was tallied: `white_band` and `black_band`.
    Raises UsageError for a name that is none of `TABLES`, StoreError for one that was not made yet.
    """
    if name not in TABLES:
        raise UsageError(f"no table is called {name!r}", advice=f"the tables are {', '.join(TABLES)}")
    store.require(next(stage for stage, tables in TABLES_OF.items() if name in tables))
    frame: pd.DataFrame = store.read_table(name).to_pandas()
    for column, place in PLACES.items():
        if column not in frame:
            continue
        at = frame.columns.get_loc(column)
        assert isinstance(at, int), f"{column} stands twice in {name}"
        packed = frame[column].to_numpy()
        frame.insert(at + 1, f"{column}_uci", _ucis(packed))
        if place in frame:
            fens = _fens(store, name, place, frame)
            frame.insert(at + 2, f"{column}_san", _sans(frame[place].to_numpy(), packed, fens))
    if name == "games" and store.manifest("tally"):
        for side in ("white", "black"):
            at = frame.columns.get_loc(f"{side}_rating")
            assert isinstance(at, int)
            places = store.bands.places_of(frame[f"{side}_rating"].to_numpy())
            frame.insert(at + 1, f"{side}_band", _categories(np.array(store.bands.names)[places], store))
    for column in {*BANDS} & {*frame}:
        frame[column] = _categories(frame[column], store)
    return frame


def _categories(bands: Any, store: Store) -> Any:
    import pandas as pd

    names = store.bands.names
    together = sorted({*bands} - {*names})
    return pd.Categorical(bands, [*names, *together], ordered=True)


def _ucis(packed: Any) -> Any:
    moves, which = np.unique(packed, return_inverse=True)
    return np.array([unpack_move(int(move)).uci() for move in moves], dtype=object)[which]


def _fens(store: Store, name: str, place: str, frame: pd.DataFrame) -> Mapping[int, str]:
    """The FEN of each position that is known, by its key."""
    if place == "key" and "fen" in frame and "at" not in frame:
        return dict(zip(frame["key"], frame["fen"], strict=True))
    source, key = ("followed", "at") if place == "at" else ("positions", "key")
    known = frame if name == source else store.read_table(source, [key, "fen"]).to_pandas()
    return dict(zip(known[key], known["fen"], strict=True))


def _sans(keys: Any, packed: Any, fens: Mapping[int, str]) -> Any:
    pairs = np.empty(len(keys), dtype=[("key", np.uint64), ("move", np.uint16)])
    pairs["key"], pairs["move"] = keys, packed
    each, which = np.unique(pairs, return_inverse=True)
    named = [san(fens[int(key)], int(move)) if int(key) in fens else None for key, move in each]
    return np.array(named, dtype=object)[which]


def san(fen: str, packed: int) -> str:
    """A move in 16 bits as SAN in its position; empty: it is not possible there."""
    board, move = _board(fen), unpack_move(packed)
    return board.san(move) if board.is_legal(move) else ""


@cache
def _board(fen: str) -> chess.Board:
    return chess.Board(fen)


def database_of(store: Store) -> duckdb.DuckDBPyConnection:
    """A DuckDB connection with a view of each table that the store holds now, by its name.

    Functions beside DuckDB's own: `uci(move)` and `san(fen, move)` for moves in 16 bits, `hex_key(key)` for
    keys as lists have them. Once the store was tallied, bands are values of the type `band`, in order as in
    `frame_of`, `band_of(rating)` gives one, and `games` has `white_band` and `black_band`.
    """
    connection = opened()
    connection.execute(_MACROS)
    connection.create_function("san", san, ["VARCHAR", "USMALLINT"], "VARCHAR")
    is_tallied = store.manifest("tally") is not None
    if is_tallied:
        names = ", ".join(f"'{name}'" for name in _band_names(store))
        connection.execute(f"create type band as enum ({names})")
        name_of = f"case when rating is not null then {band_sql(store.bands, as_name=True)} end"
        connection.execute(f"create macro band_of(rating) as ({name_of})::band")
    for name in TABLES:
        files = store.files(name)
        if name in FOLDERS and not files:
            # Of no files DuckDB cannot tell the columns.
            connection.register(name, TABLES[name].empty_table())
        elif name in FOLDERS or store.path(name).exists():
            rows = parquet(connection, store.path(name))
            (rows.project(_banded(name)) if is_tallied else rows).create_view(name)
    return connection


def _band_names(store: Store) -> list[str]:
    """Of all bands of the tally, and what else tables have: bands together, and those of an earlier tally."""
    columns = [
        (table, column)
        for table, schema in TABLES.items()
        for column in BANDS
        if column in schema.names and table not in TABLES_OF["tally"] and store.path(table).exists()
    ]
    others = {
        band
        for table, column in columns
        for band in store.read_table(table, [column])[column].unique().to_pylist()
    }
    return list(dict.fromkeys([*store.bands.names, ALL_BANDS, *sorted(others)]))


def _banded(name: str) -> str:
    """The columns of a table, those of bands as values of that type."""
    if name == "games":
        return "*, band_of(white_rating) as white_band, band_of(black_rating) as black_band"
    columns = [column for column in BANDS if column in TABLES[name].names]
    typed = ", ".join(f"{column}::band as {column}" for column in columns)
    return f"* replace ({typed})" if typed else "*"
