"""The searches of one position: how deep each reply is looked at, and whether a retreat loses a tempo."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field, replace

import chess

from miner.board.moves import after, goes_home, parse_uci_line
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.explain.evidence import AS_GOOD_CP, DEFENCE_TURNS
from miner.judge.candidates import Candidate, Position
from miner.settings import JudgeSettings
from miner.terms import MATE_SCORE_CP, Side

# No settings: who changes one of these raises METHODS["judge"], so that stores are judged again.
MOST_DETOURS = 4
"""Moves that only put off the way home which are set aside before the rest is compared."""
MOST_DEFENCES = 3
"""Other defences at each of these turns, at the most."""
_NEARLY_AS_GOOD_CP = AS_GOOD_CP + 20
"""Centipawns by which a defence may seem worse and may yet be as good: these searches are off by so much."""
_LEFT_NOISE = 0.02
"""Expected score by which the last budget hardly lowers what the one before leaves: of 25 replies that left
their player more than 0.43 none became a mistake, for which it is 0.42."""
UNLIKELY = 0.1
"""Likelihood of a mistake below which other candidates are looked at first."""
CLEARLY = 0.07
"""Expected score by which a clear mistake loses more than it must, and leaves its player less than it may."""
_LEAST_SUSPECTED = 0.02
"""Expected score that a reply may lose, whatever was seen: its players' results have kept it open."""


@dataclass(frozen=True, slots=True)
class Look:
    """The best move's verdict and the reply's at one budget, for the mover."""

    nodes: int  # the budget of each search
    best: Verdict
    reply: Verdict

    @property
    def loss(self) -> float:
        """Expected score (0 to 1) lost against the best move; 0 if the reply is the best move."""
        return 0.0 if self.best.move == self.reply.move else self.suspected

    @property
    def suspected(self) -> float:
        """The same where the search of the position may have taken a losing reply for the best move.

        The search after it sees further. Two searches differ by noise: a reply may seem better than the best
        move, and is then no worse.
        """
        return max(0.0, self.best.score.expected - self.reply.score.expected)


@dataclass(frozen=True, slots=True)
class Retreat:
    """The move home, and the expected score (0 to 1) that the best other way costs the mover."""

    move: str  # UCI
    loss: float


@dataclass(slots=True, eq=False)
class Judgement:
    """The result for a candidate: a look per budget it was given, or the reason why there is no verdict."""

    position: Position
    candidate: Candidate
    looks: list[Look] = field(default_factory=list)
    tempo: bool = False  # some look's line took a developed piece home
    retreat: Retreat | None = None
    defences: tuple[tuple[str, ...], ...] = ()  # UCI lines that begin with the reply, beside the look's
    failure: str = ""

    @property
    def loss(self) -> float:
        """The loss at the deepest budget."""
        return self.looks[-1].loss


Questions = Generator[list[Request], list[Answer], list[Judgement]]


def first_look(position: Position, settings: JudgeSettings) -> Questions:
    """The inquiry that looks at each of a position's candidates by the first budget."""
    board = chess.Board(position.fen)
    judgements = [Judgement(position, candidate) for candidate in position.candidates]
    for judgement in judgements:
        if not board.is_legal(judgement.candidate.move):
            judgement.failure = "the reply is not legal in this position"
    if sound := [judgement for judgement in judgements if not judgement.failure]:
        yield from _look_on(board, sound, settings, stage=0)
    return judgements


def look_deeper(judgements: list[Judgement], settings: JudgeSettings) -> Questions:
    """The inquiry that looks by the other budgets at candidates of one position that the first left open.

    At each stage the position is searched once for all that are still open, and the position after each of
    their replies.
    """
    board, still_open = chess.Board(judgements[0].position.fen), judgements
    for stage in range(1, len(settings.nodes)):
        if not still_open:
            break
        yield from _look_on(board, still_open, settings, stage)
        still_open = [judgement for judgement in still_open if is_open(judgement, settings)]
    for judgement in judgements:
        if judgement.tempo and not judgement.failure and judgement.loss >= settings.tempo_threshold:
            line = judgement.looks[-1].reply.pv
            judgement.retreat = yield from ask_retreat(board, line, settings.nodes[-2])
        if may_be_explained(judgement, settings):
            reply = judgement.looks[-1].reply
            judgement.defences = yield from ask_defences(board, reply.pv, settings.defence_nodes)
    return judgements


def _look_on(
    board: chess.Board, judgements: list[Judgement], settings: JudgeSettings, stage: int
) -> Generator[list[Request], list[Answer], None]:
    yield from look(board, judgements, settings.nodes[stage])
    for judgement in judgements:
        if not judgement.failure:
            judgement.tempo |= may_lose_tempo(board, judgement.looks[-1])


def is_open(judgement: Judgement, settings: JudgeSettings) -> bool:
    """Whether a deeper search could still make the candidate a losing reply, or is needed to be sure."""
    if judgement.failure or is_clear(judgement, settings):
        return False
    stage = len(judgement.looks) - 1
    return goes_on(judgement.looks[-1], stage, judgement.candidate, settings, tempo=judgement.tempo)


def promise(judgement: Judgement, settings: JudgeSettings) -> float:
    """What an open candidate may be worth by its first look: its worth times what it seems to lose, times how
    likely it is a mistake.
    """
    return judgement.candidate.worth * _seen(judgement) * likelihood(judgement, settings)


def _seen(judgement: Judgement) -> float:
    return max(judgement.looks[-1].suspected, _LEAST_SUSPECTED)


def likelihood(judgement: Judgement, settings: JudgeSettings) -> float:
    """How likely an open candidate is a mistake by its first look, about (0 to 1).

    Of 480 replies of amateurs that stayed open 4% were one of those that seemed to lose 0.06 to 0.08, 20% of
    those from 0.10 to 0.12, 43% from 0.14 to 0.16 and 89% from 0.20 on; none of 27 that left their player
    well. Among masters it was 0 of 154, 9% from 0.10 to 0.14, 39% to 0.20, and 53% from there on.
    """
    is_missed = judgement.looks[-1].reply.score.expected > settings.well_left
    surely = 2.0 * settings.must_lose(tempo=judgement.tempo)
    return min(1.0, (_seen(judgement) / surely) ** 3) * (0.1 if is_missed else 1.0)


def look(
    board: chess.Board, judgements: list[Judgement], nodes: int
) -> Generator[list[Request], list[Answer], None]:
    """Add a look at `nodes` per search to each judgement, or a failure.

    A reply is searched after it has been played: of the same nodes, a search of the position that is held to
    one move sees much less. (At 10,000 nodes 6.Ke2 in the Traxler stood at -0.22 so, and at -1.70 after it.)
    """
    best, *answers = yield [
        Request.of(board, nodes),
        *(_after_reply(board, judgement.candidate.move, nodes) for judgement in judgements),
    ]
    for judgement, answer in zip(judgements, answers, strict=True):
        if isinstance(best, Failure):
            judgement.failure = best.reason
        elif isinstance(answer, Failure):
            judgement.failure = answer.reason
        else:
            reply = _for_mover(answer, board, judgement.candidate.move)
            judgement.looks.append(Look(nodes, best, reply))


def _after_reply(board: chess.Board, reply: chess.Move, nodes: int) -> Request:
    """The request for the position after a reply; of one that ends the game, for the reply itself."""
    there = after(board, (reply,))
    return Request.of(there, nodes) if any(there.legal_moves) else Request.of(board, nodes, (reply,))


def _for_mover(answer: Verdict, board: chess.Board, reply: chess.Move) -> Verdict:
    """The answer to `_after_reply` as the reply's player sees it, the reply in front of the line."""
    if answer.score.side is Side.of(board.turn):
        return answer
    score = answer.score.for_other
    if score.mate is not None and score.mate > 0:
        score = replace(score, mate=score.mate + 1)  # the reply is a move of that mate
    return replace(answer, score=score, pv=(reply.uci(), *answer.pv), wdl=tuple(reversed(answer.wdl)))


def may_lose_tempo(board: chess.Board, look: Look) -> bool:
    """Whether the reply's line takes a developed piece home by the mover's next two moves."""
    line = parse_uci_line(board, look.reply.pv[:5])
    return any(goes_home(after(board, line[:ply]), line[ply]) for ply in range(2, len(line), 2))


def goes_on(look: Look, stage: int, candidate: Candidate, settings: JudgeSettings, *, tempo: bool) -> bool:
    """Whether a deeper search than that of `stage` (from 0) could still make the candidate a losing reply.

    A candidate whose players score clearly less is looked at a second time whatever the screen says, and so
    is, at any stage, a reply that loses something where mate stands at the end of one of the lines. What
    leaves its player well can only be a missed chance: where there are many candidates it must be a large
    one, and the last budget is not for it, or the nodes would be spent on these.
    """
    if stage + 1 >= len(settings.nodes):
        return False
    sees_mate = look.best.score.mate is not None or look.reply.score.mate is not None
    if (sees_mate and look.suspected > 0) or (candidate.promoted and stage == 0):
        return True
    left = look.reply.score.expected
    is_last = stage >= 1 and stage + 2 == len(settings.nodes)
    if is_last and not tempo and left > settings.well_left - _LEFT_NOISE:
        return False
    needed = settings.keeps_from(stage)
    if not tempo and left > settings.well_left:
        needed = max(needed, settings.keep_missed if stage == 0 else 1.0)
    return look.suspected >= needed * settings.must_lose(tempo=tempo)


def is_clear(judgement: Judgement, settings: JudgeSettings) -> bool:
    """Whether the last budget can be spared: the two before it leave no doubt of a mistake."""
    if len(judgement.looks) < max(2, len(settings.nodes) - 1):
        return False
    left = judgement.looks[-1].reply.score.expected
    return left <= settings.well_left - CLEARLY and all(
        look.loss >= settings.loss_threshold + CLEARLY for look in judgement.looks[-2:]
    )


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
    for _ in range(min(MOST_DETOURS + 1, len(others))):
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


def may_be_explained(judgement: Judgement, settings: JudgeSettings) -> bool:
    """Whether the reply loses enough at the end of its looks to be told of, and not by mate.

    Against mate there is no defence.
    """
    if judgement.failure or len(judgement.looks) < 2:
        return False
    threshold = settings.must_lose(tempo=judgement.retreat is not None)
    return judgement.loss >= threshold and judgement.looks[-1].reply.score.mate is None


@dataclass(slots=True)
class _Turn:
    """A turn of the side that errs, in the line after its reply."""

    before: tuple[str, ...]  # the line up to here
    board: chess.Board
    played: chess.Move
    others: list[chess.Move]  # that have not been looked at
    least_cp: int = 0  # for the side that errs: from here on a defence is as good as the best


def ask_defences(
    board: chess.Board, reply_pv: tuple[str, ...], nodes: int
) -> Generator[list[Request], list[Answer], tuple[tuple[str, ...], ...]]:
    """An inquiry: lines with other defences as good, at the first turns after the refutation's first move.

    What is said of a losing reply must hold in each of them. A defence counts if it is `_NEARLY_AS_GOOD_CP`
    worse than the best at the most, by searches of `nodes` each. An engine that could not say ends the search
    there.
    """
    turns = []
    for ply in range(2, min(len(reply_pv), 2 * DEFENCE_TURNS + 1), 2):
        here = after(board, parse_uci_line(board, reply_pv[:ply]))
        played = chess.Move.from_uci(reply_pv[ply])
        others = [move for move in here.legal_moves if move != played]
        if others:
            turns.append(_Turn(reply_pv[:ply], here, played, others))
    if not turns:
        return ()
    answers = yield [Request.of(turn.board, nodes, (turn.played,)) for turn in turns]
    for turn, answer in zip(turns, answers, strict=True):
        turn.least_cp = (
            answer.score.as_cp - _NEARLY_AS_GOOD_CP if isinstance(answer, Verdict) else MATE_SCORE_CP
        )
    found: list[tuple[str, ...]] = []
    for _ in range(MOST_DEFENCES):
        answers = yield [Request.of(turn.board, nodes, tuple(turn.others)) for turn in turns]
        still_open = []
        for turn, answer in zip(turns, answers, strict=True):
            if not isinstance(answer, Verdict) or answer.score.as_cp < turn.least_cp:
                continue
            found.append((*turn.before, *answer.pv))
            turn.least_cp = max(turn.least_cp, answer.score.as_cp - _NEARLY_AS_GOOD_CP)
            turn.others.remove(chess.Move.from_uci(answer.move))
            if turn.others:
                still_open.append(turn)
        if not still_open:
            break
        turns = still_open
    return tuple(found)
