"""An engine that knows what each move is worth, and the losing replies it is asked about."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import chess

from miner.engine.verdicts import Answer, Failure, Request, Verdict, mover
from miner.terms import Score
from tests.inquiries import Found, heard


@dataclass
class Script:
    """Worth of each move (UCI) in centipawns for its mover, wherever it is played."""

    cp: dict[str, int]
    others: int = -1000  # moves that are not named
    by_nodes: dict[tuple[str, int], int] = field(default_factory=dict)  # what a budget thinks of a move
    alone: dict[str, int] = field(default_factory=dict)  # what it thinks of a move that is searched alone
    fails_over: str = ""  # a move that is asked for
    asked: list[tuple[int, tuple[str, ...]]] = field(default_factory=list)

    def answer(self, request: Request) -> Answer:
        """The verdict on one search."""
        self.asked.append((request.nodes, request.searchmoves))
        if self.fails_over and request.searchmoves == (self.fails_over,):
            return Failure("no engine left")
        moves = request.searchmoves or tuple(one.uci() for one in chess.Board(request.fen).legal_moves)

        def worth(move: str) -> int:
            if request.searchmoves == (move,) and move in self.alone:
                return self.alone[move]
            return self.by_nodes.get((move, request.nodes), self.cp.get(move, self.others))

        best = max(sorted(moves), key=worth)
        return Verdict(Score.from_cp(mover(request), worth(best)), (best,), request.nodes, 9)

    def hear(self, inquiry: Generator[list[Request], list[Answer], Found]) -> Found:
        """What an inquiry finds out from it."""
        return heard(inquiry, self.answer)
