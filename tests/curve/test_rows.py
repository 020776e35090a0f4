"""Which games' evaluations count, for whom and how much."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from miner.curve.fit import curves_in, fit_curves
from miner.curve.rows import engine_rows_of, rows_of
from miner.errors import StoreError
from miner.schema import JUDGED
from miner.store import Manifest, Store
from miner.terms import BandScheme, pack_move
from tests.stores import Game, board_after, finish, key_after, tallied_store, write_table

BANDS = BandScheme((1500,))


def judged(moves: str, san: str, cp: int | None, wdl: list[int] | None = None) -> dict[str, Any]:
    """A row of `judged` for a reply after moves, both in SAN."""
    board = board_after(moves)
    move = board.parse_san(san)
    row: dict[str, Any] = {field.name: None for field in JUDGED}
    filled = dict.fromkeys(("best_move", "retreat", "engine", "state", "detail"), "")
    lists: dict[str, list[Any]] = {name: [] for name in ("wdl_best", "pv_best", "pv_reply", "defences")}
    return (
        row
        | filled
        | lists
        | {
            "key": key_after(moves),
            "fen": board.fen(),
            "move": pack_move(move.from_square, move.to_square, move.promotion),
            "nodes": 1000,
            "nodes_before": 0,
            "cp_reply": cp,
            "wdl_reply": wdl or [],
        }
    )


def judged_store(folder: Path, games: list[Game], rows: list[dict[str, Any]]) -> Store:
    store = tallied_store(folder, games)
    write_table(store, "judged", pa.Table.from_pylist(rows, schema=JUDGED))
    inputs = {"tally": store.require("tally").fingerprint}
    finish(store, Manifest(stage="judge", settings={}, inputs=inputs, rows={"judged": len(rows)}, facts={}))
    return store


def test_each_player_of_a_game_counts_once(tmp_path: Path) -> None:
    """White has two judged moves, Black one: White's count a half each, and the scores are the movers'."""
    game = Game(moves="e4 e5 f4", result="1-0", white_rating=1600, black_rating=1400)
    replies = [judged("", "e4", 30), judged("e4", "e5", -25), judged("e4 e5", "f4", -60)]

    rows = rows_of(judged_store(tmp_path, [game], replies), BANDS)

    assert rows.cp.tolist() == [30.0, -25.0, -60.0]
    assert rows.weight.tolist() == [0.5, 1.0, 0.5]
    assert rows.score.tolist() == [1.0, 0.0, 1.0]
    assert rows.gap.tolist() == [200.0, -200.0, 200.0]
    assert rows.band.tolist() == [1, 0, 1]


def test_a_gap_needs_both_ratings(tmp_path: Path) -> None:
    """Against an unrated player nothing is known of the gap; the unrated are the last band."""
    game = Game(moves="e4 e5", white_rating=1600)

    rows = rows_of(judged_store(tmp_path, [game], [judged("", "e4", 30), judged("e4", "e5", -25)]), BANDS)

    assert rows.gap.tolist() == [0.0, 0.0]
    assert rows.gap_known.tolist() == [False, False]
    assert rows.band.tolist() == [1, 2]


def test_inconclusive_verdicts_are_left_out(tmp_path: Path) -> None:
    """What the engine could not tell says nothing."""
    store = judged_store(tmp_path, [Game(moves="e4 e5")], [judged("", "e4", None), judged("e4", "e5", -25)])

    assert rows_of(store, BANDS).cp.tolist() == [-25.0]


def test_an_even_share_of_many_games(tmp_path: Path) -> None:
    """Of ten games five are looked at, if no more are wanted."""
    store = judged_store(tmp_path, [Game(moves="e4 e5")] * 10, [judged("", "e4", 30)])

    assert rows_of(store, BANDS, most_games=5).game.tolist() == [0, 2, 4, 6, 8]


def test_the_engines_own_expectation(tmp_path: Path) -> None:
    """300 wins, 500 draws and 200 losses in a thousand are 0.55."""
    store = judged_store(tmp_path, [Game(moves="e4 e5")], [judged("", "e4", 30, [300, 500, 200])])

    rows = engine_rows_of(store)

    assert rows.cp.tolist() == [30.0]
    assert rows.expected.tolist() == [0.55]


def test_a_store_with_one_game_has_the_engines_curves(tmp_path: Path) -> None:
    """All bands have a curve, whatever the store holds."""
    store = judged_store(tmp_path, [Game(moves="e4 e5")], [judged("", "e4", 30, [300, 500, 200])])

    curves = fit_curves(store, BANDS)

    assert [(curve.band, curve.source) for curve in curves] == [
        ("0-1499", "engine"),
        ("1500+", "engine"),
        ("unrated", "engine"),
    ]


def test_curves_are_read_while_they_are_up_to_date(tmp_path: Path) -> None:
    """What `rank` wrote is taken; once the replies are judged again, the curves are fitted anew."""
    store = judged_store(tmp_path, [Game(moves="e4 e5")], [judged("", "e4", 30, [300, 500, 200])])
    fitted = fit_curves(store, BANDS).to_table()
    assert curves_in(store, BANDS).to_table() == fitted
    marked = fitted.set_column(2, fitted.schema.field("games"), pa.array([70.0, 80.0, 90.0]))
    write_table(store, "curves", marked)
    inputs = {"judge": store.require("judge").fingerprint}
    finish(store, Manifest(stage="rank", settings={}, inputs=inputs, rows={"curves": 3}, facts={}))

    assert curves_in(store, BANDS).to_table() == marked

    inputs = {"tally": store.require("tally").fingerprint}
    finish(store, Manifest(stage="judge", settings={"nodes": 1}, inputs=inputs, rows={"judged": 1}, facts={}))
    assert curves_in(store, BANDS).to_table() == fitted


def test_no_games_no_rows(tmp_path: Path) -> None:
    """A store without games gives no rows and the engine's curves."""
    store = judged_store(tmp_path, [Game(moves="", result="1-0")], [])

    assert len(rows_of(store, BANDS)) == 0
    assert {curve.source for curve in fit_curves(store, BANDS)} == {"engine"}


def test_an_unjudged_store_is_an_error(tmp_path: Path) -> None:
    """There is nothing to fit to yet."""
    with pytest.raises(StoreError, match="`judge` has not been run"):
        rows_of(tallied_store(tmp_path, [Game(moves="e4")]), BANDS)
