"""The searches of a model game: every position once, and again where something is to be said of it."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import chess

from miner.board.moves import after, parse_uci_line
from miner.board.settle import VALUES
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.finding.finding import Finding
from miner.follow.models import TURN
from miner.judge.inquiry import ask_defences
from miner.terms import Side

AGAIN, SURE = 4, 10
"""Times the nodes of the first look: where a move seems to give something away, and where one is good."""
SLIP = 0.07
"""Expected score (0 to 1) given away from which a better move is shown."""
CLEAR = 0.10
"""Expected score by which all other moves must be worse for a move to be the only one."""
DECIDED = 0.90
"""Expected score from which a game is decided: about four pawns (common practice, no source)."""
LONGEST_MATE = 3
"""Moves of a mate that is asked for: longer ones are found by no look at the board."""

LEAST_CHOICE = 3
"""Legal moves from which on there is something to find."""

_DOUBT = 0.03  # that the first look may be off, where the deeper one decides
_LOST = 0.10  # with less, it hardly matters any more which move is the only one
_ROUNDS = 6  # searches that go on where the line of a mate breaks off


@dataclass(frozen=True, kw_only=True, slots=True)
class GivenGame:
    """A won game after a losing reply, from the start, and what is known of it without an engine."""

    number: int  # in the store
    moves: tuple[chess.Move, ...]
    reply_ply: int  # ply of the losing reply
    result: str
    date: str = ""
    winner_rating: int = 0  # 0: none
    loser_rating: int = 0
    finding: Finding | None = None  # on the losing reply, if it is one of those that are listed

    @property
    def winner(self) -> Side:
        """The side that profits, and wins."""
        return Side.of(self.reply_ply % 2 == 1)

    @property
    def answer_ply(self) -> int:
        """The ply of the answer to the losing reply."""
        return self.reply_ply + 1


def boards_of(moves: tuple[chess.Move, ...]) -> list[chess.Board]:
    """The boards before each move of a game, and after the last."""
    boards = [chess.Board()]
    for move in moves:
        boards.append(after(boards[-1], (move,)))
    return boards


@dataclass(frozen=True, kw_only=True, slots=True)
class Turn:
    """A move that gives something away; scores are those of the searches by `AGAIN` times the nodes."""

    best: Verdict  # of the position before it, for who errs
    answer: Verdict  # of the position after it, for the other side
    defences: tuple[tuple[str, ...], ...] = ()  # UCI lines that begin with the move, beside the answer's

    @property
    def left(self) -> float:
        """Expected score (0 to 1) that the move leaves its player."""
        return 1.0 - self.answer.score.expected

    @property
    def loss(self) -> float:
        """Expected score given away."""
        return self.best.score.expected - self.left


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """A best move that was played, and the best of all others, by searches of `nodes` each."""

    best: Verdict
    other: Verdict
    nodes: int

    @property
    def margin(self) -> float:
        """Expected score by which every other move is worse."""
        return self.best.score.expected - self.other.score.expected

    @property
    def mate_in(self) -> int:
        """Moves to a mate that no other move gives as soon; 0: there is none, or another does, too."""
        best, other = self.best.score.mate, self.other.score.mate
        if best is None or best <= 0 or (other is not None and 0 < other <= best):
            return 0
        return best


@dataclass(slots=True, eq=False)
class Seen:
    """A game as the engine sees it."""

    game: GivenGame
    boards: list[chess.Board]
    looks: list[Verdict | None] = field(default_factory=list)  # of each board; None: nobody can move there
    turns: dict[int, Turn] = field(default_factory=dict)  # by ply of the move that gives away
    choices: dict[int, Choice] = field(default_factory=dict)  # by ply of the only move
    mate_ply: int | None = None  # from which on the winner had a mate by force at every move, to the end
    mate_in: int = 0  # in so many moves at the most
    end: Verdict | None = None  # of the last position; None: it is mate
    end_line: tuple[chess.Move, ...] = ()  # from there on; of a mate the whole of it, or none of it
    failure: str = ""

    def expected(self, ply: int) -> float:
        """Expected score (0 to 1) of the side to move before this ply, by the first look."""
        look = self.looks[ply]
        if look is not None:
            return look.score.expected
        return 0.0 if self.boards[ply].is_check() else 0.5

    def for_winner(self, ply: int) -> float:
        """The same, of the side that wins."""
        expected = self.expected(ply)
        return expected if self.boards[ply].turn == self.game.winner.color else 1.0 - expected

    @property
    def decided_ply(self) -> int:
        """The first ply from which on the winner always expects `DECIDED` or more; the end: there is none."""
        decided = len(self.game.moves)
        while decided > self.game.answer_ply and self.for_winner(decided - 1) >= DECIDED:
            decided -= 1
        return decided

    @property
    def given_away(self) -> float:
        """Expected score that the winner gave away in all, from the answer on."""
        winner = self.game.winner.color
        return sum(
            turn.loss
            for ply, turn in self.turns.items()
            if ply >= self.game.answer_ply and self.boards[ply].turn == winner
        )


Questions = Generator[list[Request], list[Answer], Seen]


def inquire(game: GivenGame, nodes: int) -> Questions:
    """The inquiry into a game, with so many nodes for the first look at each position."""
    seen = Seen(game, boards_of(game.moves))
    yield from _look(seen, nodes)
    if not seen.failure:
        yield from _turns(seen, nodes)
        yield from _choices(seen, nodes)
        yield from _mate(seen, nodes)
        yield from _end(seen, nodes)
    return seen


Asking = Generator[list[Request], list[Answer], None]


def _look(seen: Seen, nodes: int) -> Asking:
    can_move = [any(board.generate_legal_moves()) for board in seen.boards]
    answers = yield [
        Request.of(board, nodes) for board, can in zip(seen.boards, can_move, strict=True) if can
    ]
    if failed := next((answer for answer in answers if isinstance(answer, Failure)), None):
        seen.failure = failed.reason
        return
    found = iter(answers)
    for can in can_move:
        look = next(found) if can else None
        assert not isinstance(look, Failure)
        seen.looks.append(look)


def _turns(seen: Seen, nodes: int) -> Asking:
    """What gives something away by the first look, and by the deeper one."""
    suspects = [
        ply
        for ply in range(len(seen.game.moves))
        if seen.looks[ply + 1] and seen.expected(ply) - (1.0 - seen.expected(ply + 1)) >= SLIP
    ]
    if not suspects:
        return
    requests = [Request.of(board, AGAIN * nodes) for ply in suspects for board in seen.boards[ply : ply + 2]]
    answers = yield requests
    for place, ply in enumerate(suspects):
        best, answer = answers[2 * place : 2 * place + 2]
        if isinstance(best, Failure) or isinstance(answer, Failure):
            continue
        turn = Turn(best=best, answer=answer)
        if best.move != seen.game.moves[ply].uci() and turn.loss >= SLIP:
            seen.turns[ply] = yield from _with_defences(seen, ply, turn, nodes)


def _with_defences(
    seen: Seen, ply: int, turn: Turn, nodes: int
) -> Generator[list[Request], list[Answer], Turn]:
    """A turn with other defences as good: what is said must hold with each. Against mate there are none."""
    if turn.loss < TURN or turn.answer.score.mate is not None:
        return turn
    line = (seen.game.moves[ply].uci(), *turn.answer.pv)
    defences = yield from ask_defences(seen.boards[ply], line, nodes)
    return Turn(best=turn.best, answer=turn.answer, defences=defences)


def _choices(seen: Seen, nodes: int) -> Asking:
    """The played moves beside which no other was good."""
    played = {ply: seen.game.moves[ply] for ply in range(seen.game.answer_ply, len(seen.game.moves))}
    doubtful = [ply for ply, move in played.items() if _may_be_only(seen, ply, move)]
    if not doubtful:
        return
    others = {
        ply: tuple(move for move in seen.boards[ply].legal_moves if move != played[ply]) for ply in doubtful
    }
    answers = yield [Request.of(seen.boards[ply], nodes, others[ply]) for ply in doubtful]
    likely = [
        ply
        for ply, answer in zip(doubtful, answers, strict=True)
        if isinstance(answer, Verdict) and _stands_alone(seen.looks[ply], answer, -_DOUBT)
    ]
    if not likely:
        return
    budgets = {ply: nodes * (SURE if _may_be_asked(seen, ply) else AGAIN) for ply in likely}
    answers = yield [
        request
        for ply, budget in budgets.items()
        for request in (
            Request.of(seen.boards[ply], budget),
            Request.of(seen.boards[ply], budget, others[ply]),
        )
    ]
    for place, (ply, budget) in enumerate(budgets.items()):
        best, other = answers[2 * place : 2 * place + 2]
        if isinstance(best, Failure) or isinstance(other, Failure) or best.move != played[ply].uci():
            continue
        if _stands_alone(best, other):
            seen.choices[ply] = Choice(best=best, other=other, nodes=budget)


def _may_be_asked(seen: Seen, ply: int) -> bool:
    """Whether pupils may be asked for a move: one of the winner, of which there is a choice."""
    board = seen.boards[ply]
    return board.turn == seen.game.winner.color and board.legal_moves.count() >= LEAST_CHOICE


def _may_be_only(seen: Seen, ply: int, move: chess.Move) -> bool:
    """Whether a move is worth asking about: the best, not forced, no mere taking back or stepping aside."""
    board, look = seen.boards[ply], seen.looks[ply]
    if look is None or look.move != move.uci() or look.score.expected < _LOST or ply in seen.turns:
        return False
    is_long = look.score.mate is not None and look.score.mate > LONGEST_MATE
    takes_back = ply > 0 and move.to_square == seen.game.moves[ply - 1].to_square and board.is_capture(move)
    return board.legal_moves.count() > 1 and not (takes_back or is_long or steps_aside(board, move))


def steps_aside(board: chess.Board, move: chess.Move) -> bool:
    """Whether a move does no more than take an attacked piece away: it gives no check and takes nothing.

    Attacked means: by a man that is worth less, or undefended.

    >>> board = chess.Board("rnbqkb1r/pp1ppppp/5n2/2p1P3/8/8/PPPP1PPP/RNBQKBNR b KQkq - 0 3")
    >>> steps_aside(board, board.parse_san("Nd5")), steps_aside(board, board.parse_san("d5"))
    (True, False)
    """
    here, value = move.from_square, VALUES[board.piece_type_at(move.from_square) or chess.PAWN]
    if value < VALUES[chess.KNIGHT] or board.is_capture(move) or board.gives_check(move):
        return False
    attackers = board.attackers(not board.turn, here)
    cheaper = any(VALUES[board.piece_type_at(by) or chess.PAWN] < value for by in attackers)
    return cheaper or bool(attackers and not board.attackers(board.turn, here))


def _stands_alone(best: Verdict | None, other: Verdict, by: float = 0.0) -> bool:
    """Whether every other move is clearly worse, or does not mate as soon."""
    if best is None:
        return False
    choice = Choice(best=best, other=other, nodes=0)
    return choice.margin >= CLEAR + by or 0 < choice.mate_in <= LONGEST_MATE


def _mate(seen: Seen, nodes: int) -> Asking:
    """From when on the winner had a mate by force at every move, to the end."""
    winner = seen.game.winner
    from_here = None
    for ply in range(len(seen.boards) - 1, seen.game.reply_ply, -1):
        look = seen.looks[ply]
        if look is not None and look.score.winner is not winner:
            break
        if seen.boards[ply].turn == winner.color and ply < len(seen.game.moves):
            from_here = ply
    if from_here is None:
        return
    [verdict] = yield [Request.of(seen.boards[from_here], AGAIN * nodes)]
    if isinstance(verdict, Verdict) and verdict.score.winner is winner:
        seen.mate_ply, seen.mate_in = from_here, abs(verdict.score.mate or 0)


def _end(seen: Seen, nodes: int) -> Asking:
    """What would have come after the last move."""
    board = seen.boards[-1]
    if seen.looks[-1] is None:
        return
    [verdict] = yield [Request.of(board, SURE * nodes)]
    if isinstance(verdict, Failure):
        return
    seen.end, line = verdict, list(parse_uci_line(board, verdict.pv))
    if verdict.score.mate is None:
        seen.end_line = tuple(line)
        return
    for _ in range(_ROUNDS):
        now = after(board, line)
        if now.is_checkmate():
            seen.end_line = tuple(line)
            return
        [further] = yield [Request.of(now, AGAIN * nodes)]
        if isinstance(further, Failure) or further.score.winner is not verdict.score.winner:
            return
        line += parse_uci_line(now, further.pv)
