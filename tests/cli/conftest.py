"""The command line as a user has it: in this process, or as a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from miner.cli import main
from tests.conftest import ROOT
from tests.stores import Game, pgn_of

NAMES = [f"Pupil {number}" for number in range(1, 11)]

CLUB = [
    # 1.e4 e5 2.Qh5 g6 loses a rook to 3.Qxe5+, 2...Nc6 3.Bc4 Nf6 the king.
    *[
        Game(
            moves="e4 e5 Qh5 g6 Qxe5 Be7 Qxh8", result="1-0", black=name, white_rating=1100, black_rating=950
        )
        for name in NAMES
    ],
    *[
        Game(moves="e4 e5 Qh5 Nc6 Bc4 g6 Qf3 Nf6", result="0-1", black=name, black_rating=1250)
        for name in NAMES
    ],
    *[
        Game(
            moves="e4 e5 Qh5 Nc6 Bc4 Nf6 Qxf7", result="1-0", black=name, white_rating=1100, black_rating=950
        )
        for name in NAMES[:6]
    ],
]
RAIDS = ("a3", "a4", "b3", "c3", "d3", "g3", "h3", "h4", "Nc3", "Be2")
RAIDS_ANSWERED = ("a6", "a5", "b6", "a6", "a5", "b6", "a6", "a5", "b6", "a6")
QUICK = ("--nodes", "500,2000", "--min-games", "3", "--min-games-at-position", "3", "--processes", "1")
"""Enough for a lost rook and a mate in one."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a command left: its exit code and its two outputs."""

    code: int
    out: str
    err: str


@pytest.fixture(scope="session")
def games(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A PGN file with the club's games."""
    file = tmp_path_factory.mktemp("games") / "club.pgn"
    file.write_text(pgn_of(CLUB), encoding="utf-8")
    return file


@pytest.fixture
def miner(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Told]:
    """The command in this process: `miner("status", "--store", folder)`."""

    def run(*arguments: object) -> Told:
        monkeypatch.setattr(sys, "argv", ["miner", *map(str, arguments)])
        with pytest.raises(SystemExit) as leaving:
            main()
        told = capsys.readouterr()
        return Told(int(leaving.value.code or 0), told.out, told.err)

    return run


def command(*arguments: object) -> list[str]:
    """The command line of a process of its own; warnings are errors there, too."""
    return [sys.executable, "-W", "error", "-m", "miner.cli", *map(str, arguments)]


def in_process(*arguments: object, **environment: str) -> Told:
    """Run the command as a process of its own."""
    done = subprocess.run(
        command(*arguments),
        cwd=ROOT,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )
    return Told(done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="session")
def raids(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A PGN file in which Black loses a rook to Qxe5+ again and again, each time in another position."""
    file = tmp_path_factory.mktemp("raids") / "raids.pgn"
    games = [
        Game(
            moves=f"e4 e5 {own} {other} Qh5 g6 {answer}",
            result="1-0",
            black=name,
            white_rating=950,
            white=f"W {name}",
            black_rating=950,
        )
        for name, own, other, answer in zip(
            NAMES, RAIDS, reversed(RAIDS_ANSWERED), ["Qxe5 Qe7 Qxh8", "Qf3 d6"] * 5, strict=True
        )
    ]
    file.write_text(pgn_of(games), encoding="utf-8")
    return file


@pytest.fixture(scope="session")
def raided(tmp_path_factory: pytest.TempPathFactory, raids: Path, engine: Path) -> Path:
    """A finished store of these games; not to be changed."""
    folder = tmp_path_factory.mktemp("raided")
    told = in_process(
        "run", raids, "--store", folder / "store", "--cache", folder / "cache", "--engine", engine, *QUICK
    )
    assert told.code == 0
    return folder / "store"


@pytest.fixture(scope="session")
def club(tmp_path_factory: pytest.TempPathFactory, games: Path, engine: Path) -> Path:
    """A finished store of the club's games; not to be changed."""
    folder = tmp_path_factory.mktemp("club")
    told = in_process(
        "run", games, "--store", folder / "store", "--cache", folder / "cache", "--engine", engine, *QUICK
    )
    assert (told.code, told.err) == (0, "")
    return folder / "store"
