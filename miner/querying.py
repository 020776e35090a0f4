"""The Parquet files of a store as DuckDB reads them, wherever the store lies."""

from __future__ import annotations

import glob
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import duckdb

from miner.errors import MinerError
from miner.places import Location, Remote

_FAILURES: dict[int, list[MinerError]] = {}
"""What went wrong with the remote files of each connection, which DuckDB tells in words of its own."""


@contextmanager
def connected(
    config: Mapping[str, str | bool | int | float | list[str]] | None = None,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A DuckDB connection that may be asked for `parquet`.

    Raises StoreError for a remote file that cannot be fetched any more.
    """
    connection = duckdb.connect(config=dict(config or {}))
    failures = _FAILURES[id(connection)] = []
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
    return connection.read_parquet(_registered(connection, place))


def _registered(connection: duckdb.DuckDBPyConnection, place: Remote) -> str:
    from miner.fetching import Files

    files = Files(place, _FAILURES[id(connection)])
    connection.register_filesystem(files)
    return files.pattern
