"""A club of few games before a larger database: what is counted, and where its games are likely to lead."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from miner.errors import StoreError, UsageError
from miner.graph.sound import Steps
from miner.habits import LIKELY
from miner.schema import HABITS
from miner.settings import TallySettings
from miner.store import Store
from miner.tally.larger import arrivals, lacks_positions
from miner.tally.stage import tally
from miner.terms import UNRATED
from tests.stores import (
    Game,
    key_after,
    reach_after,
    read_store,
    replies_after,
    tallied_store,
)

ITALIAN = "e4 e5 Nf3 Nc6 Bc4"
EVERY = TallySettings(min_games=1)


def games(moves: str, number: int, rating: int = 1100, name: str = "A") -> list[Game]:
    """So many games of different players."""
    return [
        Game(moves=moves, white=f"{name}{n}", black=f"{name}x{n}", white_rating=rating, black_rating=rating)
        for n in range(number)
    ]


LARGE = [
    *games(f"{ITALIAN} Nf6 Ng5", 60, name="N"),
    *games(f"{ITALIAN} Nd4 Nxd4", 20, name="D"),
    *games(f"{ITALIAN} Bc5 c3", 20, name="B"),
    *games("d4 d5 c4 e6 Nc3", 100, name="Q"),
]
CLUB = [*games(f"{ITALIAN} Nf6 Ng5", 3, name="N"), *games("d4 d5 c4 e6 Nc3", 9, name="Q")]


def club_before(folder: Path, large: list[Game] = LARGE, club: list[Game] = CLUB) -> Store:
    """The club, tallied before the larger database."""
    database = tallied_store(folder / "large", large, EVERY)
    store = read_store(folder / "club", club)
    tally(store, TallySettings(prior=str(database.root)))
    return store


def keys(store: Store) -> set[int]:
    return set(store.read_table("positions")["key"].to_pylist())


def test_few_games_stand_before_many(tmp_path: Path) -> None:
    """Three games are too few to be tallied; with the database's they are, and counts say whose they are."""
    store = club_before(tmp_path)

    knight = replies_after(store, ITALIAN)["1000-1199", "Nf6"]
    blunder = replies_after(store, ITALIAN)["1000-1199", "Nd4"]
    assert (knight["games"], knight["games_elsewhere"]) == (63, 60)
    assert (blunder["games"], blunder["games_elsewhere"]) == (20, 20)  # that nobody of the club has chosen
    assert (blunder["games_at_position"], blunder["games_at_position_elsewhere"]) == (103, 100)
    assert (blunder["players_at_position"], blunder["score_sum_at_position"]) == (103, 0.0)
    assert 0.1 < blunder["pick_rate"] < 0.2


def test_reach_is_the_clubs(tmp_path: Path) -> None:
    """The Italian comes up in a quarter of twelve games, and in half of the database's: something between."""
    store = club_before(tmp_path)

    there = reach_after(store, ITALIAN)["1000-1199"]
    assert 0.2 < there["plain_reach"] < 0.4
    assert 3.0 < there["reach_games"] < 30.0
    assert reach_after(store, "")["1000-1199"]["plain_reach"] == 1.0


def test_where_the_club_has_never_been_but_may_come(tmp_path: Path) -> None:
    """After 3...Nd4 no game of the club went on; one in five or so of its Italian games will come there."""
    store = club_before(tmp_path)

    there = reach_after(store, f"{ITALIAN} Nd4")["1000-1199"]
    way = reach_after(store, ITALIAN)["1000-1199"]
    chosen = replies_after(store, ITALIAN)["1000-1199", "Nd4"]
    assert there["plain_reach"] == pytest.approx(way["plain_reach"] * chosen["pick_rate"], rel=0.01)
    [row] = [
        one for one in store.read_table("positions").to_pylist() if one["key"] == key_after(f"{ITALIAN} Nd4")
    ]
    assert row["games"] == 0


def test_what_the_database_saw_is_not_foreseen(tmp_path: Path) -> None:
    """3...Nd4 has games and a rate of its own among the replies: as an unplayed move it would count twice."""
    store = club_before(tmp_path)

    columns = ["key", "band", "move"]
    foreseen, replies = (store.read_table(name, columns).to_pylist() for name in ("foreseen", "replies"))
    assert replies_after(store, ITALIAN)["1000-1199", "Nd4"]["pick_rate"] > LIKELY
    assert [row for row in foreseen if row in replies] == []
    assert store.read_table("habits").schema == HABITS


def test_what_the_club_does_not_play_is_left_out(tmp_path: Path) -> None:
    """Of twelve hundred games none began with 1.d4: the Queen's Gambit is no matter of theirs."""
    club = [*games(f"{ITALIAN} Nf6 Ng5", 1100), *games("e4 e5 d4 exd4", 100, name="d")]

    store = club_before(tmp_path, club=club)

    assert key_after(ITALIAN) in keys(store)
    assert key_after("d4 d5 c4") not in keys(store)


def test_a_school_without_ratings_learns_from_rated_players(tmp_path: Path) -> None:
    """Where the database knows no unrated players, all that it has is told of them."""
    store = club_before(tmp_path, club=games(f"{ITALIAN} Nf6 Ng5", 4, rating=0))

    told = replies_after(store, ITALIAN)[UNRATED, "Nd4"]
    assert (told["games"], told["games_at_position"]) == (20, 104)
    assert 0.1 < told["pick_rate"] < 0.2  # of their own four games none


def test_bands_that_the_club_lacks_have_the_databases_rates(tmp_path: Path) -> None:
    """Strong players' choices are theirs; nothing is said of how often they come there in the club."""
    strong = [*LARGE, *games(f"{ITALIAN} Bc5 c3", 50, rating=2100, name="M")]

    store = club_before(tmp_path, large=strong)

    told = replies_after(store, ITALIAN)["2000-2199", "Bc5"]
    assert told["games"] == told["games_elsewhere"] == 50
    assert told["pick_rate"] > 0.8
    assert set(reach_after(store, ITALIAN)) == {"1000-1199"}


def test_names_come_from_the_database_where_the_club_has_none(tmp_path: Path) -> None:
    """The club has never been after 3...Nd4, the database's tags name it."""
    named = [
        replace(game, white=f"{game.white}n", black=f"{game.black}n", eco="C50", opening="Italian Game")
        for game in LARGE[60:80]
    ]

    store = club_before(tmp_path, large=[*LARGE, *named])

    [row] = [
        one for one in store.read_table("positions").to_pylist() if one["key"] == key_after(f"{ITALIAN} Nd4")
    ]
    assert (row["eco"], row["opening"]) == ("C50", "Italian Game")


def test_a_prior_on_a_prior_is_refused(tmp_path: Path) -> None:
    """Its counts would be those of two databases."""
    club = club_before(tmp_path)
    other = read_store(tmp_path / "other", CLUB)

    with pytest.raises(UsageError, match="stands on a prior itself"):
        tally(other, TallySettings(prior=str(club.root)))


def test_a_prior_that_has_changed_is_not_followed(tmp_path: Path) -> None:
    """Later stages read its games: they must be those that were tallied."""
    club = club_before(tmp_path)
    assert club.behind is not None
    tally(Store.open(tmp_path / "large" / "store"), TallySettings(min_games=2))

    with pytest.raises(StoreError, match="not what it was"):
        _ = club.behind


@pytest.mark.parametrize(
    ("floor", "games_of_prior", "lacks"), [(1, 300, False), (5, 9_000, True), (5, 60_000, False)]
)
def test_floor_of_a_prior(floor: int, games_of_prior: int, lacks: bool) -> None:
    """All positions are enough of any database; of a large one those of some games are, too."""
    assert lacks_positions(floor, games_of_prior) is lacks


def test_a_floor_that_is_too_high_is_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """One line says what to do."""
    database = tallied_store(tmp_path / "large", LARGE, TallySettings(min_games=5))
    tally(read_store(tmp_path / "club", CLUB), TallySettings(prior=str(database.root)))

    [warning] = caplog.messages
    assert "only positions of 5 and more were tallied" in warning
    assert "--min-games-at-position 1" in warning


def test_arrivals_add_up_over_transpositions() -> None:
    """From 0 half go by 1 and half by 2; all of these and a quarter of those come to 3."""
    steps = Steps.between(np.array([0, 0, 1, 2]), np.array([1, 2, 3, 3]), 4)

    reach, variance = arrivals(
        steps, np.array([0.5, 0.5, 1.0, 0.25]), np.array([0.01, 0.01, 0.0, 0.0]), start=0
    )

    assert reach.tolist() == [1.0, 0.5, 0.5, 0.625]
    assert variance == pytest.approx([0.0, 0.01, 0.01, 0.01 + 0.0625 * 0.01])


def test_a_repertoire_counts_though_it_was_never_played(tmp_path: Path) -> None:
    """The club has played 1.d4 only: with the Italian as its repertoire, that is told of, too."""
    database = tallied_store(tmp_path / "large", LARGE, EVERY)
    club = read_store(tmp_path / "club", games("d4 d5 c4 e6 Nc3", 1500, name="Q"))
    ours = tmp_path / "ours.pgn"
    ours.write_text("1. e4 e5 2. Nf3 Nc6 3. Bc4 *\n")
    told = []
    for repertoire in ("", str(ours)):
        tally(club, TallySettings(prior=str(database.root), repertoire=repertoire))
        told.append({san for _, san in replies_after(club, ITALIAN)})

    assert told == [set(), {"Nf6", "Nd4", "Bc5"}]
    assert "repertoire" in club.require("tally").inputs


def test_a_repertoire_without_a_prior_changes_no_tally(tmp_path: Path) -> None:
    """All that the games hold is told already: nothing is to be made anew."""
    club = tallied_store(tmp_path, CLUB)

    again = tally(club, TallySettings(min_games=1, repertoire="nowhere.pgn"))

    assert again.settings["repertoire"] == ""
