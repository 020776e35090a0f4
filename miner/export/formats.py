"""Findings written to files in the formats that their suffixes name; each whole or not there."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

import pyarrow as pa

from miner.errors import ExportError, Place, UsageError, cause
from miner.export.epd import epd_bytes
from miner.export.lists import csv_bytes, json_bytes, parquet_bytes
from miner.export.pgn import pgn_bytes
from miner.export.xlsx import findings_xlsx
from miner.store import replacing

Subject = TypeVar("Subject")

FORMATS: Mapping[str, Callable[[pa.Table], bytes]] = {
    ".csv": csv_bytes,
    ".parquet": parquet_bytes,
    ".pgn": pgn_bytes,
    ".epd": epd_bytes,
    ".json": json_bytes,
    ".xlsx": findings_xlsx,
}
"""How a file's contents are made from the findings, by the file's suffix."""
NEEDS_EXTRA = ".xlsx"


def export(findings: pa.Table, targets: Sequence[Path]) -> None:
    """Write the findings, a table of the schema FINDINGS in the order of the list, to every target.

    All targets are checked before the first is written; missing folders are made. Each file is whole or not
    there, and the same findings give the same bytes.
    Raises UsageError for a suffix that names no format, ExportError for a target that cannot be written.
    """
    write_files(findings, targets, FORMATS)


def write_files(
    subject: Subject, targets: Sequence[Path], formats: Mapping[str, Callable[[Subject], bytes]]
) -> None:
    """Write something to every target in the format that its suffix names, each file whole or not there.

    Raises what `check_targets` does, before the first is written.
    """
    check_targets(targets, formats)
    for target in targets:
        write_file(target, formats[target.suffix.lower()](subject))


_NAME_A_FILE = "name a file in a folder you may write to"


def check_targets(targets: Sequence[Path], suffixes: Collection[str]) -> None:
    """Raise UsageError unless every target ends in one of the suffixes, ExportError unless it can be written.

    Missing folders are made, but none if a suffix is wrong.
    """
    for target in targets:
        check_suffix(target, suffixes)
    for target in targets:
        _make_folder(target, _NAME_A_FILE)
        if target.is_dir():
            raise _cannot_write(target, "it is a folder", _NAME_A_FILE)
        if not os.access(Path(os.path.realpath(target)).parent, os.W_OK):
            raise _cannot_write(target, "its folder is closed to you", _NAME_A_FILE)


def check_suffix(target: Path, suffixes: Collection[str]) -> None:
    """Raise UsageError unless the target ends in one of the suffixes."""
    suffix = target.suffix
    if suffix.lower() not in suffixes:
        raise UsageError(
            f"the suffix {suffix!r} names no format" if suffix else "the name has no suffix",
            where=Place(str(target)),
            advice=f"end the name in {', '.join(suffixes)}",
        )


def write_file(target: Path, contents: bytes, *, advice: str = _NAME_A_FILE) -> None:
    """Write a file that is whole or not there; missing folders are made, a link is followed.

    Raises ExportError with that advice if it cannot be written.
    """
    target = Path(os.path.realpath(target))
    _make_folder(target, advice)
    try:
        with replacing(target) as unfinished:
            unfinished.write_bytes(contents)
    except OSError as error:
        raise _cannot_write(target, cause(error), advice) from error


def _make_folder(target: Path, advice: str) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        in_the_way = isinstance(error, FileExistsError | NotADirectoryError)
        why = "a file stands where its folder should be" if in_the_way else cause(error)
        raise _cannot_write(target, why, advice) from error


def _cannot_write(target: Path, why: str, advice: str) -> ExportError:
    return ExportError(f"cannot be written: {why}", where=Place(str(target)), advice=advice)
