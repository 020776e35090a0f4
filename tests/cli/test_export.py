"""`miner export`: what it writes, and what it refuses."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from miner.store import Store
from tests.cli.conftest import Told

Miner = Callable[..., Told]


def test_every_format_at_once(club: Path, miner: Miner, tmp_path: Path) -> None:
    """Each file is written and told; the table has one line per finding."""
    files = [tmp_path / f"findings{suffix}" for suffix in (".csv", ".parquet", ".pgn", ".epd")]

    told = miner("export", "--store", club, *(part for file in files for part in ("--to", file)))

    rows = Store.open(club).read_table("findings").num_rows
    assert told.code == 0
    assert told.out.splitlines() == [f"wrote {file} ({rows} findings)" for file in files]
    with files[0].open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.DictReader(file))) == rows


def test_unknown_suffix(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A suffix that names no format is wrong use, as such a --format is; nothing is written before."""
    told = miner("export", "--store", club, "--to", tmp_path / "a.csv", "--to", tmp_path / "b.docx")

    to_a_pipe = miner("export", "--store", club, "--to", "-", "--format", "docx")
    assert (told.code, to_a_pipe.code) == (2, 2)
    assert ".docx" in told.err
    assert list(tmp_path.iterdir()) == []


def test_games_are_not_written_over(club: Path, games: Path, miner: Miner) -> None:
    """A target that the store was read from would be lost: it is refused, and stays."""
    before = games.read_bytes()

    told = miner("export", "--store", club, "--to", games)

    assert (told.code, games.read_bytes() == before) == (2, True)
    assert "the store was read from this file" in told.err


def test_bands_apart(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A file called bands has the long form, beside the list in which each mistake stands once."""
    told = miner("export", "--store", club, "--to", tmp_path / "findings.csv", "--to", tmp_path / "bands.csv")

    rows = {
        name: (tmp_path / name).read_text(encoding="utf-8").splitlines()
        for name in ("findings.csv", "bands.csv")
    }
    assert told.code == 0
    assert rows["findings.csv"][0] == rows["bands.csv"][0]
    assert ",all," in rows["findings.csv"][1]
    assert ",all," not in "".join(rows["bands.csv"])
    assert len(rows["bands.csv"]) > 1
