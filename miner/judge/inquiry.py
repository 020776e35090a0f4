"""The searches of one position: how deep each reply is looked at, and whether a retreat loses a tempo."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import chess

from miner.board.moves import after, goes_home, parse_uci_line
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.judge.candidates import Candidate, Position
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


# No settings: who changes one of these raises METHODS["judge"], so that stores are judged again.
USUAL_WORTH = 2.0
"""Points per 100 games (see `Candidate.worth`) at which the settings' `keep` holds as it is."""
LOWEST_BAR, HIGHEST_BAR = 0.5, 1.2
"""How far worth may move the bar, as factors."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one budget showed of a reply: the best move's verdict and the reply's, for the mover."""

    nodes: int  # the budget of each search
    best: Verdict
    reply: Verdict

    @property
    def loss(self) -> float:
        """Expected score (0 to 1) lost against the best move; 0 if the reply is the best move."""
        if self.best.move == self.reply.move:
            return 0.0
        # Two searches differ by noise: a reply may seem better than the best move, and is then no worse.
        return max(0.0, self.best.score.expected - self.reply.score.expected)

    @property
    def sees_mate(self) -> bool:
        """Whether mate stands at the end of one of the lines, and there is something to be lost."""
        return self.loss > 0 and (self.best.score.mate is not None or self.reply.score.mate is not None)


def may_lose_tempo(board: chess.Board, look: Look) -> bool:
    """Whether the reply's line takes a developed piece home by the mover's next two moves."""
    line = parse_uci_line(board, look.reply.pv[:5])
    board = board.copy(stack=False)
    home = []
    for move in line:
        home.append(goes_home(board, move))
        board.push(move)
    return any(home[2::2])


def bar(stage: int, worth: float, settings: JudgeSettings, *, tempo: bool) -> float:
    """Expected score that must be lost at `stage` (from 0) to go on: less if a tempo may be lost.

    And lower for what is worth more: with the fourth root, a reply worth 16 times as much has half the bar,
    so that noise costs few points and the nodes go where they are. Never above the threshold itself.
    """
    threshold = min(settings.tempo_threshold, settings.loss_threshold) if tempo else settings.loss_threshold
    by_worth = min(HIGHEST_BAR, max(LOWEST_BAR, (USUAL_WORTH / worth) ** 0.25)) if worth > 0 else HIGHEST_BAR
    return min(threshold, settings.keeps_from(stage) * threshold * by_worth)


def goes_on(look: Look, stage: int, candidate: Candidate, settings: JudgeSettings, *, tempo: bool) -> bool:
    """Whether a deeper search than that of `stage` (from 0) could still make the candidate a losing reply.

    A candidate whose players score clearly less is looked at a second time whatever the screen says.
    """
    if stage + 1 >= len(settings.nodes):
        return False
    if look.sees_mate or (candidate.promoted and stage == 0):
        return True
    return look.loss >= bar(stage, candidate.worth, settings, tempo=tempo)


MOST_DETOURS = 4
"""Moves that only put off the way home which are set aside before the rest is compared."""


@dataclass(frozen=True, slots=True)
class Retreat:
    """The move home, and what every other way costs the mover in expected score (0 to 1)."""

    move: str  # UCI
    loss: float


def ask_retreat(
    board: chess.Board, reply_pv: tuple[str, ...], nodes: int
) -> Generator[list[Request], list[Answer], Retreat | None]:
    """An inquiry: the move home that is best after the reply and its answer, while every other one is worse.

    A move after which the same piece goes home next all the same is no way out, and is set aside.
    None if there is no such retreat, or an engine could not say.
    """
    board = after(board, parse_uci_line(board, reply_pv[:2]))
    legal = list(board.legal_moves)
    others = [move for move in legal if not goes_home(board, move)]
    if len(reply_pv) < 2 or len(others) == len(legal):
        return None
    [best] = yield [Request.of(board, nodes)]
    if not isinstance(best, Verdict) or not goes_home(board, chess.Move.from_uci(best.move)):
        return None
    piece_from = chess.Move.from_uci(best.move).from_square
    expected_otherwise = 0.0
    for _ in range(MOST_DETOURS + 1):
        if not others:
            break
        [other] = yield [Request.of(board, nodes, tuple(others))]
        if not isinstance(other, Verdict):
            return None
        expected_otherwise = other.score.expected
        if not _is_detour(board, other.pv, piece_from):
            break
        others.remove(chess.Move.from_uci(other.move))
    if not others:  # there is nothing but going home
        expected_otherwise = 0.0
    return Retreat(best.move, max(0.0, best.score.expected - expected_otherwise))


def _is_detour(board: chess.Board, pv: tuple[str, ...], piece_from: chess.Square) -> bool:
    """Whether the piece on `piece_from` goes home with the mover's second move of the line."""
    if len(pv) < 3:
        return False
    home = chess.Move.from_uci(pv[2])
    return home.from_square == piece_from and goes_home(after(board, parse_uci_line(board, pv[:2])), home)
