"""Mistakes as a coach makes them: one line that says what, where and what to do, and nothing left behind."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.schema import SCHEMA_VERSION
from tests.cli.conftest import QUICK, Told, in_process

Miner = Callable[..., Told]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, games: Path) -> Path:
    """The folder in which the coach works, with the club's games."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "games.pgn").write_bytes(games.read_bytes())
    return tmp_path


def check_refused(told: Told, code: int, *words: str) -> None:
    """One line, whose parts are there, and no traceback."""
    assert told.code == code, told
    assert told.err.startswith("miner: ")
    assert told.err.count("\n") == 1, told.err
    assert [word for word in words if word not in told.err] == [], told.err
    assert told.out == ""


@pytest.mark.parametrize("command", ["run", "read"])
@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("none.pgn", ["none.pgn: there is no such file or folder", "check the spelling"]),
        ("empty-folder", ["empty-folder: the folder holds no PGN files", ".pgn.zst"]),
        ("notes.txt", ["notes.txt: not known what kind of file this is", "rename"]),
        ("wide.pgn", ["wide.pgn: the text is UTF-16", "save it as UTF-8"]),
        ("locked.zip", ["locked.zip/a.pgn: the archive has a password", "unpack it yourself"]),
        ("broken.pgn.gz", ["broken.pgn.gz: the data cannot be decompressed", "copy or download"]),
    ],
)
def test_sources_are_looked_into_before_a_store_is_made(
    miner: Miner, desk: Path, engine: Path, command: str, source: str, words: list[str]
) -> None:
    """A source that cannot be read leaves no folder behind."""
    (desk / "empty-folder").mkdir()
    (desk / "notes.txt").write_text("1. e4", encoding="utf-8")
    (desk / "wide.pgn").write_text("1. e4", encoding="utf-16")
    (desk / "broken.pgn.gz").write_bytes(b"1. e4")
    with zipfile.ZipFile(desk / "locked.zip", "w") as archive:
        archive.writestr("a.pgn", "1. e4")
    locked = bytearray((desk / "locked.zip").read_bytes())
    for at in (6, locked.rindex(b"PK\x01\x02") + 8):  # the flags in both headers of the member
        locked[at] |= 1
    (desk / "locked.zip").write_bytes(locked)

    told = miner(command, source, "--store", "store", *(["--engine", engine] if command == "run" else []))

    check_refused(told, 1, *words)
    assert not (desk / "store").exists()


def test_band_of_another_scheme_leaves_no_store(miner: Miner, desk: Path, engine: Path) -> None:
    """A band that the tally will not have is told before a store is made."""
    told = miner("run", "games.pgn", "--store", "store", "--engine", engine, "--band", "900-1100")

    check_refused(told, 2, "no band is called 900-1100; the bands are 0-799, 800-999")
    assert not (desk / "store").exists()


def test_engine_that_is_not_there_leaves_no_store(miner: Miner, desk: Path) -> None:
    """So does a program that is none."""
    for engine in ("/nonexistent", "games.pgn"):
        told = miner("run", "games.pgn", "--store", "store", "--engine", engine)

        check_refused(told, 1, f"{engine} is no program that can be run", "--engine FILE or MINER_ENGINE")
    assert not (desk / "store").exists()


def test_folder_of_something_else(miner: Miner, desk: Path) -> None:
    """Neither a folder with other files nor a file is taken for a store."""
    (desk / "thesis").mkdir()
    (desk / "thesis" / "chapter.txt").write_text("mine", encoding="utf-8")

    check_refused(miner("read", "games.pgn", "--store", "thesis"), 1, "thesis: the folder is not empty")
    check_refused(miner("show", "--store", "thesis"), 1, "thesis: there is no store here; make one with")
    for place in ("games.pgn", "games.pgn/store"):
        told = miner("read", "games.pgn", "--store", place)
        check_refused(told, 1, f"{place}: cannot make a store: there is a file of that name", "empty or new")
    assert [one.name for one in (desk / "thesis").iterdir()] == ["chapter.txt"]


@pytest.mark.parametrize("command", [["show"], ["status"], ["rank"], ["export", "--to", "list.csv"]])
def test_store_of_a_newer_program(miner: Miner, desk: Path, command: list[str]) -> None:
    """It is told as newer by every command, and left as it is."""
    miner("read", "games.pgn", "--store", "store")
    path = desk / "store" / "read.json"
    newer = json.loads(path.read_text(encoding="utf-8"))
    newer |= {"schema_version": SCHEMA_VERSION + 1, "another": "thing"}
    path.write_text(json.dumps(newer), encoding="utf-8")

    told = miner(*command, "--store", "store")

    check_refused(told, 1, f"store: the store has schema version {SCHEMA_VERSION + 1}", "the newer program")
    assert json.loads(path.read_text(encoding="utf-8")) == newer


def test_export_that_cannot_be(club: Path, miner: Miner, desk: Path) -> None:
    """Wrong suffix, none, a folder of that name, a file where the folder should be: all before a byte."""
    (desk / "folder.csv").mkdir()
    for name, code, words in (
        ("list.xls", 2, "list.xls: the suffix '.xls' names no format; end the name in .csv"),
        ("list", 2, "list: the name has no suffix; end the name in .csv"),
        ("folder.csv", 1, "folder.csv: cannot be written: it is a folder"),
        ("games.pgn/list.csv", 1, "cannot be written: a file stands where its folder should be"),
    ):
        check_refused(miner("export", "--store", club, "--to", "good.csv", "--to", name), code, words)
    assert sorted(one.name for one in desk.iterdir()) == ["folder.csv", "games.pgn"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[read]\nplise = 12\n", ["[read]: no setting is called plise", "plies"]),
        ("[read]\nplies = '12'\n", ["[read], plies: '12' is no whole number", "status --settings"]),
        ("[read]\nevents = 'Cup'\n", ["[read], events: 'Cup' is not a list", "write [ ... ]"]),
        ("[reed]\nplies = 12\n", ["no table is called reed", "the tables are read"]),
        ("[read]\nplies 12\n", ["line 2", "status --settings"]),
        ("[judge]\nnodes = [9, 5]\n", ["[judge]: nodes 9, 5 do not rise", "the smallest first"]),
    ],
)
def test_settings_file_that_is_wrong(miner: Miner, desk: Path, text: str, words: list[str]) -> None:
    """File, table and setting are named, and no store is made."""
    (desk / "club.toml").write_text(text, encoding="utf-8")

    told = miner("read", "games.pgn", "--store", "store", "--settings", "club.toml")

    check_refused(told, 2, "settings file club.toml", *words)
    assert not (desk / "store").exists()


def test_settings_file_that_cannot_be_read(miner: Miner, desk: Path) -> None:
    """A file that is not there and a folder are told by their names, once."""
    (desk / "folder").mkdir()

    for name, why in (("none.toml", "No such file or directory"), ("folder", "Is a directory")):
        told = miner("read", "games.pgn", "--store", "store", "--settings", name)
        check_refused(told, 2, f"settings file {name}: {why}; name a file that is there")


@pytest.mark.parametrize("text", ["", "These are my notes on the club's evening.\n"])
def test_source_without_games(
    miner: Miner, desk: Path, engine: Path, caplog: pytest.LogCaptureFixture, text: str
) -> None:
    """An empty file and one that is no PGN are errors that name them; what is there beside them is read."""
    (desk / "empty.pgn").write_text(text, encoding="utf-8")

    ran = miner("run", "empty.pgn", "--store", "store", "--cache", "cache", "--engine", engine)
    both = miner("read", "empty.pgn", "games.pgn", "--store", "store")

    check_refused(ran, 1, "empty.pgn: no game is found")
    assert both.code == 0
    assert [line.startswith("empty.pgn: no game is found") for line in caplog.messages] == [True]


def test_filters_that_leave_no_game(miner: Miner, desk: Path, engine: Path) -> None:
    """The list says where to look, and the status why it is empty."""
    filters = ("--event", "World Championship")

    miner("run", "games.pgn", "--store", "store", "--cache", "cache", "--engine", engine, *filters)

    assert "miner status --store store tells why" in miner("show", "--store", "store").out
    assert "26 games seen: 26 filtered" in miner("status", "--store", "store").out


def test_games_without_ratings(miner: Miner, desk: Path, engine: Path) -> None:
    """Their players are a band of their own, and their mistakes are found."""
    lines = (desk / "games.pgn").read_text(encoding="utf-8").splitlines(keepends=True)
    (desk / "games.pgn").write_text("".join(one for one in lines if "Elo" not in one), encoding="utf-8")

    ran = miner("run", "games.pgn", "--store", "store", "--cache", "cache", "--engine", engine, *QUICK)
    shown = miner("show", "--store", "store")

    assert (ran.code, shown.code) == (0, 0)
    assert "4.Qxf7#" in shown.out
    assert "games of each band's players are unrated " in shown.out
    assert "2...g6" in shown.out


def test_file_that_is_named_twice(desk: Path) -> None:
    """It is read once, and a warning says so in the words of the other messages."""
    told = in_process(
        "read", desk / "games.pgn", f"{desk}/./games.pgn", "--store", desk / "store", "--processes", 1
    )

    assert told.code == 0
    assert "26 games seen: 26 kept" in told.out
    assert told.err == f"miner: {desk / 'games.pgn'} is named more than once; it is read once\n"
