"""What is counted at a position, one key range at a time, here and on a real cluster."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from miner.cluster import connected
from miner.errors import StoreError
from miner.settings import TallySettings
from miner.store import Store
from miner.store.query import FAILURES, Movers, Resources, band_sql, connected_to_games
from miner.tally import replies as counting
from miner.tally.replies import Counting, count_range, key_ranges, rows_per_range
from miner.tally.stage import tally
from miner.terms import BandScheme
from tests.clusters import Local
from tests.stores import Game, here, key_after, read_store, replies_after, tables_of, tallied_store

CLUB = [
    Game(moves="e4 e5 Nf3", result="1-0", white="Anna", white_rating=1010, black="Bert", black_rating=1250),
    Game(moves="e4 e5 Nc3", result="0-1", white="Anna", white_rating=1030, black="Carl", black_rating=1300),
    Game(moves="e4 c5", result="1/2-1/2", white="Dora", white_rating=1190, black="Bert", black_rating=1270),
    Game(moves="d4 d5", result="1-0", white="Emil", white_rating=1200, black="Fritz"),
]


def test_games_players_points_and_ratings_of_a_reply(tmp_path: Path) -> None:
    """A reply's games, its distinct players, their points and their mean rating are those of its band."""
    store = tallied_store(tmp_path, CLUB)

    e4 = replies_after(store, "")["1000-1199", "e4"]

    assert (e4["games"], e4["players"]) == (3, 2)  # Anna twice, Dora once
    assert e4["score_sum"] == 1.5
    assert e4["mean_rating"] == pytest.approx((1010 + 1030 + 1190) / 3)


def test_position_sums_are_those_of_the_movers_band(tmp_path: Path) -> None:
    """Games and points at the position are those of all replies of the band, and of no other band."""
    store = tallied_store(tmp_path, CLUB)

    after_e4 = replies_after(store, "e4")
    d4 = replies_after(store, "")["1200-1399", "d4"]

    assert set(after_e4) == {("1200-1399", "e5"), ("1200-1399", "c5")}
    assert after_e4["1200-1399", "e5"]["games_at_position"] == 3
    assert after_e4["1200-1399", "e5"]["score_sum_at_position"] == 1.5  # lost, won, drawn
    assert (d4["games_at_position"], d4["score_sum_at_position"]) == (1, 1.0)


def test_player_without_a_name_is_no_distinct_player(tmp_path: Path) -> None:
    """Games of unknown players are counted apart: nobody knows how many different players they had."""
    unknown = [Game(moves="e4", white="?"), Game(moves="e4", white="?", result="0-1")]
    store = tallied_store(tmp_path, [*unknown, Game(moves="e4", white="Anna")])

    e4 = replies_after(store, "")["unrated", "e4"]

    assert (e4["games"], e4["players"], e4["games_unknown"]) == (3, 1, 2)


def test_unrated_players_have_no_mean_rating(tmp_path: Path) -> None:
    """Without ratings there is a band of its own and no mean."""
    store = tallied_store(tmp_path, CLUB)

    d5 = replies_after(store, "d4")["unrated", "d5"]

    assert d5["games"] == 1
    assert d5["mean_rating"] is None


@pytest.mark.parametrize(
    ("rating", "band"),
    [
        (100, "0-799"),
        (799, "0-799"),
        (800, "800-999"),
        (2399, "2200-2399"),
        (2400, "2400+"),
        (3500, "2400+"),
        (0, "unrated"),
    ],
)
def test_band_edges(rating: int, band: str, tmp_path: Path) -> None:
    """A band begins at its edge; SQL and the band scheme agree."""
    store = tallied_store(tmp_path, [Game(moves="e4", white_rating=rating)])

    assert set(replies_after(store, "")) == {(band, "e4")}
    assert TallySettings().bands.name_of(rating) == band


@pytest.mark.parametrize("edges", [(), (1500,), (800, 1000)])
def test_bands_in_sql_by_place_or_by_name(edges: tuple[int, ...]) -> None:
    """Both ways SQL puts a rating where the band scheme does."""
    bands = BandScheme(edges)
    ratings = [0, 1, 799, 800, 999, 1000, 1499, 1500, 2800]

    with duckdb.connect() as connection:
        found = connection.sql(
            f"select {band_sql(bands)}, {band_sql(bands, as_name=True)} "
            f"from (select unnest({ratings}) as rating)"
        ).fetchall()

    assert found == [(bands.names.index(bands.name_of(one)), bands.name_of(one)) for one in ratings]


def test_bands_may_be_chosen(tmp_path: Path) -> None:
    """One edge makes two bands; none at all makes one of all rated players."""
    games = [Game(moves="e4", white_rating=1499), Game(moves="e4", white_rating=1500)]

    one_edge = tallied_store(tmp_path / "one", games, TallySettings(band_edges=(1500,), min_games=1))
    no_edge = tallied_store(tmp_path / "none", games, TallySettings(band_edges=(), min_games=1))

    assert set(replies_after(one_edge, "")) == {("0-1499", "e4"), ("1500+", "e4")}
    assert set(replies_after(no_edge, "")) == {("0+", "e4")}


def test_transpositions_are_one_position(tmp_path: Path) -> None:
    """1.d4 Nf6 2.c4 e6 and 1.c4 e6 2.d4 Nf6 lead to one position with the replies of both."""
    games = [Game(moves="d4 Nf6 c4 e6 Nc3"), Game(moves="c4 e6 d4 Nf6 Nf3")]
    store = tallied_store(tmp_path, games)

    replies = replies_after(store, "d4 Nf6 c4 e6")

    assert {san: row["games"] for (_, san), row in replies.items()} == {"Nc3": 1, "Nf3": 1}
    assert {row["games_at_position"] for row in replies.values()} == {2}


def test_en_passant_that_cannot_be_played_makes_no_new_position(tmp_path: Path) -> None:
    """1.e4 e6 2.d4 and 1.d4 e6 2.e4 are one position: no pawn can take en passant after either."""
    store = tallied_store(tmp_path, [Game(moves="e4 e6 d4 d5"), Game(moves="d4 e6 e4 d5")])

    assert replies_after(store, "e4 e6 d4")["unrated", "d5"]["games"] == 2


def test_position_met_twice_in_a_game_counts_once(tmp_path: Path) -> None:
    """Knights that go out and home again do not count the start position a second time."""
    store = tallied_store(tmp_path, [Game(moves="Nf3 Nf6 Ng1 Ng8 e4")])

    assert set(replies_after(store, "")) == {("unrated", "Nf3")}


def test_floor_is_for_all_bands_together(tmp_path: Path) -> None:
    """A position counts if enough games of any bands pass through it; then its rarest reply counts, too."""
    store = tallied_store(tmp_path, CLUB, TallySettings(min_games=3))

    assert {san for _, san in replies_after(store, "")} == {"e4", "d4"}
    assert {san for _, san in replies_after(store, "e4")} == {"e5", "c5"}
    assert not replies_after(store, "e4 e5")  # two games


def test_one_range_or_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The tables do not depend on how many key ranges they were counted in."""
    store = read_store(tmp_path, CLUB)
    settings = TallySettings(min_games=1)
    tally(store, settings)
    at_once = tables_of(store)

    monkeypatch.setattr(counting, "ROWS_PER_RANGE", 1)
    here(store.root / "tally.json").unlink()
    tally(store, settings)

    assert len(key_ranges(11, rows_per_range(1024))) == 16
    assert tables_of(store) == at_once


def test_more_memory_means_fewer_ranges() -> None:
    """In twice the memory twice the rows are grouped at once; in little memory, no fewer than usual."""
    rows = [rows_per_range(memory_mb) for memory_mb in (64, 1024, 2048, 8192)]

    assert rows == [8_000_000, 8_000_000, 16_000_000, 64_000_000]


def test_key_ranges_cover_every_key_once() -> None:
    """The ranges lie end to end from the first key to the last."""
    ranges = key_ranges(1_000, rows_per_range=130)

    assert ranges[0][0] == 0
    assert ranges[-1][1] == (1 << 64) - 1
    assert all(high + 1 == low for (_, high), (low, _) in pairwise(ranges))
    assert len(ranges) == 8


def test_little_memory_changes_nothing(tmp_path: Path) -> None:
    """A count of many different positions in little memory is the same count."""
    rows, games = 400_000, 20_000
    moves, ledger, spill = tmp_path / "moves", tmp_path / "games", tmp_path / "spill"
    moves.mkdir()
    ledger.mkdir()
    number = pa.array(range(rows), pa.uint32()).to_numpy()
    pq.write_table(
        pa.table(
            {
                "game": number % games,
                "ply": (number % 30).astype("uint8"),
                "key": (number.astype("uint64") * 0x9E3779B97F4A7C15) >> 1,
                "move": (number % 7).astype("uint16"),
            }
        ),
        moves / "0.parquet",
    )
    game = pa.array(range(games), pa.uint32()).to_numpy()
    pq.write_table(
        pa.table(
            {
                "game": game,
                "white_player": game % 997,
                "black_player": game % 991,
                "white_rating": (game % 2_600).astype("uint16"),
                "black_rating": (game % 2_500).astype("uint16"),
                "result": pa.array(["1-0", "1/2-1/2", "0-1"]).take(pa.array(game % 3)),
            }
        ),
        ledger / "0.parquet",
    )
    bands = BandScheme((1_000, 2_000))

    def count(resources: Resources) -> pa.Table:
        with (
            connected_to_games(moves, ledger, spill, resources) as connection,
            Movers.fill(connection, spill / "movers") as movers,
        ):
            return counting.count_replies(connection, (0, (1 << 64) - 1), bands, 1, movers)

    plenty = count(Resources(memory_mb=2_000))
    little = count(Resources(memory_mb=64, threads=1))

    assert little.equals(plenty)
    assert plenty["games"].to_numpy().sum() == rows


def test_store_whose_name_is_a_pattern(tmp_path: Path) -> None:
    """Brackets and stars in the name of a folder are letters like others."""
    store = tallied_store(tmp_path / "club [U12]*", CLUB)

    assert store.require("tally").rows["positions"] > 0
    assert key_after("e4") in store.read_table("positions")["key"].to_pylist()


GAMES = [
    Game(moves=moves, white=name, white_rating=rating)
    for moves in ("e4 e5 Nf3 Nc6 Bb5", "e4 c5 Nf3 d6 d4", "d4 d5 c4 e6 Nc3")
    for name, rating in (("Anna", 900), ("Bert", 1100), ("Carl", 1900))
]


def counting_of(store: Store, folder: Path) -> Counting:
    return Counting(
        moves=store.path("moves"),
        games=store.path("games"),
        movers=folder / "spill" / "movers",
        bands=TallySettings().bands,
        min_games=1,
        resources=Resources(memory_mb=256, threads=1),
    )


def test_ranges_counted_by_a_cluster_are_those_counted_here(workers: Local, tmp_path: Path) -> None:
    """Range by range the same rows in the same order."""
    store = read_store(tmp_path / "store", GAMES)
    counting, ranges = counting_of(store, tmp_path), key_ranges(8, rows_per_range=1)

    with (
        connected_to_games(
            store.path("moves"), store.path("games"), tmp_path / "spill", Resources()
        ) as connection,
        connected(workers.address) as cluster,
    ):
        here = list(counting.count(connection, ranges, None))
        there = list(counting.count(connection, ranges, cluster))

    assert here == there
    assert len(there) == 8
    assert sum(part["games"].to_numpy().sum() for part in there) == 5 * len(GAMES)


def test_worker_says_why_it_cannot_count(tmp_path: Path) -> None:
    """A damaged file is an error with advice, not DuckDB's own."""
    store = read_store(tmp_path / "store", GAMES)
    counting = counting_of(store, tmp_path)
    with connected_to_games(
        store.path("moves"), store.path("games"), tmp_path / "spill", Resources()
    ) as connection:
        next(counting.count(connection, key_ranges(1), None))
        assert isinstance(counting.moves, Path)
        for file in counting.moves.glob("*.parquet"):
            file.write_bytes(file.read_bytes()[:-40])

        with pytest.raises(StoreError, match=r"a worker's part of the tally failed: .*; check the space"):
            count_range(key_ranges(1)[0], counting)


def test_failures_of_duckdb_are_expected_ones() -> None:
    """A wrong statement is no failure of the disk."""
    assert not issubclass(duckdb.ParserException, FAILURES)
