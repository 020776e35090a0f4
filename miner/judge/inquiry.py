"""All that is asked about one position and its candidates, from the screen to the final verdict. No I/O."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import chess

from miner.judge.budgets import Look, goes_on, may_lose_tempo
from miner.judge.candidates import Candidate, Position
from miner.judge.tempo import Retreat, ask_retreat
from miner.judge.verdicts import Answer, Failure, Request, Verdict
from miner.settings import JudgeSettings


@dataclass(slots=True, eq=False)
class Judgement:
    """What became of a candidate: a look per budget it was given, or a reason why there is no verdict."""

    position: Position
    candidate: Candidate
    looks: list[Look] = field(default_factory=list)
    tempo: bool = False  # some look's line took a developed piece home
    retreat: Retreat | None = None
    failure: str = ""

    @property
    def loss(self) -> float:
        """The loss at the deepest budget."""
        return self.looks[-1].loss


Questions = Generator[list[Request], list[Answer], list[Judgement]]


def inquire(position: Position, settings: JudgeSettings) -> Questions:
    """The inquiry that judges a position's candidates, in stages.

    At each stage the position is searched once for all candidates that are still open, and each of their
    replies unless it is the best move.
    """
    board = chess.Board(position.fen)
    judgements = [Judgement(position, candidate) for candidate in position.candidates]
    for one in judgements:
        if not board.is_legal(one.candidate.move):
            one.failure = "the reply is not legal in this position"
    still_open = [one for one in judgements if not one.failure]
    for stage, nodes in enumerate(settings.nodes):
        if not still_open:
            break
        yield from look(board, still_open, nodes)
        for one in still_open:
            one.tempo |= not one.failure and may_lose_tempo(board, one.looks[-1])
        still_open = [
            one
            for one in still_open
            if not one.failure and goes_on(one.looks[-1], stage, one.candidate, settings, tempo=one.tempo)
        ]
    for one in judgements:
        if one.tempo and not one.failure and one.loss >= settings.tempo_threshold:
            one.retreat = yield from ask_retreat(board, one.looks[-1].reply.pv, settings.nodes[-2])
    return judgements


def look(
    board: chess.Board, judgements: list[Judgement], nodes: int
) -> Generator[list[Request], list[Answer], None]:
    """Add a look at `nodes` per search to each judgement, or a failure.

    A reply that was not the best move before will hardly be now: it is searched along with the position,
    so that no engine waits. The others are searched if the position's search shows another best move.
    """
    behind = [one for one in judgements if one.looks and one.looks[-1].loss > 0]
    best, *answers = yield [Request.of(board, nodes), *_requests(board, behind, nodes)]
    if isinstance(best, Failure):
        for one in judgements:
            one.failure = best.reason
        return
    searched = list(behind)
    rest = [one for one in judgements if one not in behind and one.candidate.move.uci() != best.move]
    if rest:
        answers += yield _requests(board, rest, nodes)
        searched += rest
    reply_of = {one.candidate.move: answer for one, answer in zip(searched, answers, strict=True)}
    for one in judgements:
        is_best = one.candidate.move.uci() == best.move
        reply = best if is_best else reply_of[one.candidate.move]
        if isinstance(reply, Verdict):
            one.looks.append(Look(nodes, best, reply))
        else:
            one.failure = reply.reason


def _requests(board: chess.Board, judgements: list[Judgement], nodes: int) -> list[Request]:
    return [Request.of(board, nodes, (one.candidate.move,)) for one in judgements]
