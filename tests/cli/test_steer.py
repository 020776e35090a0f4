"""`miner steer` on the club's store, with a real engine."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from tests.cli.conftest import Told

pytestmark = pytest.mark.engine

Miner = Callable[..., Told]


def test_table_and_files(miner: Miner, club: Path, engine: Path, tmp_path: Path) -> None:
    """The moves are listed, and every file that was asked for is written."""
    files = [tmp_path / "new" / f"advice{suffix}" for suffix in (".pgn", ".csv", ".parquet")]
    to = [part for file in files for part in ("--to", file)]

    told = miner(
        *("steer", "--store", club, "--side", "white", "--band", "800-999", "--nodes", "2000"),
        *("--engine", engine, "--cache", tmp_path / "cache", *to),
    )

    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("White against players rated 800-999, from the start position: ")
    assert "1.e4" in told.out
    assert all(file.stat().st_size for file in files)


def test_repertoire_tells_what_it_leaves_open(miner: Miner, club: Path, engine: Path, tmp_path: Path) -> None:
    """A repertoire that ends after 2.Qh5 has no answer to the replies there."""
    (tmp_path / "ours.pgn").write_text("1. e4 e5 2. Qh5 *\n", encoding="utf-8")

    told = miner(
        *("steer", "--store", club, "--side", "white", "--band", "800-999", "--nodes", "2000"),
        *("--engine", engine, "--cache", tmp_path / "cache", "--repertoire", tmp_path / "ours.pgn"),
    )

    assert told.code == 0
    _, open_ends = told.out.split("Not covered by the repertoire\n")
    assert "1.e4 e5 2.Qh5 g6" in open_ends
    assert "1.e4 e5 2.Qh5 Nc6" in open_ends


@pytest.mark.parametrize(
    ("more", "code", "says"),
    [
        (("--band", "801-999"), 2, "no band is called 801-999"),
        (("--band", "800-999", "--to", "advice.txt"), 2, "names no format"),
        (("--band", "800-999", "--from", "1.h4"), 2, "too few games"),
        (("--band", "800-999", "--soundness", "2"), 2, "soundness 2.0 is not a share"),
        (("--band", "800-999", "--repertoire", "none.pgn"), 1, "none.pgn: the repertoire cannot be read"),
    ],
)
def test_wrong_use_is_told_in_a_line(
    miner: Miner, club: Path, engine: Path, tmp_path: Path, more: tuple[str, ...], code: int, says: str
) -> None:
    """What is wrong, where, and what to do; no traceback."""
    told = miner(
        "steer", "--store", club, "--side", "white", "--engine", engine, "--cache", tmp_path / "cache", *more
    )

    assert told.code == code
    assert says in told.err
    assert told.err.count("\n") == 1


def test_motifs_that_a_move_brings(raided: Path, miner: Miner, engine: Path, tmp_path: Path) -> None:
    """Of the scanned games through a move, those in which the other side falls for a motif."""
    asked = ["steer", "--store", raided, "--band", "800-999", "--engine", engine]
    asked += ["--cache", tmp_path / "cache", "--nodes", 2_000]
    files = [tmp_path / f"{side}.csv" for side in ("white", "black")]

    told = miner(*asked, "--side", "white", "--to", files[0])
    black = miner(*asked, "--side", "black", "--to", files[1])

    rows, others = (pd.read_csv(file, keep_default_na=False).to_dict("records") for file in files)
    said = next(row["motifs"] for row in rows if row["move"] == "e4")
    assert (told.code, black.code) == (0, 0)
    assert said.startswith("Of 10 scanned games through it: double attack: queen on e5 in ")
    assert not [row for row in others if "double attack" in row["motifs"]]
