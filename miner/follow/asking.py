"""The positions after a losing reply, and how much of the gain each move that was chosen there keeps."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import chess
import pandas as pd

from miner.board.moves import after, pack, unpack_move
from miner.engine.verdicts import Answer, Request, Verdict
from miner.settings import FollowSettings

MOST_LATER_ANSWERS = 6
"""Answers in a later position that are judged, the commonest first."""
MOST_LATER_POINTS = 12
"""Later positions per losing reply in which answers are judged, the commonest first."""

SMALLEST_GAIN = 0.02
"""Expected score below which a gain counts as this: a mate that is missed where all is won costs no more."""
SCREEN = 0.1
"""Share of the nodes that a later answer is looked at with first."""
SURE = 0.12
"""Expected score by which an answer must lie above the dividing line for that first look to be enough."""
CONFIRM = 2
"""Times the nodes that a later answer must seem to go wrong with, and the best move be searched with then."""
_POINT = ["key", "move", "at"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """The gain of the side that profits from a losing reply, by the judge's deepest search."""

    had: float  # its expected score (0 to 1) before the reply
    has: float  # and after it
    cp: int  # after it, in centipawns
    refutation: str  # the best answer, UCI; empty: not known
    nodes: int  # the budget of that search

    @property
    def size(self) -> float:
        """Expected score that was gained; a gain too small to be told from noise is not divided by."""
        return max(self.has - self.had, SMALLEST_GAIN)

    def kept(self, expected: float) -> float:
        """Share (0 to 1) of the gain that is left to who now expects this much.

        It is counted from the full gain down. Who now expects more than that has all of it.

        >>> round(Gain(had=0.5, has=0.75, cp=190, refutation="", nodes=1).kept(0.7), 2)
        0.8
        """
        return min(1.0, max(0.0, 1.0 - (self.has - expected) / self.size))

    def line(self, kept: float) -> float:
        """The expected score that keeps this share of it."""
        return self.has - (1.0 - kept) * self.size


@dataclass(frozen=True, kw_only=True, slots=True)
class LosingReply:
    """A losing reply and what it is worth."""

    key: int  # of the position before it
    move: int  # packed
    fen: str  # before it
    gain: Gain
    hangs_on_refutation: bool = False  # whether it loses by a retreat that only the best answer forces

    @property
    def board_after(self) -> chess.Board:
        """The board after the reply: the side that profits is to move."""
        return after(chess.Board(self.fen), [unpack_move(self.move)])


Replies = Mapping[tuple[int, int], LosingReply]
"""By key and packed move."""


def losing_replies(judged: pd.DataFrame) -> Replies:
    """The rows of `judged` as values, in their order; all must be judged."""
    replies = {}
    row: Any
    for row in judged.itertuples(index=False):
        gain = Gain(
            had=1.0 - row.exp_best,
            has=1.0 - row.exp_reply,
            cp=-int(row.cp_reply),
            refutation=row.pv_reply[1] if len(row.pv_reply) > 1 else "",
            nodes=int(row.nodes),
        )
        key, move = int(row.key), int(row.move)
        replies[key, move] = LosingReply(
            key=key, move=move, fen=str(row.fen), gain=gain, hangs_on_refutation=bool(row.retreat)
        )
    return replies


@dataclass(frozen=True, kw_only=True, slots=True)
class Point:
    """A position of the games after a losing reply, the side that profits to move."""

    reply: LosingReply
    at: int  # its key
    plies: int  # least plies from the losing reply to there; 0: right after it
    path: tuple[chess.Move, ...]  # the commonest way from there
    board: chess.Board
    games: Mapping[int, int]  # by packed answer, the commonest first


def choices_among(replies: Replies, later: pd.DataFrame) -> pd.DataFrame:
    """The later positions (as from `passages.later_positions`) that are judged: those with a choice.

    With only one legal move nobody can go wrong.
    """
    has_choice = [
        after(replies[key, move].board_after, _unpacked(path)).legal_moves.count() > 1
        for key, move, path in _rows(later, "key", "move", "path")
    ]
    chosen = later[pd.Series(has_choice, index=later.index, dtype=bool)]
    return chosen.groupby(["key", "move"], sort=False).head(MOST_LATER_POINTS)


def points_of(replies: Replies, positions: pd.DataFrame, counted: pd.DataFrame) -> list[Point]:
    """Positions (columns key, move, at, plies, path) with the answers that were chosen there, in order."""
    games = counted.groupby([*_POINT, "answer"])["games"].sum().reset_index()
    ordered = games.sort_values([*_POINT, "games", "answer"], ascending=[True, True, True, False, True])
    by_point: dict[tuple[int, int, int], dict[int, int]] = {}
    for key, move, at, answer, number in _rows(ordered, *_POINT, "answer", "games"):
        by_point.setdefault((key, move, at), {})[answer] = number
    points = []
    for key, move, at, plies, packed_path in _rows(positions, *_POINT, "plies", "path"):
        reply, path = replies[key, move], _unpacked(packed_path)
        board, chosen = after(reply.board_after, path), by_point[key, move, at]
        points.append(Point(reply=reply, at=at, plies=plies, path=path, board=board, games=chosen))
    return points


def _rows(table: pd.DataFrame, *columns: str) -> Iterator[Any]:
    return table[list(columns)].itertuples(index=False, name=None)


def _unpacked(path: Iterable[int]) -> tuple[chess.Move, ...]:
    return tuple(unpack_move(int(packed)) for packed in path)


@dataclass(frozen=True, kw_only=True, slots=True)
class Opinion:
    """The engine's view of an answer, for the side that profits; nodes 0: not asked, or not to be had."""

    cp: int | None = None
    expected: float | None = None
    kept: float | None = None
    nodes: int = 0
    line: tuple[str, ...] = ()  # UCI, begins with the answer


@dataclass(slots=True, eq=False)
class Asked:
    """The opinions of a position's answers, and its best move, by packed move."""

    best: chess.Move | None = None  # right after the reply the taught answer
    opinions: dict[int, Opinion] = field(default_factory=dict)
    good: tuple[int, ...] = ()  # right after the reply: those that keep most of the gain, the best first
    failure: str = ""

    @property
    def best_opinion(self) -> Opinion:
        """The opinion of the best move; an empty one if there is none."""
        return self.opinions[pack(self.best)] if self.best else Opinion()


Questions = Generator[list[Request], list[Answer], Asked]
Seen = dict[int, tuple[Verdict, int]]
"""By packed move: the verdict of the largest search of it, and the nodes of that search."""


def ask(point: Point, settings: FollowSettings) -> Questions:
    """The inquiry about the commonest answers at a later point.

    A first look is enough for what is clearly good; what seems to go wrong must do so with `CONFIRM` times
    the nodes, and the best move is sought as deep. It is the best of all that were looked at like that, and
    no other keeps more.
    """
    gain = point.reply.gain
    [best] = yield [Request.of(point.board, settings.nodes)]
    if not isinstance(best, Verdict):
        return Asked(failure=best.reason)
    line = gain.line(settings.kept)
    seen = {pack(chess.Move.from_uci(best.move)): (best, settings.nodes)}
    chosen = [packed for packed in list(point.games)[:MOST_LATER_ANSWERS] if packed not in seen]
    deepest = CONFIRM * settings.nodes
    margins = {max(1, round(SCREEN * settings.nodes)): SURE, settings.nodes: 0.0, deepest: 0.0}
    seen |= yield from look(
        point.board, chosen, margins, lambda verdict, nodes: verdict.score.expected < line + margins[nodes]
    )
    if any(nodes == deepest for _, nodes in seen.values()):
        [best] = yield [Request.of(point.board, deepest)]
        if not isinstance(best, Verdict):
            return Asked(failure=best.reason)
        seen[pack(chess.Move.from_uci(best.move))] = best, deepest
    opinions = opinions_of(seen, gain)
    elected = most_expected(seen, max(nodes for _, nodes in seen.values()))
    return Asked(unpack_move(elected), capped(opinions, elected), failure=missing(chosen, seen))


def look(
    board: chess.Board,
    moves: Iterable[int],
    budgets: Iterable[int],
    in_doubt: Callable[[Verdict, int], bool],
) -> Generator[list[Request], list[Answer], Seen]:
    """The inquiry about packed moves, each alone: with the next budget where the one before leaves doubt.

    A move whose last search failed is left out.
    """
    seen: Seen = {}
    left = list(moves)
    for nodes in budgets:
        if not left:
            break
        answers = yield [Request.of(board, nodes, (unpack_move(packed),)) for packed in left]
        asked = list(zip(left, answers, strict=True))
        left = []
        for packed, answer in asked:
            seen.pop(packed, None)
            if isinstance(answer, Verdict):
                seen[packed] = answer, nodes
                if in_doubt(answer, nodes):
                    left.append(packed)
    return seen


def opinions_of(seen: Seen, gain: Gain, shift: float = 0.0) -> dict[int, Opinion]:
    """The verdicts as opinions; `shift` is added to the expected scores before they are held to the gain."""
    return {
        packed: Opinion(
            cp=verdict.score.as_cp,
            expected=verdict.score.expected,
            kept=gain.kept(verdict.score.expected + shift),
            nodes=nodes,
            line=verdict.pv,
        )
        for packed, (verdict, nodes) in seen.items()
    }


def most_expected(seen: Seen, nodes: int) -> int:
    """The move of the highest expected score among those that were looked at with so many nodes."""
    full = {packed: verdict for packed, (verdict, budget) in seen.items() if budget == nodes}
    return max(full, key=lambda packed: full[packed].score.expected)


def capped(opinions: Mapping[int, Opinion], best: int) -> dict[int, Opinion]:
    """The opinions, none better than that of the best move: what a smaller search thinks so is as good."""
    most = opinions[best]
    return {
        packed: replace(one, cp=most.cp, expected=most.expected, kept=most.kept)
        if (one.expected or 0.0) > (most.expected or 0.0)
        else one
        for packed, one in opinions.items()
    }


def missing(chosen: Iterable[int], seen: Seen) -> str:
    """How many of these moves could not be judged; empty: all were."""
    failed = sum(packed not in seen for packed in chosen)
    return f"{failed} answers could not be judged" if failed else ""


def followed_rows(points: Sequence[Point], asked: Sequence[Asked]) -> list[dict[str, Any]]:
    """Rows of `followed`: one per answer that was chosen, and for the best move and each good one."""
    rows = []
    for point, result in zip(points, asked, strict=True):
        best = [pack(result.best)] if result.best else []
        rows += [_row(point, result, one) for one in dict.fromkeys([*point.games, *best, *result.good])]
    return rows


def _row(point: Point, asked: Asked, answer: int) -> dict[str, Any]:
    opinion = asked.opinions.get(answer, Opinion())
    return {
        "key": point.reply.key,
        "move": point.reply.move,
        "at": point.at,
        "fen": point.board.fen(en_passant="legal"),
        "plies": point.plies,
        "path": " ".join(move.uci() for move in point.path),
        "answer": answer,
        "best_move": asked.best.uci() if asked.best else "",
        "cp_best": asked.best_opinion.cp,
        "cp_answer": opinion.cp,
        "exp_best": asked.best_opinion.expected,
        "exp_answer": opinion.expected,
        "kept": opinion.kept,
        "nodes": opinion.nodes,
    }
