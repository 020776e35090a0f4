"""What all mistakes have in common that are told of: a move that loses, what punishes it, what was better."""

from __future__ import annotations

import chess

from miner.board.moves import pack
from miner.reasons import Reason
from miner.terms import BLUNDER_LOSS, Kind, Side

Reply = tuple[int, int]
"""The key of the position before a losing reply, and the reply packed, as the tables know it."""


class Mistake:
    """A finding, whose position recurs, or a moment of a single game; lines are moves in SAN."""

    __slots__ = ()

    fen: str  # of the position before it
    key: int  # of the same
    ply: int  # of the mistake; 0: the first move of the game
    path: tuple[str, ...]  # the way there; empty also where it is not told
    eco: str
    opening: str
    side: Side  # that profits
    kind: Kind
    band: str  # of who errs
    losing_reply: str
    losing_reply_uci: str
    best_move: str
    best_line: tuple[str, ...]
    refutation: tuple[str, ...]
    answers: tuple[str, ...]  # the good ones, the best first
    usual_line: tuple[str, ...]
    usual_games: int
    usual_of: int
    loss: float
    exp_best: float
    cp_best: int
    cp_reply: int
    reason: Reason
    reason_detail: str
    pattern: str | None
    gambit: bool

    is_missed = False  # of the class, no column

    def __repr__(self) -> str:
        from miner.finding.words import plain, reply_words, title

        return f"<{title(self)}, {plain(reply_words(self))}{self.sign}>"

    def _repr_html_(self) -> str:
        from miner.finding.card import card_html

        return card_html(self)

    @property
    def what(self) -> str:
        """What it is called, at the beginning of a title."""
        raise NotImplementedError

    @property
    def mover(self) -> Side:
        """The side that errs."""
        return self.side.other

    @property
    def taught(self) -> Side:
        """The side of the pupils: it profits from a trap and errs in a pitfall."""
        return self.mover if self.kind is Kind.PITFALL else self.side

    @property
    def is_severe(self) -> bool:
        """Whether the reply earns two question marks: it costs a quarter of a point, or is about mate."""
        return self.loss >= BLUNDER_LOSS or self.reason is Reason.MATE

    @property
    def sign(self) -> str:
        """The sign behind the reply, as print has it."""
        if self.is_missed:
            return ""
        return "?!" if self.gambit else "??" if self.is_severe else "?"

    @property
    def reply(self) -> Reply:
        """The losing reply, by which the tables about it are joined."""
        return self.key, pack(chess.Move.from_uci(self.losing_reply_uci))

    @property
    def better(self) -> tuple[str, ...]:
        """The best move and what follows it, as far as that is known."""
        return self.best_line or (self.best_move,)

    @property
    def board(self) -> chess.Board:
        """The position before the losing reply, on a board of the caller's own."""
        return chess.Board(self.fen)

    @property
    def board_after(self) -> chess.Board:
        """The position after the losing reply, likewise."""
        board = self.board
        board.push_uci(self.losing_reply_uci)
        return board
