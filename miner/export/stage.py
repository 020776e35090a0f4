"""Write the findings to files in the formats that their suffixes name."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pyarrow as pa

from miner.errors import ExportError, Place
from miner.export.epd import epd_bytes
from miner.export.lists import csv_bytes, parquet_bytes
from miner.export.pgn import pgn_bytes
from miner.store import replacing

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
    for target in targets:
        _check_suffix(target)
    for target in targets:
        _check_place(target)
    for target in targets:
        contents = FORMATS[target.suffix.lower()](findings)
        try:
            with replacing(target) as unfinished:
                unfinished.write_bytes(contents)
        except OSError as error:
            raise _cannot_write(target, error.strerror or str(error)) from error


def _check_suffix(target: Path) -> None:
    if target.suffix.lower() not in FORMATS:
        raise ExportError(
            f"the suffix {target.suffix!r} names no format" if target.suffix else "the name has no suffix",
            where=Place(str(target)),
            advice=f"end the name in {', '.join(FORMATS)}",
        )


def _check_place(target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise _cannot_write(target, "a file stands where its folder should be") from error
    except OSError as error:
        raise _cannot_write(target, error.strerror or str(error)) from error
    if target.is_dir():
        raise _cannot_write(target, "it is a folder")
    if not os.access(target.parent, os.W_OK):
        raise _cannot_write(target, "its folder is closed to you")


def _cannot_write(target: Path, why: str) -> ExportError:
    return ExportError(
        f"cannot be written: {why}",
        where=Place(str(target)),
        advice="name a file in a folder you may write to",
    )
