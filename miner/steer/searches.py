"""What the engine says of positions and moves: the judge's verdicts first, then searches of our own."""

from __future__ import annotations

import logging
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import chess

from miner.board.moves import pack, unpack_move
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.steer.tallied import Judged

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Question:
    """A position, and the moves there that are to be looked at besides the best one."""

    key: int
    fen: str
    moves: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Looked:
    """What is known of a position, for the side to move there."""

    best_move: int
    cp_best: int
    cp: dict[int, int]  # of moves, the best one among them; none is better than the best
    lines: dict[int, tuple[str, ...]]  # the engine's, from each of them on, UCI

    def seen_by_other(self) -> Looked:
        """The same for the side that is not to move."""
        return replace(self, cp_best=-self.cp_best, cp={move: -cp for move, cp in self.cp.items()})


Ask = Callable[[Sequence[Question]], list[Looked | None]]
"""Answers in the order of the questions; None: no verdict could be had."""


def look(
    question: Question, judged: Mapping[int, Judged], nodes: int
) -> Generator[list[Request], list[Answer], Looked | None]:
    """The inquiry that completes what the judge said of a position."""
    board = chess.Board(question.fen)
    cp = {move: one.cp_reply for move, one in judged.items()}
    lines = {move: one.line_reply for move, one in judged.items()}
    if judged:
        deepest = max(judged.values(), key=lambda one: one.nodes)
        cp_best, line_best = deepest.cp_best, deepest.line_best
    else:
        [best] = yield [Request.of(board, nodes)]
        if isinstance(best, Failure):
            log.warning("no verdict on %s: %s", question.fen, best.reason)
            return None
        cp_best, line_best = best.score.as_cp, best.pv
    best_move = pack(chess.Move.from_uci(line_best[0]))
    cp[best_move], lines[best_move] = cp_best, line_best
    missing = [move for move in question.moves if move not in cp]
    if missing:
        answers = yield [Request.of(board, nodes, (unpack_move(move),)) for move in missing]
        for move, answer in zip(missing, answers, strict=True):
            if isinstance(answer, Verdict):
                cp[move], lines[move] = answer.score.as_cp, answer.pv
    # Two searches differ by noise: a move may seem better than the best one, and is then no worse.
    cp = {move: min(of_move, cp_best) for move, of_move in cp.items()}
    return Looked(best_move, cp_best, cp, lines)


def inquiries(
    questions: Iterable[Question], judged: Mapping[int, Mapping[int, Judged]], nodes: int
) -> Iterable[Generator[list[Request], list[Answer], Looked | None]]:
    """One inquiry for each question."""
    return (look(one, judged.get(one.key, {}), nodes) for one in questions)
