"""The tallied replies as edges between positions."""

from __future__ import annotations

from pathlib import Path

import chess
import pytest
from chess.polyglot import zobrist_hash

from miner.board.moves import unpack_move
from miner.graph.edges import edges_of
from miner.settings import TallySettings
from tests.stores import Game, key_after, tallied_store

DETOUR = [Game(moves="Nf3 Nf6 Ng1 Ng8 e4 e5 d4 d5")] * 2
STRAY = [Game(moves="d4 d5 c4 e6"), Game(moves="c4 d5 d4 e6")]


@pytest.mark.parametrize(
    ("games", "without_a_way"),
    [([*STRAY, *[Game(moves="e4 c5 Nf3")] * 2], 0), ([*DETOUR, *[Game(moves="c4 c5 Nf3")] * 3], 3)],
)
def test_each_edge_leads_where_its_move_does(games: list[Game], without_a_way: int, tmp_path: Path) -> None:
    """Also where no chain of tallied replies leads to a position, and where no way at all is known."""
    store = tallied_store(tmp_path, games, TallySettings(min_games=2))
    positions, replies = store.read_table("positions"), store.read_table("replies")

    edges = edges_of(positions, replies, store.read_table("edges"))

    assert store.require("tally").facts["positions_without_a_way"] == without_a_way
    assert edges.keys.tolist() == positions["key"].to_pylist()
    assert {*zip(edges.key.tolist(), edges.move.tolist(), edges.games.tolist(), strict=True)} == {
        (row["key"], row["move"], row["games"]) for row in replies.to_pylist()
    }
    boards = [chess.Board(fen) for fen in positions["fen"].to_pylist()]
    assert edges.white_to_move.tolist() == [board.turn for board in boards]
    for parent, child, key, move in zip(edges.parent, edges.child, edges.key, edges.move, strict=True):
        board = boards[parent].copy()
        assert zobrist_hash(board) == key
        board.push(unpack_move(int(move)))
        after = zobrist_hash(board)
        assert after == edges.keys[child] if child >= 0 else after not in edges.keys
    assert edges.keys[edges.start] == key_after("")
