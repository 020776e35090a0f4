"""Moments that are made up, and stores that hold them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import chess
import chess.polyglot
import numpy as np
import pandas as pd
import pyarrow as pa

from miner.board.moves import pack
from miner.finding.moment import Moment, moment_of
from miner.finding.motifs import Motifs, rows_of
from miner.scan.motifs import count_motifs, with_motifs
from miner.schema import MOMENTS
from miner.terms import BandScheme, expected_score

BANDS = BandScheme((1000,))
LOW, HIGH = BANDS.names[:2]
_USUAL: dict[str, Any] = {
    "band": LOW,
    "band_other": LOW,
    "cp_best": 20,
    "cp_reply": -500,
    "found": True,
    "found_best": True,
    "chance": None,
    "reason": "material",
    "reason_detail": "wins a rook and a pawn",
    "pattern": "double attack",
    "piece": "Q",
    "square": "e5",
    "wins": "a rook and a pawn",
    "opening": "King's Pawn Game",
    "by": "pawn move",
    "nodes": 100_000,
    "pv_defence": [],
}


def moment_row(path: str, reply: str, answers: str, line: str = "", **changes: Any) -> dict[str, Any]:
    """A row of MOMENTS: a mistake after some moves, its good answers, and what follows the first; SAN.

    The game is 0 and its players 1 and 101 unless something else is asked for.
    """
    board = chess.Board()
    for san in path.split():
        board.push_san(san)
    move = board.parse_san(reply)
    now = board.copy(stack=False)
    now.push(move)
    good = [now.parse_san(san).uci() for san in answers.split()]
    after = now.copy(stack=False)
    followed = [after.push_san(san).uci() for san in (answers.split()[:1] + line.split())]
    best = next(iter(board.legal_moves)).uci()
    game = changes.get("game", 0)
    made = _USUAL | {
        "game": game,
        "player": game + 1,
        "player_other": game + 101,
        "ply": board.ply(),
        "key": chess.polyglot.zobrist_hash(board),
        "fen": board.fen(),
        "move": pack(move),
        "losing_reply": board.san(move),
        "losing_reply_uci": move.uci(),
        "best_move": best,
        "answers": good,
        "kept": [1.0] * len(good),
        "played": good[0],
        "pv_best": [best],
        "pv_reply": [move.uci(), *followed],
    }
    made |= changes
    made["exp_best"], made["exp_reply"] = (expected_score(made[name]) for name in ("cp_best", "cp_reply"))
    return made | {"loss": made["exp_best"] - made["exp_reply"]} | changes


def queen_raid(game: int = 0, **changes: Any) -> dict[str, Any]:
    """1.e4 e5 2.Qh5 g6 loses a rook."""
    return moment_row("e4 e5 Qh5", "g6", "Qxe5+", "Be7 Qxh8", game=game, **changes)


def scholar(game: int = 0, **changes: Any) -> dict[str, Any]:
    """3...Nf6 4.Qxf7#."""
    mate = {
        "reason": "mate",
        "reason_detail": "mate in 1",
        "pattern": "mate in one",
        "square": "f7",
        "wins": "mate",
    }
    usual: dict[str, Any] = {"cp_reply": -9_999, "by": "development"} | mate
    return moment_row("e4 e5 Qh5 Nc6 Bc4", "Nf6", "Qxf7#", game=game, **(usual | changes))


def table_of(rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """These rows with their motifs, columns as in MOMENTS."""
    table: pd.DataFrame = with_motifs(pd.DataFrame(rows))[MOMENTS.names]
    return table


def motifs_of(
    rows: Sequence[dict[str, Any]], games: int = 50, white_rating: int = 900
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables moments and motifs of these rows, in so many scanned games."""
    numbers = np.arange(games)
    played = pd.DataFrame(
        {
            "game": numbers,
            "white_player": numbers + 101,
            "black_player": numbers + 1,
            "white_rating": white_rating,
            "black_rating": 900,
        }
    )
    table = table_of(rows)
    return table, count_motifs(table, played, BANDS, 0.9)


def known_motifs(rows: Sequence[dict[str, Any]], games: int = 50, white_rating: int = 900) -> Motifs:
    """What a store would tell of these moments."""
    moments, counts = motifs_of(rows, games, white_rating)
    stored = pa.Table.from_pandas(moments, schema=MOMENTS, preserve_index=False).to_pandas()
    return Motifs.of_tables(counts, stored, games)


def told_moment(row: dict[str, Any]) -> Moment:
    """A row as it is told."""
    return moment_of(rows_of(table_of([row]))[0])
