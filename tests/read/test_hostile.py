"""Texts that no honest program writes, or that were cut off: they end in the ledger, not in a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.errors import SourceError
from miner.means import Means
from miner.pgn.movetext import main_line
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Store

GAME = (
    b'[Event "E"]\n[White "A"]\n[Black "B"]\n[Result "1-0"]\n[WhiteElo "1500"]\n\n1. e4 e5 2. Nf3 Nc6 1-0\n'
)


def ledger(tmp_path: Path, text: bytes) -> list[str]:
    source = tmp_path / "games.pgn"
    source.write_bytes(text)
    store = Store.create(tmp_path / "store")
    read([str(source)], store, ReadSettings(), Means(processes=1))
    states: list[str] = store.read_table("games", ["state"])["state"].to_pylist()
    return states


@pytest.mark.parametrize("text", [b"1-0", b"*", b"["])
def test_tiny_files_are_read(tmp_path: Path, text: bytes) -> None:
    """A file of a few bytes holds no game that is kept."""
    assert "kept" not in ledger(tmp_path, text)


@pytest.mark.parametrize("text", [b"", b"\n", b"\xef\xbb\xbf", b"1"])
def test_files_without_a_game(tmp_path: Path, text: bytes) -> None:
    """A file in which no game is found at all is an error that names it."""
    with pytest.raises(SourceError, match="no game is found"):
        ledger(tmp_path, text)


def test_file_may_be_cut_off_anywhere(tmp_path: Path) -> None:
    """A second game that breaks off at any byte does not lose the first one."""
    for end in range(len(GAME)):
        folder = tmp_path / str(end)
        folder.mkdir()

        assert ledger(folder, GAME + b"\n" + GAME[:end])[0] == "kept"


@pytest.mark.parametrize("tag", [b'[WhiteElo "%s"]', b'[TimeControl "%s"]', b'[TimeControl "60+%s"]'])
def test_numbers_of_any_length(tmp_path: Path, tag: bytes) -> None:
    """A rating or time of 5,000 digits is no reason to stop."""
    text = GAME.replace(b'[WhiteElo "1500"]', tag % (b"9" * 5_000))

    assert ledger(tmp_path, text) == ["kept"]


def test_deep_variations_take_one_pass() -> None:
    """A hundred thousand brackets, closed or not, are gone through once."""
    deep = 100_000

    assert main_line(b"1. e4 " + b"(" * deep + b" d4 " + b")" * deep + b" e5").split() == [
        b"1.",
        b"e4",
        b"e5",
    ]
    assert main_line(b"1. e4 " + b"(" * deep + b" d4 ").split() == [b"1.", b"e4"]
    assert main_line(b"1. e4 ) e5 (1... c5 (1... e6) 2. Nf3").split() == [b"1.", b"e4", b"e5"]


def test_known_utc_date_stands_in_for_an_unknown_one(tmp_path: Path) -> None:
    """Servers write the date of the first into the second."""
    text = GAME.replace(b'[White "A"]', b'[Date "????.??.??"]\n[UTCDate "2024.05.05"]\n[White "A"]')
    (tmp_path / "games.pgn").write_bytes(text)
    store = Store.create(tmp_path / "store")

    read([str(tmp_path / "games.pgn")], store, ReadSettings(since="2024"), Means(processes=1))

    assert store.read_table("games", ["state", "date"]).to_pylist() == [
        {"state": "kept", "date": "2024.05.05"}
    ]
