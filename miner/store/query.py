"""The Parquet files of a store as DuckDB reads them, and who made each move in them."""

from __future__ import annotations

import glob
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import duckdb
import numpy as np
import numpy.typing as npt

from miner.errors import MinerError
from miner.store.places import Location
from miner.store.store import Behind, Store
from miner.terms import BandScheme

_FAILURES: dict[int, list[MinerError]] = {}
"""The errors over remote files by connection: DuckDB itself keeps only their words."""
_GAMES_AT_ONCE = 1 << 20
_WHITES_SCORE = "(case result when '1-0' then 2 when '1/2-1/2' then 1 else 0 end)"
FAILURES = (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.InvalidInputException)
"""Errors that DuckDB raises where disk or memory are full, or a file is damaged."""


def opened(config: Mapping[str, str] | None = None) -> duckdb.DuckDBPyConnection:
    """A DuckDB connection that may be asked for `parquet`, for as long as somebody holds it."""
    connection = duckdb.connect(config=dict(config or {}))
    _FAILURES[id(connection)] = []
    # In a notebook without widgets there is no bar, and even turning it off is refused.
    if connection.execute("select current_setting('enable_progress_bar')").fetchall() == [(True,)]:
        connection.execute("set enable_progress_bar = false")
    return connection


@contextmanager
def connected(config: Mapping[str, str] | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """A DuckDB connection that may be asked for `parquet`.

    Raises StoreError for a remote file that cannot be fetched any more.
    """
    connection = opened(config)
    failures = _FAILURES[id(connection)]
    try:
        yield connection
    except duckdb.Error as error:
        if failures:
            raise failures[0] from error
        raise
    finally:
        del _FAILURES[id(connection)]
        connection.close()


def parquet(connection: duckdb.DuckDBPyConnection, place: Location) -> duckdb.DuckDBPyRelation:
    """The rows of a file whose name ends in .parquet, or of all such files of a folder."""
    if isinstance(place, Path):
        # A store's own name may hold characters that mean something in a pattern.
        escaped = glob.escape(str(place))
        return connection.read_parquet(escaped if place.suffix == ".parquet" else f"{escaped}/*.parquet")
    from miner.store.fetching import Files

    files = Files(place, _FAILURES[id(connection)])
    connection.register_filesystem(files)
    return connection.read_parquet(files.pattern)


def create_views(
    connection: duckdb.DuckDBPyConnection, moves: Location, games: Location, behind: Behind | None = None
) -> None:
    """The views `moves` and `games` over the files of these folders, and `movers`.

    With a database `behind` its games follow, by numbers from its `first` on.

    `movers` has the rows of `moves` with the mover, both ratings (0: none) and the mover's half points. It is
    for few rows, or those of some games; the movers of all rows are better looked up in `Movers`: a join
    would take all games into memory, for each key range.
    """
    for name, folder in (("moves", moves), ("games", games)):
        if behind is None:
            parquet(connection, folder).create_view(name)
            continue
        parquet(connection, folder).create_view(f"own_{name}")
        parquet(connection, getattr(behind, name)).create_view(f"other_{name}")
        connection.execute(
            f"""create view {name} as select * from own_{name} union all by name
                select * replace ((game + {behind.first})::uinteger as game) from other_{name}"""  # noqa: S608
        )
    connection.execute(f"""
        create view movers as
        select m.game, m.ply, m.key, m.move, g.result,
               case when m.ply % 2 = 0 then g.white_player else g.black_player end as player,
               case when m.ply % 2 = 0 then g.white_rating else g.black_rating end as rating,
               case when m.ply % 2 = 0 then g.black_rating else g.white_rating end as rating_other,
               (case when m.ply % 2 = 0 then {_WHITES_SCORE} else 2 - {_WHITES_SCORE} end)::utinyint as score
        from moves m join games g using (game)
    """)  # noqa: S608 - built from text of our own


def turn_sql(game: str) -> str:
    """An SQL expression by whose order games are as good as shuffled; it hangs on their numbers alone.

    So a sample of the first of them stays the same from call to call, and much of it as games are added.
    Source: D. Knuth, The Art of Computer Programming 3, section 6.4 (from memory), for the multiplier.
    """
    return f"({game}::ubigint * 2654435761 % 4294967296)"


def create_views_of(connection: duckdb.DuckDBPyConnection, store: Store) -> None:
    """The views of `create_views` over the games of a store, and behind them those of its prior.

    Raises what `Store.behind` does.
    """
    create_views(connection, store.path("moves"), store.path("games"), store.behind)


class Movers:
    """The movers of all games, 16 bytes a game, in a file that is mapped into memory piece by piece.

    Use as a context: some systems delete no file that is mapped.
    """

    def __init__(self, file: Path) -> None:
        """`file`: as `fill` has written it."""
        self._packed: npt.NDArray[np.uint64] = np.memmap(file, dtype=np.uint64, mode="r")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._packed = np.empty(0, np.uint64)  # the map goes with the last array over it

    @classmethod
    def fill(cls, connection: duckdb.DuckDBPyConnection, file: Path) -> Movers:
        """Put all movers into `file`, which is to be temporary, from the connection's view `games`."""
        [(games,)] = connection.sql("select coalesce(max(game), 0)::bigint + 1 from games").fetchall()
        file.parent.mkdir(parents=True, exist_ok=True)
        _allocate(file, games * 16)
        filled = np.memmap(file, dtype=np.uint64, mode="r+", shape=(games, 2))
        rows = connection.sql(
            f"""select game, white_player, black_player, white_rating, black_rating,
                       {_WHITES_SCORE}::utinyint as white_score,
                       (2 - {_WHITES_SCORE})::utinyint as black_score
                from games"""  # noqa: S608 - text of our own
        )
        for batch in rows.to_arrow_reader(_GAMES_AT_ONCE):
            game = batch["game"].to_numpy()
            for place, side in enumerate(("white", "black")):
                # Shifted here: DuckDB, which looks out for overflows, takes ten times as long.
                player, rating, score = (
                    batch[f"{side}_{what}"].to_numpy().astype(np.uint64)
                    for what in ("player", "rating", "score")
                )
                filled[game, place] = player << np.uint64(24) | rating << np.uint64(8) | score
        filled.flush()  # other machines may read it next
        del filled
        return cls(file)

    def of(self, games: npt.NDArray[np.uint32], plies: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint64]:
        """The movers of rows of `moves`, to be taken apart by `UNPACKED_SQL`."""
        return np.asarray(self._packed.take(games * np.intp(2) + (plies & 1)))


def _allocate(file: Path, size_bytes: int) -> None:
    """Make a file of zeros. Raises OSError on a full disk: to fill a mapped file there ends the process."""
    with file.open("wb") as allocated:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(allocated.fileno(), 0, size_bytes)
        else:
            allocated.truncate(size_bytes)


UNPACKED_SQL = """(mover >> 24)::uinteger as player, ((mover >> 8) & 65535)::usmallint as rating,
    (mover & 255)::utinyint as score"""
"""SQL for the columns that a column `mover` holds."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Resources:
    """The memory and threads that one run may use; they change no result."""

    memory_mb: int = 1024
    threads: int = 0  # 0: all cores


@contextmanager
def connected_to_games(
    moves: Location, games: Location, spill: Path, resources: Resources, behind: Behind | None = None
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A DuckDB connection with the views of `create_views`.

    It spills to the folder `spill` instead of failing, which is gone afterwards.
    """
    config = {"memory_limit": f"{resources.memory_mb}MB", "temp_directory": str(spill)}
    if resources.threads:
        config["threads"] = str(resources.threads)
    try:
        with connected(config) as connection:
            connection.execute("set preserve_insertion_order = false")
            create_views(connection, moves, games, behind)
            yield connection
    except (duckdb.InterruptException, RuntimeError) as error:
        # DuckDB takes Ctrl-C for itself and tells of it in its own words.
        if "interrupt" in str(error).lower():
            raise KeyboardInterrupt from error
        raise
    finally:
        shutil.rmtree(spill, ignore_errors=True)


def band_sql(bands: BandScheme, *, as_name: bool = False) -> str:
    """SQL that turns a rating into its band's place in `bands.names`, or into that name."""
    results = [f"'{name}'" if as_name else str(place) for place, name in enumerate(bands.names)]
    *below, strongest, unrated = results
    cases = " ".join(
        f"when rating < {edge} then {result}" for edge, result in zip(bands.edges, below, strict=True)
    )
    return f"case when rating = 0 then {unrated} {cases} else {strongest} end"
