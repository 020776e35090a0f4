"""Which won games are worth showing, and which moves in them."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, field, replace

import chess

from miner.board.moves import after
from miner.board.settle import material_balance
from miner.engine.verdicts import Answer, Request, Verdict
from miner.explain.evidence import mates_in_one

CANDIDATES = 8
"""Games per losing reply that the engine looks at."""
WELL_WON = 0.95
"""Expected score from which a game is decided: three such moves in a row end the review."""
WON = 0.85
"""Expected score that a winner must have in the end: the strong resign in time, the weak lose on time."""
TOO_MUCH = 0.5
"""Expected score given away in all with which a game is no model, and is not looked at any further."""
REVIEWED_MOVES = 40
"""Moves of the winner after the losing reply that are looked at."""
TURN = 0.10
"""Expected score by which a move must change the game to be a moment."""
MOST_MOMENTS = 6

_THROWN = 5  # pawns: what a queen is lost for falls short of her by so many
_AT_ONCE = 7  # plies, from a move of the winner on, within which a queen is given up for mate
_ALIKE = 24  # plies after the losing reply
_SHORT, _LONG = 20, 60  # moves of a whole game between which it teaches most
_SMALL_GAP = 300  # a loser so much weaker shows little
_LARGEST_GAP = 600  # and so much weaker nothing


@dataclass(frozen=True, kw_only=True, slots=True)
class WonGame:
    """A game that the side which profits won after it had found one of the good answers."""

    game: int
    moves: tuple[chess.Move, ...]  # from the start
    is_whole: bool  # whether they are all; else only the kept plies are known
    reply_ply: int  # ply of the losing reply
    winner_rating: int  # 0: none
    loser_rating: int
    band: str  # of the winner
    is_strongest: bool  # whether he is one of the strongest players who won
    is_taught: bool  # whether the answer was the taught one
    date: str
    result: str

    @property
    def answer_ply(self) -> int:
        """The ply of the good answer."""
        return self.reply_ply + 1

    @property
    def board_at_answer(self) -> chess.Board:
        """The board on which it is played."""
        return after(chess.Board(), self.moves[: self.answer_ply])


def promise(game: WonGame, best_rating: int) -> float:
    """A cheap guess (0 to 1) at how much a game teaches, before an engine has seen it.

    Half of it is the winner's strength, compared with the best among the winners; then a length at which
    there is something to see, and a loser who is not absurdly weaker.
    """
    strength = game.winner_rating / best_rating if best_rating else 1.0
    return 0.5 * strength + 0.3 * length_value(len(game.moves)) + 0.2 * _balance(game)


def length_value(plies: int) -> float:
    """1 for a game of 20 to 60 moves, falling to 0 for none and for twice as many.

    >>> length_value(80), length_value(20), length_value(240)
    (1.0, 0.5, 0.0)
    """
    moves = plies / 2
    if moves < _SHORT:
        return moves / _SHORT
    return max(0.0, min(1.0, 2.0 - moves / _LONG))


def _balance(game: WonGame) -> float:
    if not game.winner_rating or not game.loser_rating:
        return 0.5
    gap = game.winner_rating - game.loser_rating
    return max(0.0, min(1.0, (_LARGEST_GAP - gap) / (_LARGEST_GAP - _SMALL_GAP)))


def models_among(reviews: Iterable[Review], most: int) -> list[Review]:
    """The games that are models: those with the taught answer first, and of either the best first."""
    models = [seen for seen in reviews if seen.is_model]
    return sorted(models, key=lambda seen: (not seen.game.is_taught, -seen.score, seen.game.game))[:most]


def candidates(games: Sequence[WonGame], most: int = CANDIDATES) -> list[WonGame]:
    """The most promising games, those with the taught answer first, and of either the best first.

    Of games that go alike for twelve moves only the best is taken; those that are spoiled are left out.
    """
    best = max((game.winner_rating for game in games), default=0)
    chosen: dict[tuple[chess.Move, ...], WonGame] = {}
    for game in sorted(games, key=lambda game: (not game.is_taught, -promise(game, best), game.game)):
        if len(chosen) == most:
            break
        beginning = game.moves[: game.answer_ply + _ALIKE]
        if beginning not in chosen and not is_spoiled(game):
            chosen[beginning] = game
    return list(chosen.values())


def is_spoiled(game: WonGame) -> bool:
    """Whether the winner, from the answer on, did not see a mate in one or threw the queen away.

    Neither costs expected score that counts where a game is won: with a queen more or less, it is close to 1.
    """
    board = game.board_at_answer
    for ply in range(game.answer_ply, len(game.moves), 2):
        moves = game.moves[ply : ply + _AT_ONCE]
        misses_mate = mates_in_one(board) is not None and not after(board, moves[:1]).is_checkmate()
        if misses_mate or _throws_queen(board, moves):
            return True
        for move in game.moves[ply : ply + 2]:
            board.push(move)
    return False


def _throws_queen(board: chess.Board, moves: Sequence[chess.Move]) -> bool:
    """Whether the first of these moves loses the queen for much less, without a mate at the end of them."""
    taken = after(board, moves[:1]).piece_type_at(moves[1].to_square) if len(moves) > 1 else None
    if taken != chess.QUEEN:
        return False
    settled = after(board, moves[:3])  # with what takes back
    lost = material_balance(board, board.turn) - material_balance(settled, board.turn)
    return lost >= _THROWN and not after(board, moves).is_checkmate()


@dataclass(frozen=True, slots=True)
class WinnerMove:
    """One of the winner's moves, as the engine sees it; expected scores (0 to 1) are the winner's."""

    ply: int
    best: float  # of the best move there
    played: float  # of the move that was played
    is_best: bool = False  # whether the best move was played
    second: float | None = None  # of the best other move, where the best one was played; None: not asked

    @property
    def given_away(self) -> float:
        """Expected score that the move gave away, at least 0."""
        return max(0.0, self.best - self.played)


@dataclass(slots=True, eq=False)
class Review:
    """A won game as the engine sees it."""

    game: WonGame
    steps: list[WinnerMove] = field(default_factory=list)
    failure: str = ""

    @property
    def given_away(self) -> float:
        """Expected score that the winner gave away in all, while the game was open."""
        return sum(step.given_away for step in self.steps)

    @property
    def quality(self) -> float:
        """Expected score that the winner gave away per move."""
        return self.given_away / len(self.steps) if self.steps else 0.0

    @property
    def end(self) -> float:
        """Expected score of the winner after the last move that was looked at."""
        return self.steps[-1].played if self.steps else 0.0

    @property
    def is_model(self) -> bool:
        """Whether it was won over the board and not by luck or the clock."""
        return not self.failure and self.given_away < TOO_MUCH and self.end >= WON

    @property
    def score(self) -> float:
        """The order of models, at most 1: quality before all, then how it was won.

        A tenth of expected score given away per move is the whole of it; decided sooner, of a good length and
        by a stronger player count a little.
        """
        soon = 1.0 - min(1.0, len(self.steps) / REVIEWED_MOVES)
        strength = min(1.0, self.game.winner_rating / 3000)
        won = 0.15 * soon + 0.15 * length_value(len(self.game.moves)) + 0.1 * strength
        return 0.6 * max(0.0, 1.0 - 10.0 * self.quality) + won

    @property
    def moments(self) -> list[int]:
        """Plies of the moves that mattered, in order.

        The loser's errors, and the winner's good moves where every other one was clearly worse.
        """
        weights = {step.ply: step.best - step.second for step in self.steps if step.second is not None}
        for earlier, later in zip(self.steps, self.steps[1:], strict=False):
            weights[later.ply - 1] = later.best - earlier.played
        turns = sorted((-weight, ply) for ply, weight in weights.items() if weight >= TURN)
        return sorted(ply for _, ply in turns[:MOST_MOMENTS])


ReviewQuestions = Generator[list[Request], list[Answer], Review]


def review(game: WonGame, nodes: int) -> ReviewQuestions:
    """The inquiry into a won game: the winner's moves, from the refutation on, until it is decided."""
    found = Review(game)
    board = game.board_at_answer
    for ply in range(game.answer_ply, min(len(game.moves), game.answer_ply + 2 * REVIEWED_MOVES), 2):
        step = yield from _look(board, game.moves[ply], ply, nodes)
        if isinstance(step, str):
            found.failure = step
            break
        found.steps.append(step)
        is_decided = len(found.steps) >= 3 and all(seen.played >= WELL_WON for seen in found.steps[-3:])
        if found.given_away >= TOO_MUCH or is_decided:
            break
        for move in game.moves[ply : ply + 2]:
            board.push(move)
    return found


def _look(
    board: chess.Board, move: chess.Move, ply: int, nodes: int
) -> Generator[list[Request], list[Answer], WinnerMove | str]:
    [best] = yield [Request.of(board, nodes)]
    if not isinstance(best, Verdict):
        return best.reason
    expected = best.score.expected
    if best.move == move.uci():
        return WinnerMove(ply, expected, expected, is_best=True)
    [played] = yield [Request.of(board, nodes, (move,))]
    if not isinstance(played, Verdict):
        return played.reason
    return WinnerMove(ply, expected, played.score.expected)


def review_choices(seen: Review, nodes: int) -> ReviewQuestions:
    """The inquiry into a game that is shown: what else there was where the winner played the best move.

    Not where the game was decided, or there was no other move. What cannot be had stays unknown.
    """
    board = seen.game.board_at_answer
    doubtful: list[int] = []  # places in the steps
    requests: list[Request] = []
    for place, step in enumerate(seen.steps):
        move = seen.game.moves[step.ply]
        others = tuple(other for other in board.legal_moves if other != move)
        if step.is_best and others and step.best < WELL_WON:
            doubtful.append(place)
            requests.append(Request.of(board, nodes, others))
        for played in seen.game.moves[step.ply : step.ply + 2]:
            board.push(played)
    steps = list(seen.steps)
    if requests:
        answers = yield requests
        for place, answer in zip(doubtful, answers, strict=True):
            if isinstance(answer, Verdict):
                steps[place] = replace(steps[place], second=answer.score.expected)
    return Review(seen.game, steps, seen.failure)
