"""The tally laid out by position."""

from __future__ import annotations

from pathlib import Path

import chess
import numpy as np
import pyarrow as pa
import pytest

from miner.board.moves import pack
from miner.schema import FORESEEN, JUDGED
from miner.settings import TallySettings
from miner.stats import beta_interval
from miner.steer.tallied import TalliedTree, lay_out, strength_of, strong_bands
from miner.store import Store
from miner.terms import BandScheme
from tests.stores import Game, board_after, key_after, replies_after, tallied_store

BANDS = TallySettings().bands
GAMES = [
    *[Game(moves="e4 e5 Nf3", white_rating=1100, black_rating=1100)] * 4,
    *[Game(moves="e4 c5 Nf3", white_rating=1100, black_rating=1100)] * 2,
    *[Game(moves="d4 d5 c4", white_rating=2100, black_rating=2100)] * 3,
]


@pytest.fixture
def tallied(tmp_path: Path) -> TalliedTree:
    """Laid out for the band 1000-1199."""
    store = tallied_store(tmp_path, GAMES)
    return laid_out(store, store.read_table("foreseen"))


def laid_out(store: Store, foreseen: pa.Table) -> TalliedTree:
    return lay_out(
        store.read_table("positions"),
        store.read_table("replies"),
        JUDGED.empty_table(),
        foreseen,
        band="1000-1199",
        bands=BANDS,
        strong_rating=2000,
        confidence=0.9,
    )


def test_moves_are_those_of_all_bands_the_bands_own_first(tallied: TalliedTree) -> None:
    """1.d4 was played by strong players only; it is there, behind the band's 1.e4."""
    board = board_after("")
    first, second = tallied.played[key_after("")]

    assert (first.games, first.games_band, first.games_strong) == (6, 6, 0)
    assert (second.games, second.games_band, second.games_strong) == (3, 0, 3)
    assert tallied.child(board, board.parse_san("e4")) == key_after("e4")
    assert tallied.child(board, board.parse_san("a3")) is None
    assert board == board_after("")


def test_answers_are_the_bands(tallied: TalliedTree, tmp_path: Path) -> None:
    """With the tally's pick rates; where the band never was there is none."""
    store = tallied_store(tmp_path / "again", GAMES)
    rate = replies_after(store, "e4")["1000-1199", "e5"]["pick_rate"]

    assert [one.games_band for one in tallied.answers(key_after("e4"))] == [4, 2]
    assert tallied.answers(key_after("e4"))[0].rate == pytest.approx(rate)
    assert tallied.games(key_after("e4")) == 6
    assert tallied.answers(key_after("d4")) == ()


def test_strong_bands_begin_at_the_rating() -> None:
    """Only bands whose players all have it; the unrated are not among them."""
    assert strong_bands(BandScheme((1000, 2000, 2200)), 2000) == {"2000-2199", "2200+"}


@pytest.mark.parametrize("rate", [0.1, 0.3, 0.5, 0.8, 0.9])
@pytest.mark.parametrize("games", [10.0, 50.0, 1000.0])
def test_strength_is_read_back_from_an_interval(rate: float, games: float) -> None:
    """The games under a Beta interval, within a fifth."""
    low, high = beta_interval(np.array([games * rate]), np.array([games * (1.0 - rate)]))

    [strength] = strength_of(np.array([rate]), low, high, confidence=0.9)

    assert strength == pytest.approx(games, rel=0.2)


def test_what_is_likely_is_an_answer_though_nobody_of_the_band_gave_it(tmp_path: Path) -> None:
    """2...d6, which nobody played, and 1.d4, which only the strong did, with the rates of the table."""
    store = tallied_store(tmp_path, GAMES)
    likely = [("e4", "d7d6", 0.1), ("", "d2d4", 0.07), ("", "c2c4", 0.06)]
    rows = [
        {
            "key": key_after(moves),
            "band": "1000-1199",
            "move": pack(chess.Move.from_uci(uci)),
            "pick_rate": rate,
        }
        for moves, uci, rate in likely
    ]

    tallied = laid_out(store, pa.Table.from_pylist(rows, schema=FORESEEN))

    told = {one.move: one for one in tallied.answers(key_after(""))}
    assert [one.games for one in told.values()] == [6, 3, 0]
    assert told[pack(chess.Move.from_uci("d2d4"))].rate == pytest.approx(0.07)
    assert [one.games_band for one in tallied.answers(key_after("e4"))] == [4, 2, 0]
    assert tallied.games(key_after("e4")) == 6
