"""Small tables as the tally leaves them, for the tests of what is made from them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess
import chess.polyglot
import pyarrow as pa

from miner.board.moves import pack
from miner.judge.candidates import Candidate, Position
from miner.schema import FORESEEN, POSITIONS, REACH, REPLIES
from miner.settings import TallySettings, as_dict
from miner.store import Manifest, Store
from tests.stores import finish, write_table

LINES = (
    "e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 d5",
    "e4 e5 Nc3 Nf6 f4 exf4 e5",
    "e4 c5 Nf3 d6 d4 cxd4 Nxd4 Nf6",
)


def board_after(moves: str) -> chess.Board:
    """The board after moves in SAN, space-separated."""
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board


def key_of(board: chess.Board) -> int:
    return chess.polyglot.zobrist_hash(board)


def position(moves: str, *replies: str, worth: float = 5.0, promoted: bool = False) -> Position:
    """A position with candidate replies in SAN."""
    board = board_after(moves)
    parsed = [board.parse_san(reply) for reply in replies]
    candidates = tuple(Candidate(move, pack(move), worth, promoted) for move in parsed)
    return Position(key_of(board), board.fen(en_passant="legal"), candidates)


def reply_row(board: chess.Board, san: str, **other: Any) -> dict[str, Any]:
    """A row of `replies`: by default 20 of 100 games, 40 % scored, as by all others there."""
    row = {
        "key": key_of(board),
        "band": "1200-1399",
        "move": pack(board.parse_san(san)),
        "games": 20,
        "games_elsewhere": 0,
        "players": 20,
        "games_unknown": 0,
        "score_sum": 8.0,
        "mean_rating": 1300.0,
        "games_at_position": 100,
        "games_at_position_elsewhere": 0,
        "score_sum_at_position": 40.0,
        "players_at_position": 100,
        "games_squared": 20.0,
        "games_squared_at_position": 100.0,
        "pick_rate": 0.2,
        "pick_rate_low": 0.1,
        "pick_rate_high": 0.3,
    }
    return row | other


def reach_row(board: chess.Board, **other: Any) -> dict[str, Any]:
    """A row of `reach`: by default the position arises in 1 of 4 games, in 1 of 2 when steered to."""
    row = {
        "key": key_of(board),
        "band": "1200-1399",
        "plain_reach": 0.25,
        "reach_games": 100.0,
        "steered_reach": 0.5,
        "steered_log_variance": 0.0,
    }
    return row | other


def replies_table(*rows: dict[str, Any]) -> pa.Table:
    return pa.Table.from_pylist(list(rows), schema=REPLIES)


def reach_table(*rows: dict[str, Any]) -> pa.Table:
    return pa.Table.from_pylist(list(rows), schema=REACH)


def tallied_store(folder: Path, lines: tuple[str, ...] = LINES, from_ply: int = 0) -> Store:
    """A store whose tally holds every position of the lines with the move played and two others."""
    boards: dict[int, tuple[chess.Board, str]] = {}
    for line in lines:
        moves = line.split()
        for ply, san in enumerate(moves[from_ply:], from_ply):
            board = board_after(" ".join(moves[:ply]))
            boards.setdefault(key_of(board), (board, san))
    replies, positions, reach = [], [], []
    for key, (board, played) in boards.items():
        others = sorted(board.san(move) for move in board.legal_moves if board.san(move) != played)[:2]
        replies += [reply_row(board, san) for san in (played, *others)]
        reach.append(reach_row(board, steered_reach=1.0 / (1 + board.ply())))
        positions.append(
            {
                "key": key,
                "fen": board.fen(en_passant="legal"),
                "ply": board.ply(),
                "path": "",
                "games": 100,
                "eco": "",
                "opening": "",
            }
        )
    store = Store.create(folder)
    write_table(store, "replies", replies_table(*replies))
    write_table(store, "reach", reach_table(*reach))
    write_table(store, "foreseen", FORESEEN.empty_table())
    write_table(store, "positions", pa.Table.from_pylist(positions, schema=POSITIONS))
    finish(
        store,
        Manifest(
            stage="tally", settings=as_dict(TallySettings()), inputs={"games": "some"}, rows={}, facts={}
        ),
    )
    return store
