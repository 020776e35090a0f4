"""`miner game`: a model game on the terminal, as PGN and to print."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import chess.pgn
import pytest

from tests.cli.conftest import NAMES, Told

Miner = Callable[..., Told]


@pytest.fixture
def number(club: Path, miner: Miner) -> str:
    """A model game of the first finding, as `miner show` names it."""
    named = re.search(r"Model games in the\s+store: (\d+)", miner("show", "--store", club, "1").out)
    assert named is not None
    return named[1]


def test_on_the_terminal(club: Path, miner: Miner, number: str, tmp_path: Path) -> None:
    """The game with what is said of it, and nobody's name."""
    told = miner(
        "game", number, "--store", club, "--nodes", "2000", "--cache", tmp_path / "cache", "--letters"
    )

    assert (told.code, told.err) == (0, "")
    assert told.out.startswith(f"Model game {number}: ")
    assert "1.e4 e5 2.Qh5" in told.out
    assert not any(name in told.out for name in NAMES)


def test_files(club: Path, miner: Miner, number: str, tmp_path: Path) -> None:
    """As PGN that can be read, and as PDF."""
    pytest.importorskip("typst", reason="PDF needs the extra `print`")
    to = tmp_path / "game.pgn", tmp_path / "game.pdf"

    arguments = ("--nodes", "2000", "--cache", tmp_path / "cache", "--to", to[0], "--to", to[1])
    told = miner("game", number, "--store", club, *arguments)

    assert (told.code, told.err) == (0, "")
    assert told.out.splitlines()[-2:] == [f"wrote {file} (1 game)" for file in to]
    game = chess.pgn.read_game(io.StringIO(to[0].read_text(encoding="utf-8")))
    assert game is not None
    assert (game.errors, game.headers["Round"]) == ([], number)
    assert to[1].read_bytes().startswith(b"%PDF")


def test_number_of_another_game(club: Path, miner: Miner) -> None:
    """One line says what to do, with exit code 2."""
    told = miner("game", "4000", "--store", club)

    assert (told.code, told.out) == (2, "")
    assert "game 4000 is no model game" in told.err
    assert len(told.err.splitlines()) == 1


def test_wrong_suffix(club: Path, miner: Miner, number: str) -> None:
    """It is told before an engine has worked."""
    told = miner("game", number, "--store", club, "--to", "game.docx")

    assert told.code == 2
    assert ".pgn, .pdf" in told.err


def test_choice(club: Path, miner: Miner, tmp_path: Path) -> None:
    """Without a number, what is worth most, and why: here a game with one stop, at which a rook is won."""
    told = miner("game", "--store", club, "--nodes", "1000", "--cache", tmp_path / "cache", "--top", "1")

    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("Model game ")
    assert "How do you punish 2...g6?" in " ".join(told.out.split())
