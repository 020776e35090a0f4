"""Advice as files: PGN for reading, CSV and Parquet for other programs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from miner.export.files import check_targets, write_file
from miner.steer.advice import COLUMNS, Advice
from miner.steer.pgn import pgn_bytes

_DECIMALS = 4


def csv_bytes(advice: Advice) -> bytes:
    """The choices as CSV: UTF-8, a header line, lines that end in CR LF; keys are 16 hexadecimal digits.

    Its texts are moves, so that no spreadsheet takes one for a formula.
    """
    told = advice.choices.assign(key=[f"{key:016x}" for key in advice.choices["key"].tolist()])
    text: str = told.to_csv(index=False, float_format=f"%.{_DECIMALS}f", lineterminator="\r\n")
    return text.encode()


def parquet_bytes(advice: Advice) -> bytes:
    """The choices as Parquet, each column with what it is."""
    table = pa.Table.from_pandas(advice.choices, preserve_index=False)
    schema = pa.schema([one.with_metadata({"is": COLUMNS[one.name]}) for one in table.schema])
    sink = pa.BufferOutputStream()
    pq.write_table(table.cast(schema).replace_schema_metadata(None), sink, compression="zstd")
    contents: bytes = sink.getvalue().to_pybytes()
    return contents


FORMATS: Mapping[str, Callable[[Advice], bytes]] = {
    ".pgn": pgn_bytes,
    ".csv": csv_bytes,
    ".parquet": parquet_bytes,
}
"""What makes a file's contents from advice, by the file's suffix."""


def check(targets: Sequence[Path]) -> None:
    """Raise ExportError if a target names no format or cannot be written; missing folders are made."""
    check_targets(targets, FORMATS)


def write(advice: Advice, targets: Sequence[Path]) -> None:
    """Write the advice to every target, in the format that its suffix names; each is whole or not there.

    Raises ExportError as `check` does, before the first is written.
    """
    check(targets)
    for target in targets:
        write_file(target, FORMATS[target.suffix.lower()](advice))
