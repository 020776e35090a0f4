"""`miner motifs`, and what `miner export` writes of the scan."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import chess
import pyarrow.parquet as pq
import pytest

from miner.cli.motifs import curve_lines
from miner.schema import LISTS
from miner.store import Store
from tests.cli.conftest import NAMES, Told
from tests.finding.moments import HIGH, LOW, known_motifs, queen_raid

Miner = Callable[..., Told]


def test_list(club: Path, miner: Miner) -> None:
    """Of 100 games so many, for each motif; what it belongs to stands above it."""
    told = miner("motifs", "--store", club)

    lines = told.out.splitlines()
    assert (told.code, told.err) == (0, "")
    assert lines[0].startswith("Of 100 games of players of all bands (52 scanned, each side's counted)")
    first = next(at for at, line in enumerate(lines) if line.startswith("  1 "))
    told_of = [line.split(")", 1)[1].strip() for line in lines[first:-1]]
    at = next(place for place, words in enumerate(told_of) if words.startswith("mate in one: queen on f7"))
    # Always punished by the same player: nothing is told of that.
    assert told_of[at - 2 : at + 1] == ["mate in one", "mate in one: queen", "mate in one: queen on f7"]
    assert lines[-1] == f"One of them on boards: miner motifs --store {club} 1"


def test_narrow_terminal(club: Path, miner: Miner, monkeypatch: pytest.MonkeyPatch) -> None:
    """No line is longer than eighty columns, but for a command to be copied."""
    monkeypatch.setenv("COLUMNS", "80")

    told = [miner("motifs", *asked, "--store", club) for asked in ((), (1,))]

    lines = [line for one in told for line in one.out.splitlines() if "miner motifs --store" not in line]
    assert max(map(len, lines)) <= 80


def test_one_motif(club: Path, miner: Miner) -> None:
    """By its name, in one band: how often, what shows it beforehand, what allows it, and a position."""
    told = miner("motifs", "mate in one: queen on f7", "--store", club, "--band", "800-999", "--letters")

    assert (told.code, told.err) == (0, "")
    assert told.out.splitlines()[0] == "Mate in one: queen on f7"
    assert "6 of 16, 6 players) players rated 800-999" in " ".join(told.out.split())
    assert "found" not in told.out.split("By band")[0]  # one player had all the chances
    assert (
        "Seen beforehand, in such mistakes of all bands: the queen already bears on f7 (6 of 6), "
        "only the king guards f7 (6 of 6)" in " ".join(told.out.split())
    )
    assert "Allowed by: development 100% (6 of 6)." in told.out
    assert "3...Nf6?? 4.Qxf7#." in told.out
    assert "In the game 4.Qxf7# followed,\nwhich punishes it." in told.out
    assert "8  r  .  b  q  k  b [n] r  <" in told.out  # before it, the mistake's squares marked


def test_show_begins_with_things_to_teach(club: Path, miner: Miner) -> None:
    """Of the band, each on a board, then its motifs and the list; not where one kind is asked for."""
    told = miner("show", "--store", club, "--letters", "--band", "800-999")
    of_traps = miner("show", "--store", club, "--kind", "trap")

    motifs, _, positions = told.out.partition("\n\nMistakes of players rated 800-999")
    things, _, listed = motifs.partition("\n\nOf 100 games of players rated 800-999")
    assert things.splitlines()[0].endswith(" things this week")
    assert "1. Motif: mate in one: queen" in things
    assert "2. Avoid 2...g6 (double" in things
    assert things.count("3...Nf6??") == 1  # told as a motif, and not as a position again
    assert "8  r  .  b  q  k  b [n] r  <" in things
    assert "mate in one: queen on f7" in listed
    assert "2...g6" in positions
    assert "this week" not in of_traps.out


def test_unknown_motif(club: Path, miner: Miner) -> None:
    """A name that is none, a number beyond the list, a band that does not exist."""
    for wrong in (["fork of all pieces"], ["99"], ["1", "--band", "1-2"]):
        told = miner("motifs", *wrong, "--store", club)
        assert told.code == 2, wrong


def test_store_that_was_not_scanned(tmp_path: Path, miner: Miner) -> None:
    """It is told which command is missing."""
    folder = Store.create(tmp_path / "store").root

    told = miner("motifs", "--store", folder)

    assert told.code == 1
    assert "`scan` has not been run" in told.err


def test_export(club: Path, miner: Miner, tmp_path: Path) -> None:
    """`motifs` and `moments` are known by their names; beside them findings are still written."""
    files = [tmp_path / name for name in ("motifs.csv", "moments.parquet", "findings.csv")]

    told = miner("export", "--store", club, *(part for file in files for part in ("--to", file)))

    assert told.code == 0
    with files[0].open(encoding="utf-8", newline="") as file:
        motifs = list(csv.DictReader(file))
    [row] = [one for one in motifs if (one["motif"], one["band"]) == ("mate in one: queen on f7", "800-999")]
    assert (row["piece"], row["square"], row["games"], row["players"]) == ("Q", "f7", "6", "6")
    assert row["examples"] == (
        "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3: Nf6? Qxf7#"
    )
    assert list(row) == LISTS["motifs"].names
    falls, [gain, costs] = float(row["per_100"]), [float(row[name]) for name in ("gain", "teaching_value")]
    assert costs == pytest.approx(falls * gain, abs=0.01)  # nobody of the band could punish it
    assert pq.read_schema(files[1]).equals(LISTS["moments"], check_metadata=True)  # with what each is
    moments = pq.read_table(files[1]).to_pylist()
    for moment in moments:
        board = chess.Board(moment["fen"])
        assert board.san(chess.Move.from_uci(moment["reply_uci"])) == moment["reply"]
        assert board.parse_san(moment["best"]) in board.legal_moves
        board.push_uci(moment["reply_uci"])
        assert all(board.parse_san(san) for san in moment["answers"].split())
    assert sum(moment["motif"] == "mate in one: queen on f7" for moment in moments) == 6
    assert files[2].exists()


def test_names_of_exported_columns() -> None:
    """Programs that read the lists ask for these columns: they may get more, and never lose one."""
    motifs = "motif pattern piece square band games players per_100 per_100_low per_100_high find_rate "
    motifs += "find_rate_low find_rate_high gain teaching_value examples"
    moments = "game ply fen reply reply_uci best answers exp_best exp_reply loss band found reason motif "
    moments += "pattern piece square wins"

    assert {*motifs.split()} <= {*LISTS["motifs"].names}
    assert {*moments.split()} <= {*LISTS["moments"].names}


def test_export_of_another_kind(club: Path, miner: Miner, tmp_path: Path) -> None:
    """Motifs are a table: there is no PGN of them, and nothing is written."""
    told = miner("export", "--store", club, "--to", tmp_path / "motifs.pgn")

    assert told.code == 2
    assert list(tmp_path.iterdir()) == []


def test_moments_as_games_and_positions(club: Path, miner: Miner, tmp_path: Path) -> None:
    """Each of them in both files, without anybody's name."""
    files = [tmp_path / "moments.pgn", tmp_path / "Moments.EPD"]

    told = miner("export", "--store", club, *(part for file in files for part in ("--to", file)))

    count = Store.open(club).read_table("moments").num_rows
    games, records = (file.read_text(encoding="utf-8") for file in files)
    assert f"wrote {files[0]} ({count} moments)" in told.out
    assert games.count("[Event ") == len(records.splitlines()) == count > 0
    assert not [name for name in NAMES if name in games + records]


def test_curve_over_the_bands(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bar for each band that is told, the longest where most fall for it; four players are too few."""
    monkeypatch.setenv("COLUMNS", "120")
    rows = [queen_raid(game) for game in range(10)]
    five = [queen_raid(game, band=HIGH) for game in range(10, 15)]
    known, few = (known_motifs([*rows, *some], 50, white_rating=1500) for some in (five, five[:4]))
    count = known.topics(LOW)[0]

    heading, low, high = curve_lines(known, count, [LOW, HIGH])

    assert heading == "By band, of 100 games:"
    assert (low.count("#"), high.count("#")) == (30, 15)
    assert low.split()[:2] == [LOW, "20.0"]
    assert low.endswith("10 of 50, found by 100% (15 of 15)")
    assert curve_lines(few, count, [LOW, HIGH]) == ["By band: not enough players fell for it in two bands."]
