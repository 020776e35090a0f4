"""The tree grows from a position as far as it matters, the engine being asked on the way. No I/O."""

from __future__ import annotations

import heapq
import logging
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

import chess

from miner.board.moves import pack, unpack_move
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.settings import SteerSettings
from miner.steer.expectimax import BandReply, Choice, OurPosition, TheirPosition, Tree, TreePosition, steps_of
from miner.steer.tallied import Judged, Played, TalliedTree
from miner.terms import Side, expected_score

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Question:
    """A position, and the moves there that are to be looked at besides the best one."""

    key: int
    fen: str
    moves: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Looked:
    """The judge's and the engine's verdicts on a position and its moves, for the side to move there."""

    best_move: int
    cp_best: int
    cp: dict[int, int]  # of moves, the best one among them; none is better than the best
    lines: dict[int, tuple[str, ...]]  # the engine's, from each of them on, UCI


Ask = Callable[[Sequence[Question]], list[Looked | None]]
"""Answers in the order of the questions; None: no verdict could be had."""


def look_at(
    question: Question, judged: Mapping[int, Judged], nodes: int
) -> Generator[list[Request], list[Answer], Looked | None]:
    """The inquiry that completes the judge's verdicts on a position."""
    board = chess.Board(question.fen)
    cp = {move: verdict.cp_reply for move, verdict in judged.items()}
    lines = {move: verdict.line_reply for move, verdict in judged.items()}
    if judged:
        deepest = max(judged.values(), key=lambda verdict: verdict.nodes)
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


def reached(tree: Tree, root: int) -> dict[int, tuple[float, int]]:
    """How often each position arises at the best, our side playing towards it, and its least distance in
    plies; also of those at which the tree ends.
    """
    best = {root: 1.0}
    plies = {root: 0}
    heap = [(-1.0, 0, root)]
    while heap:
        negative, distance, key = heapq.heappop(heap)
        if key not in tree or (-negative < best[key] and distance > plies[key]):
            continue
        for step in steps_of(tree[key]):
            if step.child is None:
                continue
            reach = -negative * (step.rate if isinstance(step, BandReply) else 1.0)
            is_better = reach > best.get(step.child, 0.0)
            is_nearer = distance + 1 < plies.get(step.child, distance + 2)
            if is_better or is_nearer:
                best[step.child] = max(reach, best.get(step.child, 0.0))
                plies[step.child] = min(distance + 1, plies.get(step.child, distance + 1))
                heapq.heappush(heap, (-reach, distance + 1, step.child))
    return {key: (reach, plies[key]) for key, reach in best.items()}


@dataclass(frozen=True, slots=True)
class Growth:
    """The part of the tallied graph that matters to `side`, and how it is found."""

    tallied: TalliedTree
    side: Side
    settings: SteerSettings
    fixed: Mapping[int, Sequence[int]]  # the moves of a repertoire by position: allowed, and no other there

    def tree(self, root: int, ask: Ask) -> dict[int, TreePosition]:
        """The part from the tallied position `root` on.

        A position belongs to it if it is near enough and arises in enough games while our side plays towards
        it; each layer is asked for at once. Positions of which no verdict could be had are left out.
        """
        tree: dict[int, TreePosition] = {}
        given_up: set[int] = set()
        while True:
            front = {
                key: (reach, plies)
                for key, (reach, plies) in reached(tree, root).items()
                if key not in tree and key not in given_up
                if reach >= self.settings.min_reach and plies < self.settings.plies
            }
            if not front:
                return tree
            keys = sorted(front, key=lambda key: (-front[key][0], key))
            questions = [self._question(key, *front[key]) for key in keys]
            for question, looked in zip(questions, ask(questions), strict=True):
                if looked is None:
                    given_up.add(question.key)
                else:
                    tree[question.key] = self._position(question, looked)

    def _question(self, key: int, reach: float, plies: int) -> Question:
        fen = self.tallied.positions[key].fen
        board = chess.Board(fen)
        if board.turn == self.side.color:
            moves = self._worth_a_look(key, board).union(self.fixed.get(key, ()))
        else:
            # A reply that leads into the tree is known by the position after it; a rare one needs no search.
            is_last = plies + 1 >= self.settings.plies
            moves = {
                answer.move
                for answer in self.tallied.answers(key)
                if reach * answer.rate >= self.settings.min_reach
                and (is_last or self.tallied.child(board, unpack_move(answer.move)) is None)
            }
        return Question(key, fen, tuple(sorted(moves)))

    def _worth_a_look(self, key: int, board: chess.Board) -> set[int]:
        """Our moves to which the band's answers are known, and those that are played most.

        What else was played can be no better than the engine's best move, since nothing is known beyond it.
        """
        moves = self.tallied.played.get(key, ())
        known = {
            played.move
            for played in moves
            if played.games >= self.settings.min_games and self._answered(board, played.move) is not None
        }
        return known | popular(moves).keys()

    def _answered(self, board: chess.Board, move: int) -> int | None:
        """The position that a move leads to, if players of the band were in it."""
        child = self.tallied.child(board, unpack_move(move))
        return child if child is not None and self.tallied.answers(child) else None

    def _position(self, question: Question, looked: Looked) -> TreePosition:
        board = chess.Board(question.fen)
        if board.turn == self.side.color:
            return self._ours(question, looked, board)
        return TheirPosition(
            cp=-looked.cp_best,
            replies=tuple(
                BandReply(
                    answer.move,
                    answer.rate,
                    answer.games_band,
                    -looked.cp[answer.move] if answer.move in looked.cp else None,
                    self.tallied.child(board, unpack_move(answer.move)),
                    looked.lines.get(answer.move, ()),
                )
                for answer in self.tallied.answers(question.key)
            ),
            strength=self.tallied.strength[question.key],
            games=self.tallied.games(question.key),
        )

    def _ours(self, question: Question, looked: Looked, board: chess.Board) -> OurPosition:
        best = expected_score(looked.cp_best)
        fixed = self.fixed.get(question.key)
        shown = popular(self.tallied.played.get(question.key, ()))
        choices = []
        for move in dict.fromkeys((looked.best_move, *question.moves)):
            if move not in looked.cp:
                continue
            cp = looked.cp[move]
            loss = 0.0 if move == looked.best_move else max(0.0, best - expected_score(cp))
            is_sound = loss <= self.settings.soundness
            is_allowed = move in fixed if fixed else is_sound
            if is_allowed or is_sound or move in shown or move == looked.best_move:
                child = self._answered(board, move)
                choices.append(Choice(move, cp, loss, is_allowed, child, looked.lines[move]))
        if not any(choice.is_allowed for choice in choices):
            # No verdict could be had on the repertoire's moves: the engine's own takes their place.
            choices[0] = replace(choices[0], is_allowed=True)
        return OurPosition(looked.cp_best, tuple(choices))


def popular(moves: Sequence[Played]) -> dict[int, str]:
    """The most popular move of the band and that of strong players, and whose: band, strong, or both.

    Nobody's most popular move is one that they never played.
    """
    counts = {"band": attrgetter("games_band"), "strong": attrgetter("games_strong")}
    best = {whose: max(moves, key=games) for whose, games in counts.items() if any(map(games, moves))}
    return {
        played.move: ", ".join(whose for whose in best if counts[whose](played) == counts[whose](best[whose]))
        for played in best.values()
    }
