"""The tree grows from a position as far as it matters, the engine being asked on the way. No I/O."""

from __future__ import annotations

import heapq
from collections.abc import Mapping
from dataclasses import replace

import chess

from miner.board.moves import unpack_move
from miner.settings import SteerSettings
from miner.steer.searches import Ask, Looked, Question
from miner.steer.tallied import Played, TalliedTree
from miner.steer.tree import Choice, OurPosition, Position, Reply, TheirPosition, engine_expected, steps_of
from miner.terms import Side

Fixed = Mapping[int, frozenset[int]]
"""The moves of a repertoire, by position."""


def grow(
    tallied: TalliedTree, root: int, side: Side, settings: SteerSettings, ask: Ask, fixed: Fixed | None = None
) -> dict[int, Position]:
    """The part of the tallied graph that matters to `side`, from the tallied position `root` on.

    A position belongs to it if it is near enough and arises in enough games while our side plays towards it;
    each layer is asked for at once. Positions of which no verdict could be had are left out. Where `fixed`
    has moves, those are allowed, and no other.
    """
    fixed = fixed or {}
    tree: dict[int, Position] = {}
    given_up: set[int] = set()
    while front := _front(tree, root, settings, given_up):
        questions = [
            _question(tallied, key, side, reach, is_last, settings, fixed.get(key, frozenset()))
            for key, reach, is_last in front
        ]
        for (key, _, _), question, looked in zip(front, questions, ask(questions), strict=True):
            if looked is None:
                given_up.add(key)
            else:
                tree[key] = _position(tallied, question, looked, side, settings, fixed.get(key))
    return tree


def reached(tree: Mapping[int, Position], root: int) -> dict[int, tuple[float, int]]:
    """How often each position arises at the best, our side playing towards it, and its least distance in
    plies; also of those at which the tree ends.
    """
    best = {root: 1.0}
    plies = {root: 0}
    heap = [(-1.0, 0, root)]
    while heap:
        negative, distance, key = heapq.heappop(heap)
        if -negative < best[key] and distance > plies[key]:
            continue
        position = tree.get(key)
        if position is None:
            continue
        for step in steps_of(position):
            if step.child is None:
                continue
            reach = -negative * (step.rate if isinstance(step, Reply) else 1.0)
            is_better = reach > best.get(step.child, 0.0)
            is_nearer = distance + 1 < plies.get(step.child, distance + 2)
            if is_better or is_nearer:
                best[step.child] = max(reach, best.get(step.child, 0.0))
                plies[step.child] = min(distance + 1, plies.get(step.child, distance + 1))
                heapq.heappush(heap, (-reach, distance + 1, step.child))
    return {key: (reach, plies[key]) for key, reach in best.items()}


def _front(
    tree: Mapping[int, Position], root: int, settings: SteerSettings, given_up: set[int]
) -> list[tuple[int, float, bool]]:
    """The positions that are to be looked at next: key, reach, and whether nothing will follow them."""
    return [
        (key, reach, plies + 1 >= settings.plies)
        for key, (reach, plies) in sorted(reached(tree, root).items(), key=lambda one: (-one[1][0], one[0]))
        if key not in tree and key not in given_up and reach >= settings.min_reach and plies < settings.plies
    ]


def _question(
    tallied: TalliedTree,
    key: int,
    side: Side,
    reach: float,
    is_last: bool,
    settings: SteerSettings,
    fixed: frozenset[int],
) -> Question:
    board = chess.Board(tallied.places[key].fen)
    if board.turn == side.color:
        moves = {one.move for one in _worth_a_look(tallied, key, board, settings)} | fixed
    else:
        # A reply that leads into the tree is known by the position after it; a rare one is worth no search.
        moves = {
            one.move
            for one in tallied.answers(key)
            if reach * one.rate >= settings.min_reach
            and (is_last or tallied.child(board, unpack_move(one.move)) is None)
        }
    return Question(key, tallied.places[key].fen, tuple(sorted(moves)))


def _worth_a_look(
    tallied: TalliedTree, key: int, board: chess.Board, settings: SteerSettings
) -> list[Played]:
    """Our moves that the band's answers are known to, and those that are played most.

    What else was played can be no better than the engine's best move, since nothing is known beyond it.
    """
    played = tallied.played.get(key, ())
    known = [
        one
        for one in played
        if one.games >= settings.min_games
        and (child := tallied.child(board, unpack_move(one.move))) is not None
        and tallied.answers(child)
    ]
    return known + [one for one in popular(played) if one not in known]


def popular(played: tuple[Played, ...]) -> list[Played]:
    """The most popular move of the band and that of strong players, where they played any."""
    band = max(played, key=lambda one: one.games_band, default=None)
    strong = max(played, key=lambda one: one.games_strong, default=None)
    found = [band] if band and band.games_band else []
    return found + ([strong] if strong and strong.games_strong and strong is not band else [])


def _position(
    tallied: TalliedTree,
    question: Question,
    looked: Looked,
    side: Side,
    settings: SteerSettings,
    fixed: frozenset[int] | None,
) -> Position:
    board = chess.Board(question.fen)
    if board.turn == side.color:
        return _ours(tallied, question, looked, board, settings, fixed)
    return _theirs(tallied, question.key, looked.seen_by_other(), board)


def _ours(
    tallied: TalliedTree,
    question: Question,
    looked: Looked,
    board: chess.Board,
    settings: SteerSettings,
    fixed: frozenset[int] | None,
) -> OurPosition:
    best = engine_expected(looked.cp_best)
    shown = {one.move for one in popular(tallied.played.get(question.key, ()))} | {looked.best_move}
    choices = []
    for move in dict.fromkeys((looked.best_move, *question.moves)):
        if move not in looked.cp:
            continue
        loss = 0.0 if move == looked.best_move else max(0.0, best - engine_expected(looked.cp[move]))
        is_allowed = move in fixed if fixed else loss <= settings.soundness
        if is_allowed or loss <= settings.soundness or move in shown:
            child = tallied.child(board, unpack_move(move))
            is_known = child is not None and bool(tallied.answers(child))
            choices.append(
                Choice(
                    move, looked.cp[move], loss, is_allowed, child if is_known else None, looked.lines[move]
                )
            )
    if not any(one.is_allowed for one in choices):
        # No verdict could be had on the repertoire's moves: the engine's own takes their place.
        choices[0] = replace(choices[0], is_allowed=True)
    return OurPosition(looked.cp_best, tuple(choices))


def _theirs(tallied: TalliedTree, key: int, looked: Looked, board: chess.Board) -> TheirPosition:
    return TheirPosition(
        cp=looked.cp_best,
        replies=tuple(
            Reply(
                one.move,
                one.rate,
                one.games_band,
                looked.cp.get(one.move),
                tallied.child(board, unpack_move(one.move)),
                looked.lines.get(one.move, ()),
            )
            for one in tallied.answers(key)
        ),
        strength=tallied.strength[key],
        games=tallied.games(key),
    )
