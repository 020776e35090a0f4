"""The list and one finding of it, on a terminal."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.store import Store
from tests.cli.conftest import Told, command
from tests.conftest import ROOT

Miner = Callable[..., Told]


def positions(told: Told) -> list[str]:
    """The lines from the heading of the positions on; before them stand the motifs."""
    return told.out[told.out.index("Mistakes of") :].split("\n")


def test_list_has_each_mistake_once(club: Path, miner: Miner) -> None:
    """One line for all bands and both sides, with what it is worth to either."""
    told = miner("show", "--store", club)

    assert told.code == 0
    assert "Mistakes of players of all bands" in told.out
    assert positions(told)[1].split()[:5] == ["No", "Opening", "Punish", "Avoid", "Errs"]
    assert told.out[told.out.index("Mistakes of") :].count("2...g6 ") == 1
    assert f"One of them on a board: miner show --store {club} " in told.out


def test_one_finding_on_a_board(club: Path, miner: Miner) -> None:
    """A number of the list shows that finding with its diagram and what punishes it."""
    first = Store.open(club).read_table("findings").to_pylist()[0]

    told = miner("show", 1, "--store", club, "--letters")

    assert told.code == 0
    assert "[" in told.out  # the squares of the losing reply
    assert "B  N  R" in told.out
    assert first["losing_reply"] in told.out
    assert "Refutation" in told.out


def test_filters_keep_the_numbers_of_the_list(club: Path, miner: Miner) -> None:
    """By what they are worth to avoid, under the numbers that the findings have in the whole list."""
    rows = Store.open(club).read_table("findings").to_pylist()
    worst = max(range(len(rows)), key=lambda place: rows[place]["avoid_value"])

    told = miner("show", "--store", club, "--kind", "pitfall", "--top", 1)

    assert f"miner show --store {club} {worst + 1}\n" in told.out


@pytest.mark.parametrize(("side", "place"), [("white", 1), ("black", 2)])
def test_side_that_is_taught(club: Path, miner: Miner, side: str, place: int) -> None:
    """Black errs in these games: taught White they are to be punished, taught Black to be avoided."""
    told = miner("show", "--store", club, "--side", side)
    number = told.out.split()[-1]
    card = miner("show", "--store", club, "--side", side, number)

    head, row = positions(told)[1:3]
    value, errs = re.findall(r" (\S+) +(Black) ", row)[0]  # one value only
    heading = ("Punish", "Avoid")[place - 1]
    assert errs == "Black"
    assert row.index(f" {value} ") + len(value) + 1 == head.index(heading) + len(heading)
    assert card.out.startswith(f"{number}. {'Trap' if side == 'white' else 'Pitfall'}: ")


def test_list_for_one_band(club: Path, miner: Miner) -> None:
    """Of the games of one band, without those of others; the command below it names it, too."""
    [band] = {row["band"] for row in Store.open(club).read_table("by_band").to_pylist()}

    told = miner("show", "--store", club, "--band", band)

    assert f"Mistakes of players rated {band}" in told.out
    assert f"--band {band} 1\n" in told.out


def test_bands_of_the_store(club: Path, miner: Miner) -> None:
    """A band without findings gives none; a band that does not exist is wrong use."""
    empty = miner("show", "--store", club, "--band", "2400+")
    unknown = miner("show", "--store", club, "--band", "800")

    assert empty.code == 0
    [band] = {row["band"] for row in Store.open(club).read_table("by_band").to_pylist()}
    assert f"0 mistakes of players rated 2400 and above: those with mistakes are {band} (" in " ".join(
        empty.out.split()
    )
    assert "More games, more bands (--band), or" in " ".join(empty.out.split())
    assert unknown.code == 2
    assert "no band is called 800" in unknown.err


def test_number_that_is_not_in_the_list(club: Path, miner: Miner) -> None:
    """Neither 0 nor one too many is a finding."""
    length = Store.open(club).read_table("findings").num_rows

    for number in (0, length + 1):
        told = miner("show", number, "--store", club)
        assert told.code == 2
        assert f"there is no finding {number}; the list has {length}" in told.err


def test_unranked_store(games: Path, miner: Miner, tmp_path: Path) -> None:
    """Before ranking there is nothing to show."""
    miner("read", games, "--store", tmp_path / "store", "--processes", 1)

    told = miner("show", "--store", tmp_path / "store")

    assert told.code == 1
    assert "the stage `rank` has not been run here" in told.err


def test_what_became_of_it_stands_below_the_board(club: Path, miner: Miner) -> None:
    """The winners took the rook that 2...g6 loses: the strongest five are told of, and that nothing leaks."""
    rows = Store.open(club).read_table("findings").to_pylist()
    [number] = [n for n, row in enumerate(rows, 1) if row["losing_reply"] == "g6"][:1]

    told = miner("show", number, "--store", club)

    assert "What the winners did\n  queen from h5 to h8 (100% of 5 won games)" in told.out
    assert "Where it leaks away" not in told.out


@pytest.mark.parametrize(("encoding", "arguments"), [("cp1252", (1,)), ("latin-1", ("--diagrams",))])
def test_output_in_an_old_encoding(club: Path, encoding: str, arguments: tuple[object, ...]) -> None:
    """Where there are no figurines the board has letters; what else is lacking becomes a question mark."""
    done = subprocess.run(
        command("show", *arguments, "--store", club),
        cwd=ROOT,
        env=os.environ | {"PYTHONIOENCODING": encoding},
        capture_output=True,
        check=False,
    )

    assert (done.returncode, done.stderr) == (0, b"")
    assert "B  N  R" in done.stdout.decode(encoding)


@pytest.mark.parametrize("arguments", [(), (1,), ("--diagrams",), ("--band", "2400+")])
def test_narrow_terminal(
    club: Path, miner: Miner, monkeypatch: pytest.MonkeyPatch, arguments: tuple[object, ...]
) -> None:
    """No line is longer than the terminal is wide, but for a command to be copied; no column is left out."""
    monkeypatch.setenv("COLUMNS", "40")

    told = miner("show", *arguments, "--store", club)

    lines = [
        line for line in told.out.splitlines() if not line.startswith(("miner show --store ", "miner game "))
    ]
    assert told.code == 0
    assert max(map(len, lines)) <= 40
    if not arguments:
        listed = told.out[told.out.index("Mistakes of") :]
        assert listed.count("material") == listed.count("2...g6 ") == 1


def test_missed_chances_have_a_list_of_their_own(club: Path, miner: Miner, tmp_path: Path) -> None:
    """With words of their own, no sign of a mistake, and in no file that would put one to them."""
    store = tmp_path / "store"
    shutil.copytree(club, store)
    shutil.copyfile(store / "findings.parquet", store / "missed.parquet")  # as if the player were no worse

    told = [miner("show", "--store", folder, "--missed") for folder in (club, store)]
    card = miner("show", 1, "--store", store, "--missed")
    listed = miner("export", "--store", store, "--missed", "--to", tmp_path / "missed.csv")
    refused = miner("export", "--store", store, "--missed", "--to", tmp_path / "missed.pgn")

    assert told[0].out == "No missed chances here.\n"
    assert "Missed chances of players of all bands" in told[1].out
    assert "?" not in told[1].out
    assert "Losing" not in told[1].out
    assert "Missed chance: " in card.out
    assert "lets a chance go" in card.out
    assert "errs" not in card.out
    assert "missed chances)" in listed.out
    assert (refused.code, (tmp_path / "missed.pgn").exists()) == (2, False)
    assert "write them to a .csv or .parquet" in refused.err
