"""Tables as frames of pandas and by SQL: rating bands in their order."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

import miner
from miner.schema import CURVES
from miner.settings import TallySettings
from miner.store import Manifest, Store
from miner.tally.stage import tally
from tests.stores import Game, finish, read_store, tallied_store, write_table

RATINGS = (700, 900, 1100, 2500, 0)
BANDS = ["0-799", "800-999", "1000-1199", "2400+", "unrated"]


@pytest.fixture
def store(tmp_path: Path) -> miner.Store:
    """Players of five bands, against one of 1000 to 1199."""
    games = [Game(moves="e4 e5", white_rating=rating, black_rating=1000) for rating in RATINGS]
    return miner.Store.open(tallied_store(tmp_path, games, TallySettings(min_games=2)).root)


def curves_of(store: Store, *bands: str) -> None:
    """Put rows of these bands into the table `curves`, as if that were all that was ranked."""
    usual = {"source": "engine", "games": 0.0, "names": [], "coefficients": [], "covariance": []}
    rows = [{"band": band} | usual for band in bands]
    write_table(store, "curves", pa.Table.from_pylist(rows, schema=CURVES))
    finish(store, Manifest(stage="rank", settings={}, inputs={}, rows={"curves": len(rows)}, facts={}))


def test_bands_are_in_the_order_of_ratings(store: miner.Store) -> None:
    """As text, 1000-1199 would come before 800-999 and be less."""
    frame = store.frame("replies")
    at_start = frame[frame["move_san"] == "e4"].sort_values("band")
    asked = store.sql("select band from replies where uci(move) = 'e2e4' group by all order by band")

    assert at_start["band"].tolist() == asked["band"].tolist() == BANDS
    assert [*at_start.groupby("band", observed=True)["games"].sum().index] == BANDS
    assert (at_start["band"] >= "1000-1199").tolist() == [False, False, True, True, True]
    above = store.sql("select distinct band from replies where band >= '1000-1199'::band order by band")
    assert above["band"].tolist() == BANDS[2:]


def test_games_have_the_bands_of_both_players(store: miner.Store) -> None:
    """In frames and by SQL alike; any rating has one, and what is no rating has none."""
    frame = store.frame("games")
    asked = store.sql(
        "select white_band, black_band, band_of(white_rating) as again from games order by game"
    )

    assert frame["white_band"].tolist() == asked["white_band"].tolist() == asked["again"].tolist() == BANDS
    assert {*frame["black_band"]} == {*asked["black_band"]} == {"1000-1199"}
    assert store.sql("select band_of(null) is null as unknown")["unknown"].tolist() == [True]


def test_bands_together_come_last(store: miner.Store) -> None:
    """Names of several have no place among the ratings."""
    curves_of(store, "all", "800-1199", "unrated", "800-999")

    frame, asked = store.frame("curves"), store.sql("select band from curves order by band")

    assert (
        frame.sort_values("band")["band"].tolist()[:2] == asked["band"].tolist()[:2] == ["800-999", "unrated"]
    )
    assert len(asked) == 4


def test_bands_of_an_earlier_tally_are_still_read(store: miner.Store) -> None:
    """What was made before is out of date, not damaged."""
    curves_of(store, "800-999")

    tally(store, TallySettings(min_games=2, band_edges=(1500,)))

    assert store.sql("select band from curves")["band"].tolist() == ["800-999"]
    assert store.frame("curves")["band"].tolist() == ["800-999"]
    assert store.sql("select distinct white_band from games order by all")["white_band"].tolist() == [
        "0-1499",
        "1500+",
        "unrated",
    ]


def test_before_the_tally_there_are_no_bands(tmp_path: Path) -> None:
    """Their edges are its settings."""
    store = miner.Store.open(read_store(tmp_path, [Game(moves="e4 e5", white_rating=900)]).root)

    assert "white_band" not in store.frame("games")
    assert store.sql("select white_rating from games")["white_rating"].tolist() == [900]
