"""What an explanation starts from: the position, the engine's two lines and their scores."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from miner.board.lines import after
from miner.terms import Score


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A losing reply as the engine sees it. All moves are legal where they stand; no line is empty."""

    board: chess.Board  # before the losing reply: the side to move is the side that errs
    best_line: tuple[chess.Move, ...]  # begins with the best move
    reply_line: tuple[chess.Move, ...]  # begins with the losing reply; then its refutation
    best: Score  # of the best move, for the side that errs
    reply: Score  # of the losing reply, for the side that errs
    retreat: chess.Move | None = None  # third move of a line in which the engine forced a piece home
    retreat_loss: float | None = None  # expected score lost by every move that takes no piece home

    def __post_init__(self) -> None:
        assert self.best_line, "the best line begins with the best move"
        assert self.reply_line, "the reply's line begins with the reply"

    @property
    def errs(self) -> chess.Color:
        """The side that makes the losing reply."""
        return self.board.turn

    @property
    def punishes(self) -> chess.Color:
        """The other side."""
        return not self.board.turn

    def after_reply(self, plies: int) -> chess.Board:
        """The board after so many moves of the reply's line, the reply being the first."""
        return after(self.board, self.reply_line[:plies])
