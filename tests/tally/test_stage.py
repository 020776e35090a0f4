"""The stage as a whole: equal to a plain count over python-chess games, idle when nothing changed."""

from __future__ import annotations

import tempfile
from collections import Counter, defaultdict
from pathlib import Path

import chess
import chess.polyglot
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from miner.board.moves import unpack_move
from miner.errors import StoreError, UsageError
from miner.means import Means
from miner.read.stage import add
from miner.settings import ReadSettings, TallySettings
from miner.store import Store
from miner.tally import stage
from miner.tally.stage import tally
from miner.terms import UNRATED
from tests.growing import games_of, store_of
from tests.stores import (
    Game,
    here,
    position_after,
    reach_after,
    read_store,
    replies_after,
    tables_of,
    tallied_store,
)

WRITTEN = ("replies", "positions", "reach", "edges", "habits", "foreseen")
RESULTS = {"1-0": (1.0, 0.0), "0-1": (0.0, 1.0), "1/2-1/2": (0.5, 0.5)}
RATINGS = st.sampled_from([0, 799, 800, 1150, 1399, 1400, 2399, 2400, 2805])
PLAYERS = st.sampled_from(["Anna", "Bert", "Carl", "Dora"])


@st.composite
def databases(draw: st.DrawFn) -> list[Game]:
    """A few games along few moves, so that they meet, transpose and repeat."""
    return [draw(_games()) for _ in range(draw(st.integers(1, 7)))]


@st.composite
def _games(draw: st.DrawFn) -> Game:
    board, sans = chess.Board(), []
    for _ in range(draw(st.integers(1, 12))):
        moves = sorted(board.legal_moves, key=lambda move: move.uci())
        if not moves:
            break
        # The first and last of the list are moves of few pieces: random games would never meet again.
        move = moves[draw(st.sampled_from([0, 1, -1, -2, len(moves) // 2])) % len(moves)]
        sans.append(board.san(move))
        board.push(move)
    return Game(
        moves=" ".join(sans),
        result=draw(st.sampled_from(list(RESULTS))),
        white=draw(PLAYERS),
        black=draw(PLAYERS),
        white_rating=draw(RATINGS),
        black_rating=draw(RATINGS),
    )


def counted_by_hand(games: list[Game], min_games: int) -> dict[tuple[int, str, str], tuple[object, ...]]:
    """For each key, band and move (UCI): games, players, points, mean rating, games and points there."""
    bands = TallySettings().bands
    entries = defaultdict(list)
    through: Counter[int] = Counter()
    for game in games:
        board, seen = chess.Board(), set()
        for san in game.moves.split():
            key, white = chess.polyglot.zobrist_hash(board), board.turn
            move = board.parse_san(san)
            if key not in seen:
                seen.add(key)
                through[key] += 1
                rating = game.white_rating if white else game.black_rating
                player = game.white if white else game.black
                points = RESULTS[game.result][0 if white else 1]
                entries[key, bands.name_of(rating), move.uci()].append((player, points, rating))
            board.push(move)
    there: dict[tuple[int, str], list[tuple[str, float, int]]] = defaultdict(list)
    for (key, band, _), rows in entries.items():
        there[key, band] += rows
    return {
        (key, band, move): (
            len(rows),
            len({player for player, _, _ in rows}),
            sum(points for _, points, _ in rows),
            None if band == UNRATED else pytest.approx(sum(rating for _, _, rating in rows) / len(rows)),
            len(there[key, band]),
            sum(points for _, points, _ in there[key, band]),
        )
        for (key, band, move), rows in entries.items()
        if through[key] >= min_games
    }


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(games=databases(), min_games=st.integers(1, 2))
def test_tally_is_the_plain_count(games: list[Game], min_games: int) -> None:
    """Every number of `replies` is what counting the games one by one gives, for positions with a way."""
    with tempfile.TemporaryDirectory() as folder:
        store = tallied_store(Path(folder), games, TallySettings(min_games=min_games))
        tables = tables_of(store)
        lost = store.require("tally").facts["positions_without_a_way"] if tables["replies"] else 0

    found = {
        (row["key"], row["band"], unpack_move(row["move"]).uci()): (
            row["games"],
            row["players"],
            row["score_sum"],
            row["mean_rating"],
            row["games_at_position"],
            row["score_sum_at_position"],
        )
        for row in tables["replies"]
    }
    by_hand = counted_by_hand(games, min_games)
    assert found == {reply: row for reply, row in by_hand.items() if reply[0] in {key for key, _, _ in found}}
    assert len({key for key, _, _ in by_hand}) - len({key for key, _, _ in found}) == lost
    for row in tables["positions"]:
        board = chess.Board()
        for uci in row["path"].split():
            board.push_uci(uci)
        assert chess.polyglot.zobrist_hash(board) == row["key"]
        assert board.fen(en_passant="legal") == row["fen"]
        assert board.ply() == row["ply"]
    for row in tables["replies"]:
        assert 0.0 <= row["pick_rate_low"] <= row["pick_rate"] <= row["pick_rate_high"] <= 1.0
    for row in tables["reach"]:
        assert 0.0 < row["plain_reach"] <= row["steered_reach"] <= 1.0


def test_each_band_at_a_position_has_its_reach(tmp_path: Path) -> None:
    """`reach` has one row for each position and band of `replies`, and no other."""
    games = [Game(moves="e4 e5 Nf3", white_rating=900), Game(moves="e4 c5", black_rating=1500)]
    tables = tables_of(tallied_store(tmp_path, games))

    reached = [(row["key"], row["band"]) for row in tables["reach"]]

    assert len(set(reached)) == len(reached)
    assert set(reached) == {(row["key"], row["band"]) for row in tables["replies"]}


def test_commonest_names(tmp_path: Path) -> None:
    """A position carries the ECO tag and the opening name that most of its games have; equals by alphabet."""
    games = [
        Game(moves="e4 e5 Nf3", eco="C40", opening="King's Knight"),
        Game(moves="e4 e5 f4", eco="C30", opening="King's Gambit"),
        Game(moves="e4 e5 f4", eco="C30"),
        Game(moves="e4 c5"),
    ]
    store = tallied_store(tmp_path, games)

    after_e5 = position_after(store, "e4 e5")

    assert (after_e5["eco"], after_e5["opening"]) == ("C30", "King's Gambit")
    assert position_after(store, "e4")["eco"] == "C30"


def test_games_without_names_leave_them_empty(tmp_path: Path) -> None:
    """Without ECO and Opening tags both are empty."""
    store = tallied_store(tmp_path, [Game(moves="e4 c5")])

    assert (position_after(store, "e4")["eco"], position_after(store, "e4")["opening"]) == ("", "")


def test_nothing_changed_does_nothing(tmp_path: Path) -> None:
    """A second run with the same settings leaves the files alone; other settings make them new."""
    store = tallied_store(tmp_path, [Game(moves="e4 e5")])
    before = here(store.path("replies")).stat()

    again = tally(store, TallySettings(min_games=1))
    after = here(store.path("replies")).stat()
    other = tally(store, TallySettings(min_games=1, band_edges=(1000,)))

    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    assert again.rows["replies"] == 2
    assert other.facts["bands"] == ["0-999", "1000+", UNRATED]
    assert here(store.path("replies")).stat().st_ino != before.st_ino


def test_lost_table_is_made_again(tmp_path: Path) -> None:
    """A table that somebody deleted is no reason to say that all is up to date."""
    store = tallied_store(tmp_path, [Game(moves="e4 e5")])
    store.path("reach").unlink()

    tally(store, TallySettings(min_games=1))

    assert reach_after(store, "e4")


def test_fewer_games_than_the_floor(tmp_path: Path) -> None:
    """Where no position has enough games the tables are empty; their columns are there."""
    store = tallied_store(tmp_path, [Game(moves="e4 e5"), Game(moves="d4 d5")], TallySettings(min_games=10))

    assert store.require("tally").rows == dict.fromkeys(WRITTEN, 0)
    assert "pick_rate" in store.read_table("replies").column_names


def test_no_kept_games(tmp_path: Path) -> None:
    """A store of games without a result has empty tables."""
    store = read_store(tmp_path, [Game(moves="e4 e5", result="*")])

    manifest = tally(store, TallySettings())

    assert manifest.rows == dict.fromkeys(WRITTEN, 0)


def test_filtered_games_are_not_counted(tmp_path: Path) -> None:
    """What the reading sets aside does not come back in the tally."""
    games = [Game(moves="e4 e5", result="1-0"), Game(moves="d4 d5", result="0-1")]
    store = read_store(tmp_path, games, ReadSettings(results=("1-0",)))

    tally(store, TallySettings(min_games=1))

    assert position_after(store, "")["games"] == 1


def test_unread_store_is_an_error(tmp_path: Path) -> None:
    """There must be games first; the message says what to run."""
    with pytest.raises(StoreError, match="`read` has not been run") as raised:
        tally(Store.create(tmp_path / "new"), TallySettings())

    assert "miner read" in raised.value.advice


def test_damaged_moves_are_an_error_of_the_store(tmp_path: Path) -> None:
    """A moves file that is no Parquet is told as such, and the tally counts as not done."""
    store = read_store(tmp_path, [Game(moves="e4 e5")])
    for file in store.path("moves").iterdir():
        here(file).write_bytes(b"no table")

    with pytest.raises(StoreError, match="not as it was written"):
        tally(store, TallySettings(min_games=1))

    assert store.manifest("tally") is None
    assert not (store.root / ".spill").exists()


def test_too_little_memory_is_an_error_with_advice(tmp_path: Path) -> None:
    """Where even spilling does not help the message names the option."""
    store = read_store(tmp_path, [Game(moves="e4 e5")])

    with pytest.raises(StoreError) as raised:
        tally(store, TallySettings(min_games=1), Means(memory_mb=1, threads=1))

    assert "--memory" in raised.value.advice


def club_and_database(folder: Path) -> tuple[Store, Store]:
    """Two games of a club in which 2... Nc6 was not played, and a database in which it mostly is."""
    opening = "1. e4 e5 2. Nf3"
    usual = [Game(moves=f"{opening} Nc6 3. Bb5", white=f"W{n}", black=f"B{n}") for n in range(30)]
    rare = [Game(moves=f"{opening} d6 3. d4", white=f"V{n}", black=f"C{n}") for n in range(10)]
    club = [Game(moves=f"{opening} Nc6 3. Bb5"), Game(moves=f"{opening} d6 3. d4", black="Carl")]
    return read_store(folder / "club", club), tallied_store(folder / "database", [*usual, *rare])


def rate_of_the_usual_reply(store: Store) -> float:
    return float(replies_after(store, "e4 e5 Nf3")[UNRATED, "Nc6"]["pick_rate"])


def test_a_prior_stands_under_few_games(tmp_path: Path) -> None:
    """A club's one in two becomes nearly the three in four of the larger database."""
    club, database = club_and_database(tmp_path)

    tally(club, TallySettings(min_games=1))
    alone = rate_of_the_usual_reply(club)
    tally(club, TallySettings(min_games=1, prior=str(database.root)))

    assert alone < 0.5
    assert 0.5 < rate_of_the_usual_reply(club) < 0.75


def test_another_prior_makes_the_tally_out_of_date(tmp_path: Path) -> None:
    """The prior's tally is among the inputs."""
    club, database = club_and_database(tmp_path)
    settings = TallySettings(min_games=1, prior=str(database.root))
    before = tally(club, settings)

    unchanged = tally(club, settings)
    tally(database, TallySettings(min_games=2))
    after = tally(club, settings)

    assert unchanged == before
    assert after.inputs["prior"] != before.inputs["prior"]


@pytest.mark.parametrize(
    ("edges", "is_itself", "what"),
    [((1500,), False, r"other rating bands: 0-1499, 1500\+, unrated"), ((), True, "its own prior")],
)
def test_a_prior_that_cannot_be_one(
    tmp_path: Path, edges: tuple[int, ...], is_itself: bool, what: str
) -> None:
    """Other bands, or the store itself: said at once, with advice."""
    club, database = club_and_database(tmp_path)
    tally(database, TallySettings(min_games=1, band_edges=edges))
    prior = club if is_itself else database

    with pytest.raises(UsageError, match=what) as caught:
        tally(club, TallySettings(min_games=1, prior=str(prior.root)))

    assert caught.value.advice


def test_a_prior_that_was_not_tallied(tmp_path: Path) -> None:
    """Its rates are not there yet."""
    club, _ = club_and_database(tmp_path)
    unread = Store.create(tmp_path / "other")

    with pytest.raises(StoreError, match="`tally` has not been run"):
        tally(club, TallySettings(prior=str(unread.root)))


@given(st.floats(1e-6, 1.0 - 1e-9))
def test_shares_are_kept_to_five_digits(share: float) -> None:
    """Small shares, and what large ones lack to 1, are off by less than one in a hundred thousand."""
    [kept] = stage._five_digits(np.array([share]))

    assert kept == pytest.approx(share, rel=1e-5)
    assert 1.0 - kept == pytest.approx(1.0 - share, rel=1e-5)


def test_tally_after_an_addition_is_that_of_all_games(tmp_path: Path) -> None:
    """A store that grew since it was tallied is tallied as if all its games had been there from the start."""
    files = [tmp_path / "first.pgn", tmp_path / "later.pgn"]
    for seed, file in enumerate(files):
        file.write_text(games_of(seed, 30))
    grown, whole = store_of(tmp_path / "grown", files[:1]), store_of(tmp_path / "whole", files)
    counted = TallySettings(min_games=2)
    tally(grown, counted, Means())
    before = grown.read_table("replies")

    add([str(files[1])], grown, Means(processes=1))
    tally(grown, counted, Means())
    tally(whole, counted, Means())

    assert not grown.read_table("replies").equals(before)
    for name in WRITTEN:
        assert grown.read_table(name).equals(whole.read_table(name)), name
