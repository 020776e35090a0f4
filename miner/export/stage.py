"""Write the findings to files in the formats that their suffixes name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pyarrow as pa

from miner.export.epd import epd_bytes
from miner.export.files import check_targets, write_file
from miner.export.lists import csv_bytes, parquet_bytes
from miner.export.pgn import pgn_bytes

FORMATS: Mapping[str, Callable[[pa.Table], bytes]] = {
    ".csv": csv_bytes,
    ".parquet": parquet_bytes,
    ".pgn": pgn_bytes,
    ".epd": epd_bytes,
}
"""What makes a file's contents from the findings, by the file's suffix."""


def export(findings: pa.Table, targets: Sequence[Path]) -> None:
    """Write the findings, a table of the schema FINDINGS in the order of the list, to every target.

    All targets are checked before the first is written; missing folders are made. Each file is whole or not
    there, and the same findings give the same bytes.
    Raises ExportError for a suffix that names no format and for a target that cannot be written.
    """
    check_targets(targets, FORMATS)
    for target in targets:
        write_file(target, FORMATS[target.suffix.lower()](findings))
