"""The published traps and sound lines of tests/external/data as values."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import chess
import chess.polyglot

from miner.board.moves import pack
from miner.terms import MATE_SCORE_CP, Score, Side

DATA = Path(__file__).with_name("data")
CLEAR_LOSS = 0.12
"""Expected score that a trap costs, by its listed centipawns, to be required: some way above the threshold
of 0.10, as two searches of one position differ by some 10 centipawns, or 0.015."""


@dataclass(frozen=True, slots=True)
class Published:
    """A published line that ends with a reply, losing or sound."""

    id: str
    way: tuple[chess.Move, ...]  # to the position before the reply
    reply: chess.Move
    best: chess.Move
    victim: Side  # who makes the reply
    loss: float  # expected score that the reply loses by the listed centipawns
    games_before: int = 0  # masters' games through the position, as listed
    games_reply: int = 0  # of them with the reply

    @property
    def board(self) -> chess.Board:
        """The position before the reply."""
        board = chess.Board()
        for move in self.way:
            board.push(move)
        return board

    @property
    def key(self) -> int:
        """Its position key."""
        return chess.polyglot.zobrist_hash(self.board)

    @property
    def keys_met(self) -> set[int]:
        """The keys of all positions from the start to the one before the reply."""
        board = chess.Board()
        keys = {chess.polyglot.zobrist_hash(board)}
        for move in self.way:
            board.push(move)
            keys.add(chess.polyglot.zobrist_hash(board))
        return keys

    @property
    def identity(self) -> tuple[int, int]:
        """Position key and packed reply, as the tables have them."""
        return self.key, pack(self.reply)


def traps() -> list[Published]:
    """All published traps."""
    return _load("traps.csv")


def clear_traps() -> list[Published]:
    """The published traps that cost `CLEAR_LOSS` or more."""
    return [trap for trap in traps() if trap.loss >= CLEAR_LOSS]


def sound_lines() -> list[Published]:
    """All published lines whose last move looks risky and is sound."""
    return _load("sound.csv")


def _load(name: str) -> list[Published]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return [_published(row) for row in csv.DictReader(file)]


def _published(row: dict[str, str]) -> Published:
    board = chess.Board()
    *before, reply = row["moves"].split()
    way = [board.push_san(san) for san in before]
    best, chosen = (_expected(int(row[column])) for column in ("eval_best_cp", "eval_reply_cp"))
    victim = Side(row["victim"])
    assert Side.of(board.turn) is victim, f"{row['id']}: it is not {victim}'s move"
    return Published(
        id=row["id"],
        way=tuple(way),
        reply=board.parse_san(reply),
        best=board.parse_san(row["best_move"]),
        victim=victim,
        loss=best - chosen,
        games_before=int(row["games_before"]),
        games_reply=int(row["games_reply"]),
    )


def _expected(cp: int) -> float:
    """Expected score by the listed centipawns, which write a mate as 10,000."""
    if abs(cp) >= MATE_SCORE_CP:
        return float(cp > 0)
    return Score(Side.WHITE, cp=cp).expected
