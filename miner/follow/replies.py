"""A losing reply that is followed, as the judge has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.lines import after, unpack_move
from miner.follow.asking import Stake


@dataclass(frozen=True, kw_only=True, slots=True)
class LosingReply:
    """A losing reply and what it is worth."""

    key: int  # of the position before it
    move: int  # packed
    fen: str  # before it
    stake: Stake

    @property
    def board_after(self) -> chess.Board:
        """The board after the reply: the side that profits is to move."""
        return after(chess.Board(self.fen), [unpack_move(self.move)])


def losing_replies(judged: pd.DataFrame) -> Iterator[LosingReply]:
    """The rows of `judged` as values, in their order; all must be judged."""
    row: Any
    for row in judged.itertuples(index=False):
        yield LosingReply(key=int(row.key), move=int(row.move), fen=str(row.fen), stake=Stake.of(row))
