"""The searches of the scan: one of every position, and a few of each move that may be a mistake."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

import chess

from miner.board.moves import after, unpack_move
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.explain.evidence import AS_GOOD_CP
from miner.settings import ScanSettings
from miner.terms import Score

First = Generator[list[Request], list[Answer], float | None]


def first_look(fen: str, nodes: int) -> First:
    """The expected score of the side to move by one search; None: the engine could not say."""
    board = chess.Board(fen)
    if not any(board.generate_legal_moves()):
        return 0.0 if board.is_check() else 0.5
    [found] = yield [Request.of(board, nodes)]
    return found.score.expected if isinstance(found, Verdict) else None


@dataclass(frozen=True, slots=True)
class Suspect:
    """A move that gives much away at the first look, and what was played after it in the sample."""

    key: int
    move: int  # packed
    fen: str
    played: tuple[int, ...]  # packed answers
    taken_on: int | None = None  # where the other side has just taken something, in the first game with it


@dataclass(frozen=True, slots=True)
class Mistake:
    """What the deeper searches say of a move; scores and lines are those of who errs."""

    best: Score
    reply: Score
    pv_best: tuple[str, ...]  # UCI; begins with the best move
    pv_reply: tuple[str, ...]  # UCI; begins with the mistake, then the best answer
    pv_defence: tuple[str, ...]  # the same with another defence as good; empty: there is none
    answers: tuple[str, ...]  # UCI: moves that keep enough of the gain, the best first
    kept: tuple[float, ...]  # share (0 to 1) that each of them keeps

    @property
    def loss(self) -> float:
        """Expected score (0 to 1) given away."""
        return self.best.expected - self.reply.expected


Second = Generator[list[Request], list[Answer], Mistake | Failure | None]


def second_look(suspect: Suspect, settings: ScanSettings) -> Second:
    """The inquiry about a suspect; None: it is no mistake after all.

    The position after it is searched by the second budget, then the one before. Whatever these leave in doubt
    is searched by the last; what is clear only after the move, since that line is shown. As soon as it is no
    mistake, nothing else is searched. Then answers are sought from the best down, until one keeps too little;
    beyond `settings.answers` those that were played, each alone. There, too, the last budget is for what the
    second leaves in doubt.
    """
    board, move = chess.Board(suspect.fen), unpack_move(suspect.move)
    now = after(board, (move,))
    _, few, many = settings.nodes
    [glance] = yield [Request.of(now, few)]
    if isinstance(glance, Failure):
        return glance
    if 1.0 - glance.score.expected > settings.mistake_score + settings.doubt:
        return None
    [before] = yield [Request.of(board, few)]
    if isinstance(before, Failure):
        return before
    if _loss(before, glance) < settings.loss_threshold - settings.doubt:
        return None
    [answer] = yield [Request.of(now, many)]
    if isinstance(answer, Failure):
        return answer
    if 1.0 - answer.score.expected > settings.mistake_score:
        return None
    if abs(_loss(before, answer) - settings.loss_threshold) < settings.doubt:
        [before] = yield [Request.of(board, many)]
        if isinstance(before, Failure):
            return before
    loss = _loss(before, answer)
    if before.move == move.uci() or loss < settings.loss_threshold:
        return None
    found = yield from _answers(now, glance, answer, suspect, loss, settings)
    if isinstance(found, Failure):
        return found
    most = max(found.values())
    kept = {uci: min(1.0, 1.0 - (most - expected) / loss) for uci, expected in found.items()}
    good = sorted((uci for uci in kept if kept[uci] >= settings.kept), key=lambda uci: (-kept[uci], uci))
    # Of searches by the same nodes that of all moves counts: the line that is shown begins with its choice.
    good.sort(key=lambda uci: uci != answer.move)
    defence = yield from _other_defence(now, answer, few, many)
    return Mistake(
        before.score,
        answer.score.for_other,
        before.pv,
        (move.uci(), *answer.pv),
        (move.uci(), *defence) if defence else (),
        tuple(good),
        tuple(kept[uci] for uci in good),
    )


def _loss(before: Verdict, answer: Verdict) -> float:
    """Expected score that a move gives away, by the verdicts on the positions before it and after it."""
    return before.score.expected - (1.0 - answer.score.expected)


def _answers(
    now: chess.Board, glance: Verdict, best: Verdict, suspect: Suspect, loss: float, settings: ScanSettings
) -> Generator[list[Request], list[Answer], dict[str, float] | Failure]:
    """Expected scores of the best answers, and of those that were played as far as they may be good, too.

    `glance` and `best`: on all answers, by the second budget and by the last.
    """
    _, few, many = settings.nodes
    found, may_give = {best.move: best.score.expected}, (1.0 - settings.kept) * loss
    rest = [move for move in now.legal_moves if move.uci() != best.move]
    while rest and len(found) < settings.answers:
        [next_best] = yield [Request.of(now, few, tuple(rest))]
        if isinstance(next_best, Failure):
            return next_best
        behind = glance.score.expected - next_best.score.expected
        if abs(behind - may_give) <= settings.doubt:
            [next_best] = yield [Request.of(now, many, tuple(rest))]
            if isinstance(next_best, Failure):
                return next_best
            behind = best.score.expected - next_best.score.expected
        if behind > may_give:
            return found
        found[next_best.move] = best.score.expected - behind
        rest = [move for move in rest if move.uci() != next_best.move]
    unknown = [move for packed in suspect.played if (move := unpack_move(packed)) in rest]
    if unknown:
        verdicts = yield [Request.of(now, many, (move,)) for move in unknown]
        for verdict in verdicts:
            if isinstance(verdict, Failure):
                return verdict
            found[verdict.move] = verdict.score.expected
    return found


_FAR_WORSE_CP = 3 * AS_GOOD_CP
"""Centipawns by which another defence is worse than the best at the second budget, so that it is none."""


def _other_defence(
    now: chess.Board, best: Verdict, few: int, many: int
) -> Generator[list[Request], list[Answer], tuple[str, ...]]:
    """The best answer's line with another defence as good as the engine's own; empty: there is none."""
    if len(best.pv) < 2 or best.score.mate is not None:
        return ()
    board = after(now, (chess.Move.from_uci(best.pv[0]),))
    others = tuple(move for move in board.legal_moves if move.uci() != best.pv[1])
    if not others:
        return ()
    line: tuple[str, ...] = ()
    for nodes, worse in ((few, _FAR_WORSE_CP), (many, AS_GOOD_CP)):
        [other] = yield [Request.of(board, nodes, others)]
        if isinstance(other, Failure) or -other.score.as_cp - best.score.as_cp > worse:
            return ()
        line = best.pv[0], *other.pv
    return line
