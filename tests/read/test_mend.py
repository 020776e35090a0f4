"""Files of games are made again from their sources."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.pgn import batches
from miner.read.mend import mend
from tests.growing import games_of, root_of, store_of


def test_rows_of_other_files_are_not_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One file of a large source is made again with no more than its own rows in memory."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 50_000)
    source = tmp_path / "club.pgn"
    source.write_text(games_of(1, 12_000))
    store = store_of(tmp_path / "store", [source])
    file = root_of(store) / "games" / "000001.parquet"
    written, rows = file.read_bytes(), pq.read_metadata(file).num_rows
    file.unlink()
    held: list[pa.Table] = []

    def read_and_tell(*given: Any, **how: Any) -> pa.Table:
        held.append(read_table(*given, **how))
        return held[-1]

    read_table = pq.read_table
    monkeypatch.setattr(pq, "read_table", read_and_tell)
    mend(store, {1})

    assert file.read_bytes() == written
    assert rows < store.require("read").rows["games"] / 2
    assert sum(one.num_rows for one in held if "source" in one.column_names) == rows
