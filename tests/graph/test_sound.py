"""Steered reach without our own unsound moves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from miner.board.moves import pack
from miner.graph.edges import edges_of
from miner.graph.sound import share_of_games, sound_reach
from miner.schema import JUDGED
from miner.store import Manifest, Store
from tests.stores import Game, board_after, key_after, replies_after, tallied_store

GAMES = [
    # The trap 2.Qh5 g6 needs a queen's sortie; 2.Nf3 is the usual move.
    *[Game(moves="e4 e5 Qh5 g6 Qxe5", white_rating=1100, black_rating=1100)] * 2,
    *[Game(moves="e4 e5 Qh5 Nc6 Bc4", white_rating=1100, black_rating=1100)] * 2,
    *[Game(moves="e4 e5 Nf3 Nc6 Bc4", white_rating=1100, black_rating=1100)] * 5,
    *[Game(moves="e4 c5 Nf3 d6 d4", white_rating=1100, black_rating=1100)] * 3,
]
BAND = "1000-1199"


def judged_store(folder: Path, losses: dict[tuple[str, str], float]) -> Store:
    """A tallied store, and verdicts of our own on the moves: what each loses."""
    store = tallied_store(folder, GAMES)
    rows = []
    for (before, san), loss in losses.items():
        board = board_after(before)
        row = dict.fromkeys(JUDGED.names) | {
            "key": key_after(before),
            "fen": board.fen(),
            "move": pack(board.parse_san(san)),
            "nodes": 1,
            "best_move": "",
            "loss": loss,
            "nodes_before": 0,
            "wdl_best": [],
            "wdl_reply": [],
            "pv_best": [],
            "pv_reply": [],
            "retreat": "",
            "engine": "by hand",
            "state": "judged",
            "detail": "",
        }
        rows.append(row)
    store.write_table("judged", pa.Table.from_pylist(rows, schema=JUDGED))
    store.finish(Manifest(stage="judge", settings={}, inputs={}, rows={"judged": len(rows)}, facts={}))
    return store


def steered(found: pd.DataFrame, moves: str) -> float:
    """Steered reach there."""
    [reach] = found.loc[(found["key"] == key_after(moves)) & (found["band"] == BAND), "steered_reach"]
    return float(reach)


def test_without_unsound_moves_nothing_changes(tmp_path: Path) -> None:
    """Where nothing is forbidden the numbers are the tally's own, to the last bit."""
    store = judged_store(tmp_path, {("e4 e5", "Qh5"): 0.03})
    reach = store.read_table("reach").to_pandas()

    found = sound_reach(store, 0.05)

    columns = ["key", "band", "steered_reach", "steered_log_variance"]
    pd.testing.assert_frame_equal(found, reach[columns])


def test_position_behind_an_unsound_move_is_not_reached(tmp_path: Path) -> None:
    """2.Qh5 loses more than we allow: what follows it does not arise, although it did in the games."""
    store = judged_store(tmp_path, {("e4 e5", "Qh5"): 0.2})

    found = sound_reach(store, 0.05)

    assert steered(found, "e4 e5 Qh5") == 0.0
    assert steered(found, "e4 e5 Nf3") == pytest.approx(replies_after(store, "e4")[BAND, "e5"]["pick_rate"])


def test_opponents_may_play_unsound_moves(tmp_path: Path) -> None:
    """A losing reply of the opponent is what we steer for: 2...g6 stays, for White as for Black."""
    store = judged_store(tmp_path, {("e4 e5 Qh5", "g6"): 0.4, ("e4", "c5"): 0.2})
    before = store.read_table("reach").to_pandas()

    found = sound_reach(store, 0.05)

    for moves in ("e4 e5 Qh5", "e4 c5 Nf3"):
        assert steered(found, moves) == steered(before, moves)
    assert steered(found, "e4 c5") == 0.0  # where White is to move Black has steered, with a forbidden move


def test_games_that_came_by_a_forbidden_move_do_not_count(tmp_path: Path) -> None:
    """Six games came to the attack on f7 by 2.Qh5, two by 2.Bc4; without 2.Qh5 two in eight are left."""
    games = [
        *[Game(moves="e4 e5 Qh5 Nc6 Bc4 g6", black_rating=1100)] * 6,
        *[Game(moves="e4 e5 Bc4 Nc6 Qh5 g6", black_rating=1100)] * 2,
    ]
    store = tallied_store(tmp_path, games)
    edges = edges_of(*(store.read_table(name) for name in ("positions", "replies", "edges")))
    sortie = edges.rows(
        np.array([key_after("e4 e5")], dtype=np.uint64),
        np.array([pack(board_after("e4 e5").parse_san("Qh5"))], dtype=np.uint16),
    )

    forbidden = np.isin(np.arange(len(edges.key)), sortie)
    share = share_of_games(edges, forbidden)

    assert edges.keys[edges.child[sortie]].tolist() == [key_after("e4 e5 Qh5")]
    assert share[edges.keys == key_after("e4 e5 Qh5 Nc6 Bc4")].tolist() == [0.25]
    assert share[edges.keys == key_after("e4 e5 Bc4")].tolist() == [1.0]
    assert share[edges.keys == key_after("e4 e5 Qh5")].tolist() == [0.0]
