"""A tally of added files is the tally of all files: to the byte, in whatever parts the games came."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import chess
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from miner.schema import LEDGER_STATES
from miner.settings import TallySettings
from miner.store import Manifest, Store
from miner.tally import added, stage
from miner.tally.graph import Ways
from miner.tally.stage import tally
from tests.stores import Game, here, position_after, read_store, replies_after, tallied_store

PLAYERS = st.sampled_from(["Anna", "Bert", "Carl", "Dora", "?"])
RATINGS = st.sampled_from([0, 799, 800, 1399, 1400, 2400])


class CountedAnewError(AssertionError):
    """All rows were counted where the new ones were to be."""


@pytest.fixture(autouse=True)
def _any_number_may_be_added(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(added, "MOST_ADDED", 100.0)


@st.composite
def additions(draw: st.DrawFn) -> tuple[list[Game], list[int]]:
    """Games along few moves, so that they meet, transpose and repeat, and where they are parted."""
    games = [draw(_games()) for _ in range(draw(st.integers(2, 16)))]
    cuts = draw(st.sets(st.integers(1, len(games) - 1), min_size=1, max_size=4))
    return games, [0, *sorted(cuts), len(games)]


@st.composite
def _games(draw: st.DrawFn) -> Game:
    board, sans = chess.Board(), []
    for _ in range(draw(st.integers(0, 9))):
        moves = sorted(board.legal_moves, key=lambda move: move.uci())
        move = moves[draw(st.sampled_from([0, 1, -1, -2, len(moves) // 2])) % len(moves)]
        sans.append(board.san(move))
        board.push(move)
    eco = draw(st.sampled_from(["", "A00", "B01"]))
    return Game(
        moves=" ".join(sans),
        result=draw(st.sampled_from(["1-0", "0-1", "1/2-1/2"])),
        white=draw(PLAYERS),
        black=draw(PLAYERS),
        white_rating=draw(RATINGS),
        black_rating=draw(RATINGS),
        eco=eco,
        opening=draw(st.sampled_from(["", "Grob"])) if eco else "",
    )


def grow(store: Store, source: Store, cuts: Sequence[int]) -> Iterator[None]:
    """Put the games of a store into another part by part, as files of their own."""
    for low, high in pairwise(cuts):
        for table in ("games", "moves"):
            rows = pq.read_table(source.path(table))
            rows = rows.filter(pc.and_(pc.greater_equal(rows["game"], low), pc.less(rows["game"], high)))
            store.path(table).mkdir(exist_ok=True)
            pq.write_table(rows, store.path(table) / f"{low:06}.parquet")
        counts = {table: pq.read_table(store.path(table)).num_rows for table in ("games", "moves")}
        facts = {"ledger": dict.fromkeys(LEDGER_STATES, 0) | {"kept": counts["games"]}}
        inputs = {"sources": [high]}
        store.finish(Manifest(stage="read", settings={}, inputs=inputs, rows=counts, facts=facts))
        yield


def tallied_in_parts(folder: Path, source: Store, cuts: Sequence[int], how: TallySettings) -> dict[str, str]:
    """The digests of the tables of a store that was tallied after each addition, never from the beginning."""
    store = Store.create(folder)
    for _ in grow(store, source, cuts):
        before = store.manifest("tally")
        with pytest.MonkeyPatch.context() as patch:
            if before is not None and before.rows["replies"]:
                patch.setattr(stage, "Whole", _refused)
            tally(store, how)
    return store.require("tally").digests


def _refused(*_: object) -> None:
    raise CountedAnewError


def check_parts_against_the_whole(added_games: tuple[list[Game], list[int]], how: TallySettings) -> None:
    """Tally the parts one after the other, and all at once, and compare what is left."""
    games, cuts = added_games
    with tempfile.TemporaryDirectory() as folder:
        source = read_store(Path(folder) / "source", games)

        in_parts = tallied_in_parts(Path(folder) / "parts", source, cuts, how)

        assert in_parts == tally(source, how).digests


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(added_games=additions(), min_games=st.integers(1, 4))
def test_a_tally_in_parts_is_the_tally_of_the_whole(
    added_games: tuple[list[Game], list[int]], min_games: int
) -> None:
    """However the games are parted, each addition leaves the tables that counting all at once makes."""
    check_parts_against_the_whole(added_games, TallySettings(min_games=min_games))


@pytest.mark.slow
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(added_games=additions(), min_games=st.integers(1, 4))
def test_many_tallies_in_parts_are_those_of_the_whole(
    added_games: tuple[list[Game], list[int]], min_games: int
) -> None:
    """The same of more games."""
    check_parts_against_the_whole(added_games, TallySettings(min_games=min_games))


def test_shortest_way_is_kept_whole() -> None:
    """Of two ways to a position the shorter one; of equally long ones that of the earlier game."""
    keys = np.array([7, 9], dtype=np.uint64)
    before = Ways.along(keys, pa.array(["e2e4 e7e5", "d2d4"])), np.array([3, 4])
    fresh = Ways.along(keys, pa.array(["g1f3 g8f6 f3g1", "c2c4"])), np.array([1, 2])

    ways, games = added._shortest([before, fresh])

    assert ways.paths().to_pylist() == ["e2e4 e7e5", "c2c4"]
    assert games.tolist() == [3, 2]


def test_a_prior_counts_alike_in_parts(tmp_path: Path) -> None:
    """Under an earlier, larger database a tally in parts is that of the whole, too."""
    openings = ["e4 e5 Nf3", "e4 c5 Nf3", "d4 d5 c4", "e4 e5 f4"]
    earlier = tallied_store(tmp_path / "earlier", [Game(moves=moves) for moves in openings])
    how = TallySettings(min_games=1, prior=str(earlier.root))
    source = read_store(tmp_path, [Game(moves=moves, white_rating=1500) for moves in openings])

    in_parts = tallied_in_parts(tmp_path / "parts", source, [0, 1, 3, 4], how)

    assert in_parts == tally(source, how).digests


def test_a_game_lifts_a_position_over_the_floor(tmp_path: Path) -> None:
    """Games from before count when a position reaches the floor: all of them, with their players."""
    games = [Game(moves="e4 e5", white="Anna"), Game(moves="e4 c5", white="Anna", black="Carl")]
    source = read_store(tmp_path, [*games, Game(moves="e4 e5 Nf3", white="Dora", black="Carl")])
    store = Store.create(tmp_path / "parts")

    tallied = []
    for _ in grow(store, source, [0, 2, 3]):
        tally(store, TallySettings(min_games=3))
        tallied.append(replies_after(store, "e4"))

    assert tallied[0] == {}
    assert {name: row["games"] for (_, name), row in tallied[1].items()} == {"e5": 2, "c5": 1}
    assert {row["players_at_position"] for row in tallied[1].values()} == {2}


def test_a_shorter_way_replaces_the_one_before(tmp_path: Path) -> None:
    """A position's ply, path and FEN are those of the shortest way, also where that came later."""
    slow, straight = Game(moves="e3 e6 e4 e5 Nf3"), Game(moves="e4 e5 Nf3")
    source = read_store(tmp_path, [slow, slow, straight, straight])
    store = Store.create(tmp_path / "parts")

    told = []
    for _ in grow(store, source, [0, 2, 4]):
        tally(store, TallySettings(min_games=2))
        told.append(position_after(store, "e4 e5"))

    assert [row["path"] for row in told] == ["e2e3 e7e6 e3e4 e6e5", "e2e4 e7e5"]
    assert [row["fen"].split()[-1] for row in told] == ["3", "2"]


@pytest.mark.parametrize("later", [["c4 c5"], ["e4 e5 d4", "e4 e5 d4"]])
def test_a_position_without_a_way_is_kept_in_mind(tmp_path: Path, later: list[str]) -> None:
    """Positions whose games all met a position twice on the way are told once a game goes there straight;
    they are not forgotten when games are added elsewhere.
    """
    detour = Game(moves="Nf3 Nf6 Ng1 Ng8 e4 e5 d4")
    source = read_store(tmp_path, [detour, detour, *(Game(moves=moves) for moves in later)])
    how = TallySettings(min_games=2)

    in_parts = tallied_in_parts(tmp_path / "parts", source, [0, *range(2, 3 + len(later))], how)

    assert in_parts == tally(source, how).digests


def test_games_without_moves_change_nothing(tmp_path: Path) -> None:
    """Where what is added has no moves the tables stay as they are."""
    source = read_store(tmp_path, [Game(moves="e4 e5"), Game(moves="")])

    in_parts = tallied_in_parts(tmp_path / "parts", source, [0, 1, 2], TallySettings(min_games=1))

    assert in_parts == tally(source, TallySettings(min_games=1)).digests


def test_many_more_games_are_counted_with_all_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """To go through the files for as many games as there were would take longer than counting all."""
    monkeypatch.setattr(added, "MOST_ADDED", 0.5)
    source = read_store(tmp_path, [Game(moves="e4 e5"), Game(moves="d4 d5")])

    with pytest.raises(CountedAnewError):
        tallied_in_parts(tmp_path / "parts", source, [0, 1, 2], TallySettings(min_games=1))


def test_a_table_in_place_of_another_is_counted_anew(tmp_path: Path) -> None:
    """Where a table of the earlier tally is not the one that it left, nothing is taken from it."""
    source = read_store(tmp_path, [Game(moves="e4 e5"), Game(moves="d4 d5"), Game(moves="e4 c5")])
    store, how = Store.create(tmp_path / "parts"), TallySettings(min_games=1)
    for number, _ in enumerate(grow(store, source, [0, 2, 3])):
        if number:
            positions = here(store.path("positions"))
            pq.write_table(pq.read_table(positions)[1:], positions)
        tally(store, how)

    assert store.require("tally").digests == tally(source, how).digests


def test_a_floor_that_has_risen_is_counted_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was tallied by a lower floor is not added to; as long as the floor stands it is."""
    monkeypatch.setattr(TallySettings, "enough_games", lambda _, games: 1 + games // 3)
    source = read_store(tmp_path, [Game(moves="e4 e5"), Game(moves="d4 d5"), Game(moves="e4 e5")])

    assert tallied_in_parts(tmp_path / "same", source, [0, 1, 2], TallySettings())
    with pytest.raises(CountedAnewError):
        tallied_in_parts(tmp_path / "parts", source, [0, 2, 3], TallySettings())


def test_a_changed_file_is_counted_anew(tmp_path: Path) -> None:
    """Where a file that was counted is not what it was, all files are counted."""
    games = [Game(moves="e4 e5"), Game(moves="d4 d5"), Game(moves="c4 c5")]
    store, source = Store.create(tmp_path / "parts"), read_store(tmp_path, games)
    for _ in grow(store, source, [0, 1, 2]):
        tally(store, TallySettings(min_games=1))
    (store.path("moves") / "000000.parquet").unlink()

    for _ in grow(store, source, [2, 3]):
        tally(store, TallySettings(min_games=1))

    assert replies_after(store, "")["unrated", "c4"]["games"] == 1
    assert set(replies_after(store, "")) == {("unrated", "d4"), ("unrated", "c4")}
