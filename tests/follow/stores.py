"""A small club in whose games a rook is lost, ready to be followed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.board.moves import pack
from miner.schema import JUDGED
from miner.settings import FollowSettings, JudgeSettings, TallySettings, as_dict
from miner.store import Manifest, Store
from miner.terms import expected_score
from tests.stores import Game, board_after, finish, key_after, tallied_store, write_table

BEFORE = "e4 e5 Qh5"
"""2...g6 loses a rook to 3.Qxe5+ and 4.Qxh8; 2...Nc6 does not."""

QUICK = FollowSettings(nodes=3000, model_nodes=1000, most_games=50)

_TAKES = f"{BEFORE} g6 Qxe5 Be7 Qxh8 Kf8 Nc3 d6 d4 Be6 Be3 Nd7 O-O-O Bf6 Qxh7 Bg7"
_WAITS = f"{BEFORE} g6 Qxe5 Be7 d4 Nf6 Bg5 O-O Nc3 d6"
_MISSES = f"{BEFORE} g6 Qf3 Nf6 Bc4 Bg7"
_ODD = f"{BEFORE} g6 Na3 gxh5"
_SOUND = f"{BEFORE} Nc6 Bc4 g6 Qf3 Nf6"


def _games(moves: str, result: str, rating: int, number: int, lasts: str = "") -> list[Game]:
    """So many games alike, but for the last move of each if there are such."""
    return [
        Game(
            moves=f"{moves} {last}".strip(),
            result=result,
            white=f"Pupil {rating} {one}",
            black=f"Rival {one}",
            white_rating=rating,
            black_rating=950,
        )
        for one, last in zip(range(number), lasts.split() or [""] * number, strict=True)
    ]


GAMES = [
    *_games(_TAKES, "1-0", 1100, 5, lasts="a3 b3 f3 g3 h3"),  # 1000-1199 find it
    *_games(_WAITS, "0-1", 1150, 3),  # 1000-1199 find it, and then let the rook off
    *_games(_MISSES, "0-1", 900, 4),  # 800-999 do not find it
    *_games(_MISSES, "1/2-1/2", 1120, 2),
    *_games(_ODD, "0-1", 910, 1),
    *_games(_SOUND, "1/2-1/2", 1000, 6),
]


def verdict(**other: Any) -> dict[str, Any]:
    """The row of `judged` on 2...g6, as a deep search would have it."""
    board = board_after(BEFORE)
    row: dict[str, Any] = {
        "key": key_after(BEFORE),
        "fen": board.fen(en_passant="legal"),
        "move": pack(board.parse_san("g6")),
        "nodes": 4_000,
        "best_move": "b8c6",
        "cp_best": 40,
        "cp_reply": -520,
        "exp_best": expected_score(40),
        "exp_reply": expected_score(-520),
        "nodes_before": 1_000,
        "wdl_best": [],
        "wdl_reply": [],
        "pv_best": ["b8c6", "f1c4"],
        "pv_reply": ["g7g6", "h5e5", "f8e7", "e5h8"],
        "retreat": "",
        "defences": [],
        "engine": "Engine 1",
        "state": "judged",
        "detail": "",
    }
    row |= other
    row["loss"] = row["loss_before"] = row["exp_best"] - row["exp_reply"]
    return row


def judged_store(folder: Path, *rows: dict[str, Any], games: list[Game] | None = None) -> Store:
    """A store of these games (the club's), tallied, with these verdicts (that on 2...g6)."""
    store = tallied_store(folder, GAMES if games is None else games, TallySettings(min_games=2))
    record(store, *(rows or [verdict()]))
    return store


def record(store: Store, *rows: dict[str, Any]) -> None:
    """Put these verdicts into a tallied store, as if it had been judged."""
    write_table(store, "judged", pa.Table.from_pylist(list(rows), schema=JUDGED))
    finish(
        store,
        Manifest(
            stage="judge",
            settings=as_dict(JudgeSettings()),
            inputs={"tally": store.require("tally").fingerprint, "engine": {"name": "Engine 1"}},
            rows={"judged": len(rows)},
            facts={"min_games": 5},
        ),
    )
