"""The tallied replies as edges between positions."""

from __future__ import annotations

import chess
import pyarrow as pa
from chess.polyglot import zobrist_hash

from miner.board.moves import pack
from miner.graph.edges import edges_of


def test_a_position_that_no_chain_of_tallied_replies_leads_to_is_found_by_its_path() -> None:
    """Its games came by ways that are too rare to be tallied themselves."""
    path = "g1f3 g8f6 b1c3"
    stray = chess.Board()
    for uci in path.split():
        stray.push_uci(uci)
    keys = [zobrist_hash(chess.Board()), zobrist_hash(stray)]
    moves = [pack(chess.Move.from_uci(uci)) for uci in ("e2e4", "b8c6")]

    edges = edges_of(
        pa.table({"key": pa.array(keys, pa.uint64()), "path": ["", path]}),
        pa.table(
            {"key": pa.array(keys, pa.uint64()), "move": pa.array(moves, pa.uint16()), "games": [12, 11]}
        ),
    )

    assert dict(zip(edges.keys.tolist(), edges.white_to_move.tolist(), strict=True)) == {
        keys[0]: True,
        keys[1]: False,
    }
