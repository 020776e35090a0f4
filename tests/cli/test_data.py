"""What commands give to other programs: JSON, and lists on the standard output."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import chess
import pyarrow.parquet as pq
import pytest

from miner.export.choice import LISTS, list_bytes
from miner.export.formats import NEEDS_EXTRA
from miner.schema import TABLES
from miner.store import STAGES, Store
from tests.cli.conftest import Told, in_process

Miner = Callable[..., Told]


def test_the_list_as_json(club: Path, miner: Miner) -> None:
    """All findings, with their places in the list, moves as lists; the same finding alone by its number."""
    told, one = miner("show", "--json", "--store", club), miner("show", 1, "--json", "--store", club)

    rows = json.loads(told.out)
    assert told.out.isascii()
    assert [row["number"] for row in rows] == list(
        range(1, Store.open(club).read_table("findings").num_rows + 1)
    )
    assert json.loads(one.out) == rows[0]
    for row in rows:
        board = chess.Board(row["fen"])
        assert board.parse_uci(row["losing_reply_uci"]) == board.parse_san(row["losing_reply"])
        assert isinstance(row["refutation"], list)


def test_json_has_all_unless_a_number_is_asked_for(club: Path, miner: Miner) -> None:
    """And the views of one kind, by what they are worth as that."""
    first, traps = (
        json.loads(miner("show", "--json", *more, "--store", club).out)
        for more in (("--top", 1), ("--kind", "trap"))
    )

    assert [row["number"] for row in first] == [1]
    assert {row["kind"] for row in traps} == {"trap"}
    values = [row["teaching_value"] for row in traps]
    assert values == sorted(values, reverse=True)


def test_motifs_as_json(club: Path, miner: Miner) -> None:
    """All of a band unless a number is asked for; one with its bands and mistakes, and with no player."""
    name, band = "mate in one: queen on f7", ("--band", "800-999")
    told, one = (miner("motifs", *which, *band, "--json", "--store", club) for which in ([], [name]))
    [first] = json.loads(miner("motifs", *band, "--top", 1, "--json", "--store", club).out)

    rows = json.loads(told.out)
    assert told.out.isascii()
    lines = miner("motifs", *band, "--store", club).out.splitlines()
    assert len(rows) == sum(line.startswith("  ") for line in lines) > 1
    assert first["games"] == max(row["games"] for row in rows)
    assert {*first} == {*TABLES["motifs"].names} - {"recurs"}  # that they all do
    [row] = [row for row in rows if row["motif"] == name]
    assert (row["games"], row["find_rate"], row["costs"] > row["costs_low"] > 0) == (6, None, True)
    asked = json.loads(one.out)
    assert {key: asked[key] for key in row} == row
    assert [count["band"] for count in asked["by_band"]] == ["800-999"]
    assert len(asked["moments"]) == 6
    for moment in asked["moments"]:
        board = chess.Board(moment["fen"])
        assert board.parse_uci(moment["losing_reply_uci"]) == board.parse_san(moment["losing_reply"])
        assert moment["refutation"] == ["Qxf7#"]
        assert "player" not in moment


def test_no_motifs_as_json(club: Path, miner: Miner) -> None:
    told, one = (
        miner("motifs", *which, "--band", "2400+", "--json", "--store", club) for which in ([], ["1"])
    )

    assert (told.code, json.loads(told.out)) == (0, [])
    assert (one.code, one.out) == (2, "")


def test_status_as_json(club: Path, miner: Miner) -> None:
    """Each stage with its rows and settings, without what is only for the store itself."""
    told = miner("status", "--json", "--store", club)

    state = json.loads(told.out)
    assert list(state["stages"]) == list(STAGES)
    assert (state["store"], state["out_of_date"]) == (str(club), None)
    assert state["stages"]["read"]["rows"]["games"] == 26
    assert state["stages"]["read"]["sources"][0]["name"].endswith("club.pgn")
    assert state["stages"]["judge"]["engine"]
    assert state["stages"]["tally"]["settings"]["min_games"] == 3
    assert "salt" not in told.out


def test_status_of_what_is_not_done(miner: Miner, games: Path, tmp_path: Path) -> None:
    """Stages that never ran are null; those after a stage that ran again are out of date."""
    miner("read", games, "--store", tmp_path / "store", "--processes", 1)

    state = json.loads(miner("status", "--json", "--store", tmp_path / "store").out)

    assert [stage for stage, told in state["stages"].items() if told is None] == list(STAGES[1:])


def test_check_as_json(miner: Miner, games: Path, tmp_path: Path) -> None:
    """No fault, then one, which is told by the code as well."""
    store = tmp_path / "store"
    miner("read", games, "--store", store, "--processes", 1)
    fine = miner("check", "--json", "--store", store)
    [file] = (store / "games").glob("*.parquet")
    file.write_bytes(b"")

    damaged = miner("check", "--json", "--store", store)
    repaired = miner("check", "--json", "--repair", "--store", store)

    assert (fine.code, json.loads(fine.out)["faults"]) == (0, [])
    assert damaged.code == 1
    [fault] = json.loads(damaged.out)["faults"]
    assert fault == {
        "name": f"games/{file.name}",
        "what": "not as it was written",
        "stage": "read",
        "is_stray": False,
    }
    told = json.loads(repaired.out)
    assert (repaired.code, told["faults"], len(told["repaired"])) == (0, [], 1)


def test_the_standard_output_has_what_a_file_has(club: Path, miner: Miner, tmp_path: Path) -> None:
    """Byte for byte, in every format of every list."""
    has_xlsx = find_spec("xlsxwriter") is not None
    chosen = [(name, suffix) for name in LISTS for suffix in LISTS[name] if suffix != NEEDS_EXTRA or has_xlsx]
    files = [tmp_path / f"{name}{suffix}" for name, suffix in chosen]
    told = miner("export", "--store", club, *(part for file in files for part in ("--to", file)))
    store = Store.open(club)

    differs = [
        file.name
        for file, (name, suffix) in zip(files, chosen, strict=True)
        if list_bytes(store, name, suffix) != file.read_bytes()
    ]

    assert (told.code, differs) == (0, [])
    assert len(files) >= 19


def test_the_output_holds_the_list_alone(club: Path, tmp_path: Path) -> None:
    """As CSV unless another format is asked for; what is written beside it is told on standard error."""
    target = tmp_path / "findings.csv"
    told = in_process("export", "--to", "-", "--to", target, "--store", club)

    assert told.out.splitlines() == target.read_text(encoding="utf-8").splitlines()
    assert told.err.startswith(f"wrote {target} (")
    assert (
        len(list(csv.DictReader(io.StringIO(told.out)))) == Store.open(club).read_table("findings").num_rows
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--list", "games"), "there is no list 'games'; take one of findings, bands, motifs, moments"),
        (("--format", "docx"), "there is no format 'docx'; take one of csv,"),
        (("--missed", "--list", "motifs"), "missed chances are no motifs"),
        (("--missed", "--format", "pgn"), "missed chances have no sign of a mistake"),
    ],
)
def test_what_the_output_cannot_have(arguments: tuple[str, ...], said: str, club: Path, miner: Miner) -> None:
    """It is told what there is."""
    told = miner("export", "--to", "-", *arguments, "--store", club)

    assert told.code == 2
    assert said in told.err


@pytest.mark.parametrize("option", [("--list", "moments"), ("--format", "json")])
def test_a_file_is_named_and_not_told_by_options(
    option: tuple[str, str], club: Path, miner: Miner, tmp_path: Path
) -> None:
    """What would be passed over is refused."""
    told = miner("export", "--to", tmp_path / "some.csv", *option, "--store", club)

    assert (told.code, "for the standard output" in told.err) == (2, True)
    assert not (tmp_path / "some.csv").exists()


def test_json_files_hold_what_parquet_holds(club: Path, miner: Miner, tmp_path: Path) -> None:
    """The same fields and numbers, so that nobody need choose."""
    files = [tmp_path / "findings.json", tmp_path / "findings.parquet"]
    miner("export", "--store", club, *(part for file in files for part in ("--to", file)))

    rows = json.loads(files[0].read_text(encoding="ascii"))
    table = pq.read_table(files[1]).to_pylist()
    assert len(rows) == len(table) > 0
    for row, other in zip(rows, table, strict=True):
        assert set(row) == set(other)
        assert int(row["key"], 16) == other["key"]
        assert row["pick_rate"] == other["pick_rate"]
        assert row["refutation"] == other["refutation"].split()
