"""A repertoire read from PGN."""

from __future__ import annotations

from pathlib import Path

import chess
import pytest

from miner.board.moves import pack
from miner.errors import SourceError
from miner.graph.repertoire import Repertoire, read_repertoire
from miner.terms import Side
from tests.stores import board_after, key_after


def repertoire_of(folder: Path, text: str, side: Side = Side.WHITE) -> Repertoire:
    """The repertoire in a file with that text."""
    file = folder / "repertoire.pgn"
    file.write_text(text, encoding="utf-8")
    return read_repertoire(file, side)


def moves_after(repertoire: Repertoire, moves: str) -> list[str]:
    """Our moves there, in SAN."""
    board = board_after(moves)
    return [board.san(move) for move in board.legal_moves if pack(move) in repertoire.at(key_after(moves))]


def test_variations_and_games_are_merged(tmp_path: Path) -> None:
    """Moves come from main lines and variations of all games; comments and results do not matter."""
    text = "1. e4 {ours} e5 (1... c5 2. Nf3) 2. Nf3 Nc6 3. Bc4 *\n\n1. e4 e6 2. d4 *\n"

    repertoire = repertoire_of(tmp_path, text)

    assert moves_after(repertoire, "") == ["e4"]
    assert moves_after(repertoire, "e4 e5") == ["Nf3"]
    assert moves_after(repertoire, "e4 c5") == ["Nf3"]
    assert moves_after(repertoire, "e4 e6") == ["d4"]
    assert len(repertoire.moves) == 5


def test_transposition_is_one_position(tmp_path: Path) -> None:
    """Moves written down after 1.d4 Nf6 2.c4 e6 hold after 1.c4 e6 2.d4 Nf6 as well."""
    repertoire = repertoire_of(tmp_path, "1. d4 Nf6 2. c4 e6 3. Nc3 *\n\n1. c4 e6 2. d4 Nf6 3. Nf3 *\n")

    assert sorted(moves_after(repertoire, "d4 Nf6 c4 e6")) == ["Nc3", "Nf3"]
    assert repertoire.at(key_after("c4 e6 d4 Nf6"))[0] == pack(chess.Move.from_uci("b1c3"))


def test_only_moves_of_the_side_count(tmp_path: Path) -> None:
    """A file for Black gives Black's moves."""
    repertoire = repertoire_of(tmp_path, "1. e4 c5 2. Nf3 d6 (2... Nc6) *\n", Side.BLACK)

    assert moves_after(repertoire, "e4") == ["c5"]
    assert sorted(moves_after(repertoire, "e4 c5 Nf3")) == ["Nc6", "d6"]
    assert len(repertoire.moves) == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1. e4 e5 *\n\n1. e4 e5 2. Ke3 *\n", "game 2: the game cannot be read"),
        ('[Variant "Atomic"]\n\n1. e4 *\n', "game 1: the game cannot be read: it is of a variant"),
        ('[FEN "nonsense"]\n[SetUp "1"]\n\n1. e4 *\n', "game 1: the game cannot be read"),
        ("", "no move for White"),
        ("a shopping list", "no move for White"),
    ],
)
def test_bad_file_is_told_of(tmp_path: Path, text: str, says: str) -> None:
    """An illegal move, a variant, a broken position and an empty file are errors that name file and game."""
    with pytest.raises(SourceError, match=says) as error:
        repertoire_of(tmp_path, text)

    assert "repertoire.pgn" in str(error.value)


def test_file_that_is_not_there_is_told_of(tmp_path: Path) -> None:
    """So is a missing file, and one that is no text."""
    (tmp_path / "picture.pgn").write_bytes(b"\x89PNG\xff\xfe")

    for name in ("none.pgn", "picture.pgn"):
        with pytest.raises(SourceError, match="cannot be read"):
            read_repertoire(tmp_path / name, Side.WHITE)
