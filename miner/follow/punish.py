"""The answers right after a losing reply: all that keep most of the gain, and the one that is taught."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Mapping
from dataclasses import replace
from typing import Any

import chess
import chess.polyglot
import pandas as pd

from miner.board.moves import after, is_forcing, pack, unpack_move
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.explain.evidence import AS_GOOD_CP
from miner.follow.asking import (
    Asked,
    Gain,
    Opinion,
    Point,
    Questions,
    Seen,
    capped,
    look,
    missing,
    most_expected,
    opinions_of,
)
from miner.settings import FollowSettings
from miner.terms import MOST_CP, Score, expected_score

SOUGHT = 6
"""Good answers up to which more are sought among the moves that are not known yet."""
NEARLY_BEST_CP = 20
"""Centipawns below the best answer within which another one may be taught: less than engines agree on."""
LOOKS = {0.03: 0.12, 0.25: 0.05, 1.0: 0.0}
"""Shares of the verdict's nodes that a move is looked at with in turn, and the expected score by which it
must then miss the dividing line to be looked at no more."""
NEAR = 0.03
"""Expected score within which a move that was the best of many is looked at alone before it is dropped."""
DOUBTED = 3
"""Games in which a move was played that falls short by less than `DOUBT`: then it is looked at again."""
DOUBT = 0.03
"""Expected score, as two searches of one position may differ by (common practice, no source)."""
AGAIN = 2
"""Times the nodes of that look: what many pupils play is not called a mistake for what chance decides."""
LEAST_DEFENCES = 3
"""Games in which a defence must have been played to be told."""


def seek(point: Point, settings: FollowSettings) -> Questions:
    """The inquiry about the moves right after a losing reply.

    The good answers are found from the best down, with what is known excluded, until one keeps too little;
    then the moves that were played are looked at, each alone. No answer counts as good that was not searched
    with the verdict's own budget. They are held to the best among themselves, which keeps all: other budgets
    are no mistake of theirs. What lies within `AS_GOOD_CP` of the best is good, however small the gain. Where
    the engine fails no answer is known.
    """
    gain, board = point.reply.gain, point.board
    found = yield from _from_the_best_down(board, gain, settings.kept)
    if isinstance(found, Failure):
        return Asked(failure=found.reason)
    played = [packed for packed in point.games if packed not in found]
    budgets = {max(1, round(share * gain.nodes)): margin for share, margin in LOOKS.items()}
    most = found[most_expected(found, gain.nodes)][0].score
    line = most.expected - _may_lose(most, gain, settings.kept)
    seen = found | (
        yield from look(
            board, played, budgets, lambda verdict, nodes: verdict.score.expected > line - budgets[nodes]
        )
    )
    best = most_expected(seen, gain.nodes)
    enough = yield from _good(point, seen, best, settings.kept)
    opinions = opinions_of(seen, gain, shift=gain.has - seen[best][0].score.expected)
    opinions |= {
        packed: replace(opinions[packed], kept=max(opinions[packed].kept or 0.0, settings.kept))
        for packed in enough
    }
    good = tuple(sorted(enough, key=lambda packed: (-(opinions[packed].expected or 0.0), packed)))
    taught = taught_answer(point, {packed: opinions[packed].cp or 0 for packed in good})
    return Asked(unpack_move(taught), capped(opinions, best), good, missing(played, seen))


def _may_lose(best: Score, gain: Gain, kept: float) -> float:
    """Expected score by which an answer may fall short of the best and is still good."""
    as_good = 0.0 if best.mate is not None else best.expected - expected_score(best.as_cp - AS_GOOD_CP)
    return max((1.0 - kept) * gain.size, as_good)


def _good(
    point: Point, seen: Seen, best: int, kept: float
) -> Generator[list[Request], list[Answer], list[int]]:
    """The good answers among those that were searched with the verdict's budget.

    What was often played and falls short by little is searched again, and so is the best: then that decides,
    unless the engine fails.
    """
    gain, score = point.reply.gain, seen[best][0].score
    short = {
        packed: score.expected - _may_lose(score, gain, kept) - verdict.score.expected
        for packed, (verdict, nodes) in seen.items()
        if nodes == gain.nodes
    }
    good = [packed for packed, by in short.items() if by <= 0.0]
    doubted = [
        packed for packed, by in short.items() if 0.0 < by < DOUBT and point.games.get(packed, 0) >= DOUBTED
    ]
    if not doubted:
        return good
    again = yield from look(point.board, [best, *doubted], [AGAIN * gain.nodes], lambda *_: False)
    if best not in again:
        return good
    score = again[best][0].score
    least = score.expected - _may_lose(score, gain, kept)
    looked = [packed for packed in doubted if packed in again]
    return good + [packed for packed in looked if again[packed][0].score.expected >= least]


def _from_the_best_down(
    board: chess.Board, gain: Gain, kept: float
) -> Generator[list[Request], list[Answer], Seen | Failure]:
    """The best moves by the verdict's budget, the last of which keeps too little, unless they are many."""
    seen: Seen = {}
    most, may_lose = 0.0, 0.0  # expected score of the best so far, and what others may lose of it
    legal = list(board.legal_moves)
    while len(seen) < SOUGHT and (rest := [move for move in legal if pack(move) not in seen]):
        begins = not seen and gain.refutation
        among = (chess.Move.from_uci(gain.refutation),) if begins else tuple(rest)
        [found] = yield [Request.of(board, gain.nodes, among)]
        if isinstance(found, Verdict) and 0.0 < most - may_lose - found.score.expected < NEAR:
            [found] = yield [Request.of(board, gain.nodes, (chess.Move.from_uci(found.move),))]
        if isinstance(found, Failure):
            return found
        seen[pack(chess.Move.from_uci(found.move))] = found, gain.nodes
        if found.score.expected < most - may_lose:
            break
        if found.score.expected > most:
            most, may_lose = found.score.expected, _may_lose(found.score, gain, kept)
    return seen


def taught_answer(point: Point, cp: Mapping[int, int]) -> int:
    """The answer that is taught: of those as good as the best, the simplest to explain.

    As good is what lies at most `NEARLY_BEST_CP` below it; of mates only the shortest. Of these, captures and
    checks come before quiet moves, then what was played in more games, then the better one. `cp`: of the good
    answers, packed, the best first. Where the reply loses by a retreat that the refutation forces, that is
    taught as long as it is good. Source: common practice, no source.
    """
    board, refutation = point.board, point.reply.gain.refutation
    if point.reply.hangs_on_refutation and (best := pack(chess.Move.from_uci(refutation))) in cp:
        return best
    most = max(cp.values())
    least = most if most > MOST_CP else most - NEARLY_BEST_CP

    def order(packed: int) -> tuple[bool, int]:
        move = unpack_move(packed)
        return not is_forcing(board, move), -point.games.get(packed, 0)

    return min((packed for packed in cp if cp[packed] >= least), key=order)


def good_answers(points: Iterable[Point], asked: Iterable[Asked]) -> pd.DataFrame:
    """The good answers: columns key, move, answer, is_taught."""
    found = [
        (point.reply.key, point.reply.move, packed, packed == pack(result.best))
        for point, result in zip(points, asked, strict=True)
        if result.best
        for packed in result.good
    ]
    columns = pd.DataFrame(found, columns=["key", "move", "answer", "is_taught"])
    return columns.astype({"key": "uint64", "move": "uint16", "answer": "uint16", "is_taught": "bool"})


def defended(point: Point, taught: chess.Move, defence: int) -> Point:
    """The position in which the side that erred has played a packed defence against the taught answer."""
    path = taught, unpack_move(defence)
    board = after(point.board, path)
    at = chess.polyglot.zobrist_hash(board)
    return Point(reply=point.reply, at=at, plies=2, path=path, board=board, games={})


def punishment_row(point: Point, asked: Asked, defence: Any, best: Opinion) -> dict[str, Any]:
    """The row of `punishments`. `defence`: a row of `passages.count_defences`, or None; `best`: the move
    against it.
    """
    good = [asked.opinions[packed] for packed in asked.good]
    is_told = defence is not None and defence.games >= LEAST_DEFENCES
    return {
        "key": point.reply.key,
        "move": point.reply.move,
        "answers": [unpack_move(packed).uci() for packed in asked.good],
        "kept": [one.kept for one in good],
        "cp": [one.cp for one in good],
        "taught": asked.best.uci() if asked.best else "",
        "line": list(asked.best_opinion.line),
        "nodes": asked.best_opinion.nodes,
        "defence": unpack_move(defence.defence).uci() if is_told else "",
        "defence_games": defence.games if is_told else 0,
        "games_taught": 0 if defence is None else defence.games_taught,
        "against_defence": list(best.line),
    }
