"""Parquet files as DuckDB reads them, here and in a bucket."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from miner.errors import StoreError
from miner.store import query, write_parquet
from miner.store.places import Location, Remote, located
from tests.buckets import Line

pytest.importorskip("fsspec", reason="fsspec is not installed (the extra `remote`)")

FILES, ROWS = 3, 200_000


@pytest.fixture(params=["folder", "memory", "s3"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Location:
    """A folder with some files of numbers that go up, in groups of rows."""
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
