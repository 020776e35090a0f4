"""What a store holds and what is out of date."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.store import STAGES
from tests.cli.conftest import Told

Miner = Callable[..., Told]


def test_status_of_a_finished_store(club: Path, games: Path, miner: Miner) -> None:
    """Sources, games, bands, engine, depths, findings and the settings that are not the defaults."""
    told = miner("status", "--store", club)

    assert (told.code, told.err) == (0, "")
    words = (
        f"source: {games.name} (",
        "26 games seen: 26 kept",
        "bands: 0-799, 800-999",
        "engine: Stockfish",
        "at 2,000 nodes",
        "losing replies",
        "min_games = 3",
        "nodes = [500, 2000]",
    )
    assert [word for word in words if word not in told.out] == []
    assert "out of date" not in told.out
    assert "not done yet" not in told.out


def test_narrow_terminal(club: Path, miner: Miner, monkeypatch: pytest.MonkeyPatch) -> None:
    """Long lines go on below, behind the names of the stages."""
    monkeypatch.setenv("COLUMNS", "60")

    lines = miner("status", "--store", club).out.splitlines()

    assert max(map(len, lines)) <= 60
    assert [line.split()[0] for line in lines if line[:1] != " "] == [*STAGES]


def test_status_tells_what_is_out_of_date(club: Path, miner: Miner, tmp_path: Path) -> None:
    """After another tally the verdicts are old; the hint names the command."""
    store = tmp_path / "store"
    shutil.copytree(club, store)
    miner("tally", "--store", store, "--min-games-at-position", 4)

    told = miner("status", "--store", store)
    shown = miner("show", "--store", store)

    assert shown.code == 0
    assert "these findings are out of date, since `judge` has not been run" in shown.err
    assert "out of date: an earlier stage has changed; miner judge makes it new" in told.out


def test_status_of_a_new_store(games: Path, miner: Miner, tmp_path: Path) -> None:
    """Stages that were not run are listed with their command."""
    miner("read", games, "--store", tmp_path / "store", "--processes", 1)

    told = miner("status", "--store", tmp_path / "store")

    assert told.out.count("not done yet: miner") == 5


def test_status_shows_no_names(club: Path, miner: Miner) -> None:
    """Pupils' names are in no line of the status, and in no file of the store."""
    told = miner("status", "--store", club)

    files = [file for file in club.rglob("*") if file.is_file()]
    assert "Pupil" not in told.out
    assert files
    assert not any(b"Pupil" in file.read_bytes() for file in files)
