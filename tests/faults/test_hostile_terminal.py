"""Names that hold a terminal's control codes: they are written out in every line that a command prints."""

from __future__ import annotations

import gzip
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.store import Store
from tests.cli.conftest import Told, command, in_process
from tests.conftest import ROOT
from tests.faults.test_hostile_inputs import GOOD, many

CODES = "\x1b]0;caught\x07\x1b[2J\u202e\nclub"


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


@pytest.mark.skipif(sys.platform == "win32", reason="no such names there")
def test_folder_whose_name_holds_a_line_break(tmp_path: Path) -> None:
    """Each thing that is told stays one line, also with the details of an error."""
    source, store = tmp_path / "games.pgn", tmp_path / "a\nb"
    source.write_bytes(GOOD)

    read = in_process("read", source, "--store", store, "--processes", 1)
    missing = in_process("show", "--store", store)
    verbose = in_process("read", broken_file(tmp_path), "--store", tmp_path / "other", "--verbose")

    assert read.code == 0
    assert [line.split()[0] for line in read.out.splitlines()] == ["read"]
    assert missing.err.count("\n") == 1
    assert "a\\nb: the stage `rank` has not been run here" in missing.err
    check(verbose.err)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a shell that closes files")
def test_closed_standard_input(tmp_path: Path) -> None:
    """Games and names are awaited there in vain: one line says so, and no store is made."""
    for words, said in (("read", "pipe the games in"), ("forget", "pipe the name in")):
        store = tmp_path / words
        if words == "forget":
            Store.create(store)
        options = ("--yes",) if words == "forget" else ()
        shell = ["sh", "-c", 'exec "$@" <&-', "sh", *command(words, "-", "--store", store, *options)]

        done = subprocess.run(shell, cwd=ROOT, capture_output=True, text=True, check=False)

        assert done.returncode in (1, 2)
        assert "the standard input is closed" in done.stderr
        assert said in done.stderr
        assert done.stderr.count("\n") == 1
        assert store.exists() == (words == "forget")


def check(text: str) -> None:
    assert "\\x1b]0;caught\\x07\\x1b[2J\\u202e\\nclub" in text
    assert all(one.isprintable() or one == "\n" for one in text)
