"""Names that hold a terminal's control codes: they are written out in every line that a command prints."""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Told, in_process
from tests.faults.test_hostile_inputs import GOOD, many

CODES = "\x1b]0;caught\x07\x1b[2J\u202e"


def broken_member(folder: Path) -> Path:
    source = folder / "club.zip"
    with zipfile.ZipFile(source, "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr(f"{CODES}.pgn", GOOD)
    return source


def broken_file(folder: Path) -> Path:
    source = folder / f"{CODES}.pgn.gz"
    source.write_bytes(gzip.compress(many(50))[:-400])
    return source


def missing_file(folder: Path) -> Path:
    return folder / f"{CODES}.pgn"


@pytest.mark.parametrize(("make", "code"), [(broken_member, 1), (broken_file, 0), (missing_file, 1)])
def test_message_about_a_source(tmp_path: Path, make: Callable[[Path], Path], code: int) -> None:
    """Errors and warnings name the source, and leave the terminal as it is."""
    told = in_process("read", make(tmp_path), "--store", tmp_path / "store", "--processes", 1)

    assert told.code == code
    check(told.err)


def test_status_of_such_a_source(tmp_path: Path) -> None:
    """`miner status` lists it, and a setting that holds codes, too."""
    event = f"Open {CODES}"
    in_process(
        "read", broken_file(tmp_path), "--store", tmp_path / "store", "--processes", 1, "--event", event
    )

    told: Told = in_process("status", "--store", tmp_path / "store")

    assert told.code == 0
    check(told.out)


def check(text: str) -> None:
    assert "\\x1b]0;caught\\x07\\x1b[2J\\u202e" in text
    assert all(one.isprintable() or one == "\n" for one in text)
