"""Whole games from every kind of source, by where the tables say they stand."""

from __future__ import annotations

import bz2
import gzip
import lzma
import zipfile
from collections.abc import Callable
from pathlib import Path

import chess
import pytest
import zstandard

from miner.follow.wins import moves_of_text, read_whole, source_of
from miner.means import Means
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Store
from tests.stores import Game, pgn_of

LONG = "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6 O-O Be7 Re1 b5 Bb3 d6 c3 O-O h3 Nb8 d4 Nbd7"
GAMES = [
    Game(moves=LONG, result="1-0"),
    Game(moves="d4 d5 c4 e6 Nc3 Nf6", result="0-1"),
    Game(moves="c4 {Grüße} e5 (c5 Nf3) g3 $1 Nf6", result="1-0"),
]


def store_of(folder: Path, source: Path) -> Store:
    """A store of which only two plies of each game are kept."""
    store = Store.create(folder / "store")
    read([str(source)], store, ReadSettings(plies=2), Means(processes=1))
    return store


def lines_of(store: Store) -> dict[int, str]:
    """The whole games in SAN, by number."""
    games, read_from = store.read_table("games").to_pandas(), store.require("read").inputs["sources"]
    whole, _ = read_whole(games, read_from, lambda: None)
    return {number: san_of(moves) for number, moves in sorted(whole.items())}


def san_of(moves: tuple[chess.Move, ...]) -> str:
    board = chess.Board()
    return " ".join([board.san_and_push(move) for move in moves])


WANTED = {0: LONG, 1: "d4 d5 c4 e6 Nc3 Nf6", 2: "c4 e5 g3 Nf6"}


@pytest.mark.parametrize("suffix", ["pgn", "pgn.gz", "pgn.bz2", "pgn.xz", "pgn.zst", "zip"])
def test_every_kind_of_source(suffix: str, tmp_path: Path) -> None:
    """Games come back whole from a plain file, a compressed one, and the members of an archive."""
    source, text = tmp_path / f"games.{suffix}", pgn_of(GAMES).encode()
    packers: dict[str, Callable[[bytes], bytes]] = {
        "pgn": bytes,
        "pgn.gz": gzip.compress,
        "pgn.bz2": bz2.compress,
        "pgn.xz": lzma.compress,
        "pgn.zst": zstandard.ZstdCompressor().compress,
    }
    if suffix == "zip":
        with zipfile.ZipFile(source, "w") as archive:
            archive.writestr("a/first.pgn", pgn_of(GAMES[:1]))
            archive.writestr("b/rest.pgn", pgn_of(GAMES)[len(pgn_of(GAMES[:1])) + 1 :])
    else:
        source.write_bytes(packers[suffix](text))

    assert lines_of(store_of(tmp_path, source)) == WANTED


@pytest.mark.parametrize("line_end", ["\r\n", "\r"])
def test_other_line_ends(line_end: str, tmp_path: Path) -> None:
    """Byte ranges hold for files of other systems."""
    source = tmp_path / "games.pgn"
    source.write_bytes(b"\xef\xbb\xbf" + pgn_of(GAMES).replace("\n", line_end).encode())

    assert lines_of(store_of(tmp_path, source)) == WANTED


def test_source_that_is_gone_or_changed(tmp_path: Path) -> None:
    """Neither is read; the same file is again once it is back."""
    source = tmp_path / "games.pgn"
    source.write_text(pgn_of(GAMES), encoding="utf-8")
    store = store_of(tmp_path, source)
    text = source.read_text(encoding="utf-8")

    source.write_text(text.replace("Nc6", "Nf6"), encoding="utf-8")  # as long as before
    changed = lines_of(store)
    source.unlink()
    gone = lines_of(store)
    source.write_text(text, encoding="utf-8")

    assert (changed, gone) == ({}, {})
    assert lines_of(store) == WANTED


def test_standard_input_is_gone() -> None:
    """What was read from standard input cannot be read again."""
    assert source_of("standard input") is None


def test_moves_of_a_text() -> None:
    """Comments, variations, NAGs and blank lines aside; as far as the moves can be played."""
    assert san_of(
        moves_of_text(b'[White "A"]\n\n\n1. e4 {a\n\nb} e5 (1... c5 2. Nf3)\n\n2. Nf3! $3 Nc6 1-0\n')
    ) == ("e4 e5 Nf3 Nc6")
    assert san_of(moves_of_text(b"1. e4 e5 2. Ke3 Nc6 *")) == "e4 e5"
    assert moves_of_text(b"") == ()


@pytest.mark.parametrize(
    "tags",
    [
        b'[Event "x"]\n[White "Nf3"]\n\n',
        b'[Event "x"] [White "Nf3"] ',
        b'   [Event "x"]\r\n   [White "Nf3"]\r\n   \r\n   ',
        b'[Event"x"][White"Nf3"]\n\n\n',
        b"",
    ],
)
def test_moves_of_a_game_however_its_tags_are_written(tags: bytes) -> None:
    """No word of a tag is taken for a move, and what stands behind the tags is read."""
    moves = moves_of_text(tags + b"1. e4 e5 2. Nc3 1-0\n")

    assert [move.uci() for move in moves] == ["e2e4", "e7e5", "b1c3"]
