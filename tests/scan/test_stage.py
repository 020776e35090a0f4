"""Tests of the stage as a whole, with a real engine."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import chess
import pytest

from miner.errors import StoreError
from miner.means import Means
from miner.progress import Silent, Task
from miner.read.stage import add, read
from miner.scan.sample import sampled
from miner.scan.stage import games_of, scan, scanned_games
from miner.schema import MOMENTS, MOTIFS
from miner.settings import ReadSettings, ScanSettings, TallySettings
from miner.store import Store
from miner.tally.stage import tally
from tests.stores import Game, here, pgn_of, tallied_store

pytestmark = pytest.mark.engine
QUICK = ScanSettings(nodes=(2_000, 5_000, 20_000), first_ply=2)

NAMES = ("Anna", "Bert", "Carl", "Dora", "Emil")
GAMES = [
    # 2.Qh5 g6 loses a rook: three take it, two do not see it.
    *[
        Game(moves="e4 e5 Qh5 g6 Qxe5 Qe7 Qxh8", black=name, white_rating=1500, black_rating=900)
        for name in NAMES[:3]
    ],
    *[
        Game(moves="e4 e5 Qh5 g6 Qf3 Nf6", black=name, white_rating=1500, black_rating=900)
        for name in NAMES[3:]
    ],
    # 3...Nf6 allows mate, and the game ends with it.
    Game(moves="e4 e5 Qh5 Nc6 Bc4 Nf6 Qxf7", black="Anna", white_rating=1500, black_rating=900),
    Game(moves="e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6 O-O Be7", white_rating=1500, black_rating=900),
]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return tallied_store(tmp_path, GAMES)


def means_of(tmp_path: Path, engine: Path) -> Means:
    return Means(engine=engine, cache=tmp_path / "verdicts.sqlite", engines=1, processes=1)


def moments_of(store: Store) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = store.read_table("moments").to_pylist()
    return found


def test_tables(store: Store, engine: Path, tmp_path: Path) -> None:
    """Every mistake is found, with its motif, and whether it was punished."""
    manifest = scan(store, QUICK, means_of(tmp_path, engine))

    assert store.read_table("moments").schema.equals(MOMENTS)
    assert store.read_table("motifs").schema.equals(MOTIFS)
    found = moments_of(store)
    loses_rook = [row for row in found if row["losing_reply"] == "g6"]
    assert [row["game"] for row in loses_rook] == [0, 1, 2, 3, 4]
    assert [row["found"] for row in loses_rook] == [True, True, True, False, False]
    for row in loses_rook:
        assert (row["motif"], row["by"]) == ("double attack: queen on e5", "pawn move")
        assert (row["band"], row["band_other"]) == ("800-999", "1400-1599")
        assert (row["answers"], row["best_move"], row["wins"]) == (
            ["h5e5"],
            row["pv_best"][0],
            "a rook and a pawn",
        )
        assert row["loss"] == pytest.approx(row["exp_best"] - row["exp_reply"])
        assert row["exp_reply"] < 0.2
        assert chess.Board(row["fen"]).fullmove_number == 2
    [mated] = [row for row in found if row["losing_reply"] == "Nf6" and row["game"] == 5]
    assert (mated["pattern"], mated["piece"], mated["square"], mated["found"]) == (
        "mate in one",
        "Q",
        "f7",
        True,
    )
    assert not [row for row in found if row["game"] == 6]
    told = {(row["band"], row["motif"]): row for row in store.read_table("motifs").to_pylist()}
    row = told["800-999", "double attack: queen on e5"]
    assert (row["games"], row["players"], row["games_scanned"], row["recurs"]) == (5, 5, 7, True)
    assert told["1400-1599", "double attack: queen on e5"]["chances"] == 5
    assert manifest.facts["games"] == 7
    assert manifest.facts["inconclusive"] == 0


def test_nothing_is_done_twice(store: Store, engine: Path, tmp_path: Path) -> None:
    """With the same tally, settings and engine the stage does nothing; with fewer games it asks no engine."""
    means = means_of(tmp_path, engine)
    first = scan(store, QUICK, means)
    written = here(store.path("moments")).stat().st_mtime_ns

    again = scan(store, QUICK, means)
    untouched = here(store.path("moments")).stat().st_mtime_ns
    fewer = scan(store, ScanSettings(nodes=QUICK.nodes, first_ply=2, games=4), means)

    assert (again, untouched) == (first, written)
    assert (fewer.facts["games"], fewer.facts["searches"]) == (4, 0)


def test_number_of_engines_changes_nothing(store: Store, engine: Path, tmp_path: Path) -> None:
    """One engine and three give the same tables, each from an empty cache."""
    tables = []
    for engines in (1, 3):
        here(store.root / "scan.json").unlink(missing_ok=True)
        scan(store, QUICK, Means(engine=engine, engines=engines, cache=tmp_path / f"{engines}.sqlite"))
        tables.append((store.read_table("moments"), store.read_table("motifs")))

    assert tables[0][0].equals(tables[1][0])
    assert tables[0][1].equals(tables[1][1])


def test_more_games_cost_only_new_positions(store: Store, engine: Path, tmp_path: Path) -> None:
    """What was searched before comes from the cache, though the tally is another."""
    means = means_of(tmp_path, engine)
    first = scan(store, QUICK, means)
    more = tmp_path / "more.pgn"
    more.write_text(pgn_of([Game(moves="e4 e5 Qh5 g6 Qxe5 Be7", black="Fred")]))
    add([str(more)], store, means)
    tally(store, TallySettings(min_games=1), means)

    second = scan(store, QUICK, means)

    assert second.facts["games"] == 8
    assert 0 < second.facts["searches"] < first.facts["searches"] / 2
    assert (
        len(moments_of(store)) >= len([row for row in moments_of(store) if row["losing_reply"] == "g6"]) == 6
    )


def test_scanned_games_are_those_of_the_scan(store: Store, engine: Path, tmp_path: Path) -> None:
    """Games that came later are none of them, nor are their moves, until they are scanned."""
    means = means_of(tmp_path, engine)
    scan(store, replace(QUICK, games=3), means)
    before = scanned_games(store)
    (more := tmp_path / "more.pgn").write_text(pgn_of([Game(moves="d4 d5 c4", black="Fred")] * 9))

    add([str(more)], store, means)

    assert 0 < len(before) <= 3
    assert scanned_games(store)["game"].tolist() == before["game"].tolist()
    assert store.read_table("scanned")["game"].unique().to_pylist() == before["game"].tolist()


def test_two_stores_of_the_same_games_scan_the_same(tmp_path: Path) -> None:
    """Whatever their salts, the names of their files and the order of their games."""
    games = [
        Game(
            moves=f"{first} {second} Nc3",
            white=f"W{number}",
            white_rating=1000 + 7 * number,
            black_rating=1200,
        )
        for number, (first, second) in enumerate(
            (one, two) for one in ("e4", "d4", "c4") for two in ("e5", "d5", "c5", "Nf6")
        )
    ]
    texts = re.split(r"(?=\[Event)", pgn_of(games))
    scanned = []
    for name, order in (("one", 1), ("two", -1)):
        source, store = tmp_path / f"{name}.pgn", Store.create(tmp_path / name)
        source.write_text("\n\n".join(texts[::order]))
        read([str(source)], store, ReadSettings(), Means(processes=1))
        tally(store, TallySettings(min_games=1))
        scanned.append(set(sampled(games_of(store), 5, store.bands)["white_rating"]))

    assert scanned[0] == scanned[1]
    assert len(scanned[0]) == 5


class BrokenOff(Silent):
    """Progress during which somebody presses Ctrl-C once all positions are scanned."""

    @contextmanager
    def task(self, what: str, *, total: int | None, unit: str) -> Iterator[Task]:  # noqa: ARG002 - the interface's names
        if what == "verifying":
            raise KeyboardInterrupt
        yield self


def test_interrupted_run_is_taken_up(store: Store, engine: Path, tmp_path: Path) -> None:
    """What was searched before is not searched again, and the tables are those of a run in one go."""
    means = means_of(tmp_path, engine)
    with pytest.raises(KeyboardInterrupt):
        scan(store, QUICK, replace(means, progress=BrokenOff()))
    assert store.manifest("scan") is None

    resumed = scan(store, QUICK, means)
    here(store.root / "scan.json").unlink()
    at_once = scan(store, QUICK, replace(means, cache=tmp_path / "other.sqlite"))

    searched = at_once.facts["positions"] - 1  # one is mate
    assert resumed.facts["searches"] == at_once.facts["searches"] - searched > 0
    assert at_once.digests == resumed.digests


def test_tally_must_come_first(tmp_path: Path, engine: Path) -> None:
    """Without a tally there are no bands."""
    with pytest.raises(StoreError, match="`tally` has not been run"):
        scan(Store.create(tmp_path / "empty"), QUICK, means_of(tmp_path, engine))


def test_games_without_mistakes(engine: Path, tmp_path: Path) -> None:
    """Nothing is found, and the tables are there all the same."""
    store = tallied_store(tmp_path, [Game(moves="e4 e5 Nf3 Nc6 Bb5 a6")])

    manifest = scan(store, QUICK, means_of(tmp_path, engine))

    assert manifest.rows == {"moments": 0, "motifs": 0, "scanned": 6}
