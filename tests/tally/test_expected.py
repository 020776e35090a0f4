"""What is expected of every legal move before games are counted: by habits and an earlier database."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import chess
import duckdb
import numpy as np
import pyarrow as pa
import pytest

from miner.arrays import Floats
from miner.board.looks import CLASSES
from miner.board.moves import pack
from miner.graph.walk import walk
from miner.habits import Habits
from miner.store import Store
from miner.store.query import Movers, create_views
from miner.tally import expected
from miner.tally import replies as counting
from miner.tally.expected import Played, expect, habits_for, sample
from miner.tally.rates import Choices, Expected, spread
from tests.stores import Game, here, key_after, read_store, tallied_store

OPEN = "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6"
REPEATS = "Nf3 Nf6 Ng1 Ng8 e4 e5 Nf3 Nc6"


def connected(store: Store) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    create_views(connection, store.path("moves"), store.path("games"))
    return connection


def sampled(store: Store, of: str = "true") -> Played:
    with connected(store) as connection:
        return sample(connection, of)


def test_every_move_is_sampled_with_its_board_and_its_players_rating(tmp_path: Path) -> None:
    """From the third ply on, seen after the move before it."""
    store = read_store(tmp_path, [Game(moves=OPEN, white_rating=1200, black_rating=0)])

    played = sampled(store)

    board, line = chess.Board(), []
    for san in OPEN.split():
        line.append((chess.polyglot.zobrist_hash(board), pack(board.parse_san(san))))
        board.push_san(san)
    assert list(zip(played.boards.keys.tolist(), played.chosen.tolist(), strict=True)) == line[2:]
    assert played.last.tolist() == [move for _, move in line[1:-1]]
    assert played.ratings.tolist() == [1200, 0] * 3


def test_what_follows_a_repetition_is_left_out(tmp_path: Path) -> None:
    """A position that comes again has no row of its own, so that the moves after it have no board."""
    store = read_store(tmp_path, [Game(moves=REPEATS), Game(moves=OPEN, white="Carl")])

    played = sampled(store)

    assert len(played.chosen) == 2 + 6
    for row, move in enumerate(played.chosen.tolist()):
        assert move in set(map(pack, played.boards.board(row).legal_moves))


def test_a_sample_is_limited_and_always_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of whatever counts; here of Black's moves."""
    store = read_store(tmp_path, [Game(moves=OPEN, white=f"W{n}") for n in range(9)])
    monkeypatch.setattr(expected, "POSITIONS_FITTED", 20)

    first, second = sampled(store, "ply % 2 = 1"), sampled(store, "ply % 2 = 1")

    assert first.boards.white_to_move.any() == np.False_
    assert len(first.chosen) == 20
    assert first.boards.keys.tolist() == second.boards.keys.tolist()


NOTHING_KNOWN = Habits(np.zeros(CLASSES), np.zeros(CLASSES), 0.0, 0)


def expected_of(
    store: Store,
    habits: Habits = NOTHING_KNOWN,
    ratings: Floats | None = None,
    earlier: pa.Table | None = None,
) -> tuple[Choices, Expected]:
    with connected(store) as connection:
        bands = store.bands
        counted = count(connection, store)
        choices = spread(counted, len(bands.names))
        games = choices.chosen.sum(axis=1, dtype=np.int64)
        graph = walk(choices.keys, choices.moves, games, partial(counting.ways_to, connection))
    ratings = np.zeros(len(bands.names)) if ratings is None else ratings
    return choices, expect(choices, graph, habits, ratings, earlier)


def count(connection: duckdb.DuckDBPyConnection, store: Store) -> pa.Table:
    movers = Movers.fill(connection, here(store.root) / "movers.tmp")
    return counting.count_replies(connection, (0, counting.KEY_SPACE - 1), store.bands, 1, movers)


def test_no_reply_is_beyond_expectation(tmp_path: Path) -> None:
    """Who knows nothing takes all legal moves for equally likely: 20 at first, 29 after 1.e4 e5."""
    choices, found = expected_of(tallied_store(tmp_path, [Game(moves=OPEN)]))

    at_start = choices.keys == key_after("")
    after_e5 = choices.keys == key_after("e4 e5")
    assert (found.base > 0.0).all()
    assert found.base[at_start] == pytest.approx(1 / 20)
    assert found.base[after_e5] == pytest.approx(1 / 29)


def test_an_earlier_database_comes_first_and_habits_share_what_it_leaves(tmp_path: Path) -> None:
    """It gives 1.e4 60%, 1.d4 30%; of the tenth that is left each other move has the same part."""
    store = tallied_store(tmp_path, [Game(moves="e4 e5"), Game(moves="d4 d5"), Game(moves="c4 e5")])
    moves = [pack(chess.Move.from_uci(uci)) for uci in ("e2e4", "d2d4")]
    unrated = len(store.bands.names) - 1
    earlier = pa.table(
        {
            "key": pa.array([key_after("")] * 2, pa.uint64()),
            "move": pa.array(moves, pa.uint16()),
            "place": pa.array([unrated] * 2, pa.int32()),
            "games": [60, 30],
            "games_at_position": [100, 100],
            "pick_rate": [0.6, 0.3],
        }
    )

    choices, found = expected_of(store, earlier=earlier)

    at_start = choices.keys == key_after("")
    told = dict(zip(choices.moves[at_start].tolist(), found.base[at_start, unrated].tolist(), strict=True))
    assert [told[move] for move in moves] == pytest.approx([0.6, 0.3])
    assert told[pack(chess.Move.from_uci("c2c4"))] == pytest.approx(0.1 / 18)
    assert found.knows.sum() == 1


def test_habits_are_those_of_the_larger_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A club's own are fitted to fewer positions than its prior's; hardly any games make no habits at all."""
    monkeypatch.setattr(expected, "ENOUGH_POSITIONS", 3)
    club = tallied_store(tmp_path / "club", [Game(moves="e4 e5 Nf3 Nc6")])
    database = tallied_store(tmp_path / "database", [Game(moves=OPEN, white=f"W{n}") for n in range(3)])

    with connected(club) as small, connected(database) as large:
        alone, with_prior = habits_for(small, None), habits_for(small, database)
        turned = habits_for(large, club)

    assert (alone.positions, with_prior.positions, turned.positions) == (0, 18, 18)


def test_a_likely_move_that_nobody_played_is_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever takes back each time is expected to take back; in the table with a rate that may be trusted."""
    monkeypatch.setattr(expected, "ENOUGH_POSITIONS", 3)
    lines = ("e4 d5 exd5 Qxd5", "d4 e5 dxe5 Qe7 Nf3 Nc6", "c4 d5 cxd5 Qxd5", "Nf3 d5 c4 dxc4")
    games = [Game(moves=line, white=f"W{n}", black=f"B{n}") for n, line in enumerate(lines * 6)]
    store = tallied_store(
        tmp_path, [*games, Game(moves="b3 d5 c4 Nf6 cxd5 a6"), Game(moves="b3 d5 c4 Nf6 cxd5 h6")]
    )

    foreseen = store.read_table("foreseen").to_pylist()

    key, takes = key_after("b3 d5 c4 Nf6 cxd5"), pack(chess.Move.from_uci("d8d5"))
    [row] = [row for row in foreseen if (row["key"], row["move"]) == (key, takes)]
    assert 0.05 <= row["pick_rate"] < 0.9
    assert row["band"] == "unrated"
