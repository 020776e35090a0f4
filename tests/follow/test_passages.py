"""The games after losing replies, against a plain count of the same rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from miner.board.moves import pack
from miner.follow import passages
from miner.store.query import Resources, connected_to_games
from miner.terms import BandScheme
from tests.stores import Game, board_after, key_after, read_store

BANDS = BandScheme((1000, 1200))
BEFORE, REPLY = "e4 e5", "Bc4"
"""Let 2.Bc4 be the losing reply: Black profits."""


@contextmanager
def gathered(folder: Path, games: list[Game]) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to the games, with the passages of 2.Bc4."""
    store = read_store(folder, games)
    with connected_to_games(
        store.path("moves"), store.path("games"), folder / "spill", Resources()
    ) as connection:
        passages.find_passages(connection, losing(), BANDS)
        yield connection


def losing() -> pd.DataFrame:
    row = {"key": key_after(BEFORE), "move": pack(board_after(BEFORE).parse_san(REPLY))}
    return pd.DataFrame([row]).astype({"key": "uint64", "move": "uint16"})


def game(after: str, **other: Any) -> Game:
    """A game with the losing reply, by default Black 1100 and White 1000."""
    return Game(moves=f"{BEFORE} {REPLY} {after}", **({"black_rating": 1100, "white_rating": 1000} | other))


def answers(*sans: str) -> pd.DataFrame:
    """These first answers, as those that punish; the first of them is taught."""
    board = board_after(f"{BEFORE} {REPLY}")
    good = [losing().assign(answer=pack(board.parse_san(san)), is_taught=san == sans[0]) for san in sans]
    return pd.concat(good).astype({"answer": "uint16"})


def test_bands_and_ratings_are_those_of_who_profits(tmp_path: Path) -> None:
    """Black's rating makes the band; the gap is his less White's, over the games where both are known."""
    games = [
        game("Nf6", result="0-1"),
        game("Nf6", result="1/2-1/2", white_rating=1300),
        game("Nc6", result="1-0", white_rating=0),
        game("Nc6", result="1-0", black_rating=0),
        game("Nc6", result="0-1", black_rating=1200),
        Game(moves="e4 c5 Bc4", result="0-1", black_rating=1100),
    ]

    with gathered(tmp_path, games) as connection:
        by_band = {row["band"]: row for row in passages.count_afterwards(connection).to_pylist()}

    assert {band: (row["games"], row["score_sum"]) for band, row in by_band.items()} == {
        "1000-1199": (3, 1.5),
        "1200+": (1, 1.0),
        "unrated": (1, 0.0),
    }
    assert by_band["1000-1199"]["mean_rating_gap"] == pytest.approx((100 - 200) / 2)
    assert by_band["unrated"]["mean_rating_gap"] is None


def test_answers_count_games_and_players(tmp_path: Path) -> None:
    """One player who answers twice is one; a game that ends with the losing reply has no answer."""
    games = [
        game("Nf6", black="Bert", result="0-1"),
        game("Nf6", black="Bert", result="1-0"),
        game("Nf6", black="Carl", result="1/2-1/2"),
        game("", black="Dora"),
    ]

    with gathered(tmp_path, games) as connection:
        [row] = passages.count_first_answers(connection).to_dict("records")
        [after] = passages.count_afterwards(connection).to_pylist()

    assert row["at"] == key_after(f"{BEFORE} {REPLY}")
    assert (row["games"], row["players"], row["score_sum"], row["plies"]) == (3, 2, 1.5, 0)
    assert (after["games"], after["players_answering"]) == (4, 2)


def test_who_is_not_known_is_another_player(tmp_path: Path) -> None:
    """Of two games of one who is known, and two of nobody, three players answered."""
    games = [
        game("Nf6", black="Bert"),
        game("Nc6", black="Bert"),
        game("d6", black="?"),
        game("d6", black="?", white="Eva"),
    ]

    with gathered(tmp_path, games) as connection:
        [after] = passages.count_afterwards(connection).to_pylist()

    assert (after["games"], after["players_answering"]) == (4, 3)


def test_commonest_defence_to_the_taught_answer(tmp_path: Path) -> None:
    """After 2...Nf6 four of six go on 3.d3; what follows another good answer does not count."""
    games = [*[game("Nf6 d3")] * 4, game("Nf6 Nc3"), game("Nf6 d4"), game("Nf6"), *[game("Nc6 Qh5")] * 9]

    with gathered(tmp_path, games) as connection:
        passages.keep_punished(connection, answers("Nf6", "Nc6"))
        [row] = passages.count_defences(connection).to_dict("records")

    assert row["defence"] == pack(board_after(f"{BEFORE} {REPLY} Nf6").parse_san("d3"))
    assert (row["games"], row["games_taught"]) == (4, 6)


def test_later_positions_by_any_way(tmp_path: Path) -> None:
    """Two orders of moves lead to one position; its way is the commoner one. Rare positions are left out."""
    one, other = "Nf6 d3 Nc6 Nf3", "Nc6 d3 Nf6 Nf3"
    games = [*[game(f"{one} Be7 h3 d6")] * 3, *[game(f"{other} Bc5")] * 2, game("d6 d3 c6 Nf3 Qb6")]
    there = key_after(f"{BEFORE} {REPLY} {one}")

    with gathered(tmp_path, games) as connection:
        passages.keep_punished(connection, answers("Nf6", "Nc6"))
        later = passages.later_positions(connection, moves=12, min_games=3, most=10)
        counted = passages.count_later_answers(connection, later)

    by_key = {row["at"]: row for row in later.to_dict("records")}
    assert set(by_key) == {
        key_after(f"{BEFORE} {REPLY} {moves}") for moves in ("Nf6 d3", one, f"{one} Be7 h3")
    }
    assert (by_key[there]["games"], by_key[there]["plies"]) == (5, 4)
    board = board_after(f"{BEFORE} {REPLY}")
    assert list(by_key[there]["path"]) == [pack(board.push_san(san)) for san in one.split()]
    chosen = Counter(
        {row["answer"]: row["games"] for row in counted[counted["at"] == there].to_dict("records")}
    )
    assert chosen == {pack(board.parse_san("Be7")): 3, pack(board.parse_san("Bc5")): 2}


def test_only_so_many_moves_are_followed(tmp_path: Path) -> None:
    """With two moves of the side that profits the third is not looked at."""
    with gathered(tmp_path, [game("Nf6 d3 Nc6 Nf3 Be7")] * 2) as connection:
        passages.keep_punished(connection, answers("Nf6"))
        plies = [
            passages.later_positions(connection, moves=moves, min_games=2, most=10)["plies"].tolist()
            for moves in (1, 2, 3)
        ]

    assert plies == [[], [2], [2, 4]]


def test_games_by_month_of_the_position(tmp_path: Path) -> None:
    """All games at the position count, those with the reply apart. Games of `stores` are of January 2024."""
    games = [game("Nf6"), game("Nc6"), Game(moves=f"{BEFORE} Nf3"), Game(moves="d4 d5")]

    with gathered(tmp_path, games) as connection:
        [row] = passages.count_by_date(connection).to_dict("records")

    assert (row["year"], row["month"], row["games"], row["with_reply"]) == (2024, 1, 3, 2)


def test_strongest_and_every_band_are_read(tmp_path: Path) -> None:
    """Of ten wins four are read: the two strongest winners', and of each band in turn the strongest."""
    ratings = [1250, 1240, 1230, 1220, 1100, 1090, 900, 890, 880, 870]
    games = [game("Nf6", result="0-1", black_rating=rating) for rating in ratings]

    with gathered(tmp_path, [*games, game("Nf6", result="1-0"), game("d6", result="0-1")]) as connection:
        passages.keep_punished(connection, answers("Nf6"))
        won = passages.won_games(connection, most=4, least=2)
        every = passages.won_games(connection, most=100, least=2)

    assert won["rating"].tolist() == [1250, 1240, 1100, 900]
    assert every["rating"].tolist() == ratings
    # A quarter of ten, rounded up.
    assert every[every["is_strongest"]]["rating"].tolist() == [1250, 1240, 1230]


def test_unrated_winners_are_all_strongest(tmp_path: Path) -> None:
    """Where nobody is rated, the strongest players' plan is everybody's."""
    with gathered(tmp_path, [game("Nf6", result="0-1", black_rating=0)] * 3) as connection:
        passages.keep_punished(connection, answers("Nf6"))
        won = passages.won_games(connection, most=100, least=2)

    assert won["is_strongest"].tolist() == [True] * 3


def test_kept_lines_have_no_gap(tmp_path: Path) -> None:
    """A game that came back to a position lacks a ply in the table, and has no line."""
    games = [game("Nf6 d3"), game("Nf6 Qe2 Ng8 Qd1 Nf6 d3 Nc6")]

    with gathered(tmp_path, games) as connection:
        lines = passages.kept_lines(connection, [0, 1])

    board = board_after("")
    assert lines == {0: [pack(board.push_san(san)) for san in f"{BEFORE} {REPLY} Nf6 d3".split()]}
