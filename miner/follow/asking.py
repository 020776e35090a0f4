"""The positions after a losing reply, and how much of the gain each answer that was chosen there keeps."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess
import pandas as pd

from miner.board.moves import after, pack, unpack_move
from miner.engine.verdicts import Answer, Request, Verdict
from miner.settings import FollowSettings

MOST_FIRST_ANSWERS = 16
"""Answers right after a losing reply that are judged, the commonest first."""
MOST_LATER_ANSWERS = 6
"""Answers in a later position that are judged, the commonest first."""
MOST_LATER_POINTS = 12
"""Later positions per losing reply in which answers are judged, the commonest first."""

SMALLEST_GAIN = 0.02
"""Expected score below which a gain counts as this: a mate that is missed where all is won costs no more."""
SCREEN = 0.1
"""Share of the nodes that an answer is looked at with first."""
SURE = 0.12
"""Expected score by which an answer must miss the dividing line for that first look to be enough."""
_POINT = ["key", "move", "at"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """The gain of the side that profits from a losing reply, by the judge's deepest search."""

    had: float  # its expected score (0 to 1) before the reply
    has: float  # and after it
    cp: int  # after it, in centipawns
    refutation: str  # the best answer, UCI; empty: not known
    nodes: int  # the budget of that search

    def kept(self, expected: float) -> float:
        """Share of the gain that is left to who now expects this much: 1 all of it, 0 or less nothing.

        (expected - had) / (has - had), but counted from the full gain down, so that a gain too small to be
        told from the engine's noise is not divided by.

        >>> round(Gain(had=0.5, has=0.75, cp=190, refutation="", nodes=1).kept(0.7), 2)
        0.8
        """
        return 1.0 - (self.has - expected) / max(self.has - self.had, SMALLEST_GAIN)


@dataclass(frozen=True, kw_only=True, slots=True)
class LosingReply:
    """A losing reply and what it is worth."""

    key: int  # of the position before it
    move: int  # packed
    fen: str  # before it
    gain: Gain

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
        replies[key, move] = LosingReply(key=key, move=move, fen=str(row.fen), gain=gain)
    return replies


@dataclass(frozen=True, kw_only=True, slots=True)
class Point:
    """A position of the games after a losing reply, the side that profits to move."""

    reply: LosingReply
    at: int  # its key
    plies: int  # least plies from the losing reply to there; 0: right after it
    path: tuple[chess.Move, ...]  # the commonest way from there
    board: chess.Board
    answers: tuple[int, ...]  # packed, the commonest first

    @property
    def judged_answers(self) -> tuple[int, ...]:
        """The answers that are common enough to be judged."""
        return self.answers[: MOST_LATER_ANSWERS if self.plies else MOST_FIRST_ANSWERS]


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
    answers = ordered.groupby(_POINT)["answer"].agg(tuple).to_dict()
    points = []
    for key, move, at, plies, packed_path in _rows(positions, *_POINT, "plies", "path"):
        reply, path = replies[key, move], _unpacked(packed_path)
        board, chosen = after(reply.board_after, path), answers[key, move, at]
        points.append(Point(reply=reply, at=at, plies=plies, path=path, board=board, answers=chosen))
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


@dataclass(slots=True, eq=False)
class Asked:
    """The opinions of a position's answers, and its best move, by packed move."""

    best: chess.Move | None = None
    opinions: dict[int, Opinion] = field(default_factory=dict)
    failure: str = ""

    @property
    def best_opinion(self) -> Opinion:
        """The opinion of the best move; an empty one if there is none."""
        return self.opinions[pack(self.best)] if self.best else Opinion()


def ask(point: Point, settings: FollowSettings) -> Generator[list[Request], list[Answer], Asked]:
    """The inquiry about the answers at a point.

    Right after the reply the judge's refutation keeps all of the gain, for its search was deeper. Where this
    search agrees with it on the best move, all others are measured from there, so that other budgets are no
    mistake of theirs.
    """
    gain = point.reply.gain
    [best] = yield [Request.of(point.board, settings.nodes)]
    if not isinstance(best, Verdict):
        return Asked(failure=best.reason)
    best_move = best.move if point.plies else gain.refutation or best.move
    shift = gain.has - best.score.expected if point.plies == 0 and best_move == best.move else 0.0
    opinions = yield from _ask_all(point, settings, best, shift)
    if best_move != best.move:
        opinions[pack(chess.Move.from_uci(best_move))] = Opinion(
            cp=gain.cp, expected=gain.has, kept=1.0, nodes=gain.nodes
        )
    failed = sum(opinions[packed].nodes == 0 for packed in point.judged_answers)
    failure = f"{failed} answers could not be judged" if failed else ""
    return Asked(chess.Move.from_uci(best_move), opinions, failure)


def _ask_all(
    point: Point, settings: FollowSettings, best: Verdict, shift: float
) -> Generator[list[Request], list[Answer], dict[int, Opinion]]:
    """Opinions of the best move and the answers; the first look is enough where it leaves no doubt."""
    gain = point.reply.gain
    opinions = {pack(chess.Move.from_uci(best.move)): _opinion(best, gain, settings.nodes, shift)}
    dividing_line = gain.had + settings.kept * (gain.has - gain.had)
    open_answers = [packed for packed in point.judged_answers if packed not in opinions]
    for nodes in sorted({max(1, round(SCREEN * settings.nodes)), settings.nodes}):
        if not open_answers:
            break
        verdicts = yield [Request.of(point.board, nodes, (unpack_move(packed),)) for packed in open_answers]
        doubtful = []
        for packed, verdict in zip(open_answers, verdicts, strict=True):
            opinions[packed] = _opinion(verdict, gain, nodes, shift)
            if isinstance(verdict, Verdict) and abs(verdict.score.expected + shift - dividing_line) < SURE:
                doubtful.append(packed)
        open_answers = doubtful
    return opinions


def _opinion(answer: Answer, gain: Gain, nodes: int, shift: float) -> Opinion:
    if not isinstance(answer, Verdict):
        return Opinion()
    expected = answer.score.expected
    return Opinion(cp=answer.score.as_cp, expected=expected, kept=gain.kept(expected + shift), nodes=nodes)


def followed_rows(points: Sequence[Point], asked: Sequence[Asked]) -> list[dict[str, Any]]:
    """Rows of `followed`: one per answer that was chosen, and one for the best move if nobody chose it."""
    rows = []
    for point, result in zip(points, asked, strict=True):
        best = [pack(result.best)] if result.best else []
        rows += [_row(point, result, answer) for answer in dict.fromkeys([*point.answers, *best])]
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


def punishing(rows: Iterable[dict[str, Any]], kept: float) -> pd.DataFrame:
    """The first answers that keep more than this share of the gain: columns key, move, answer."""
    found = [
        (row["key"], row["move"], row["answer"])
        for row in rows
        if row["plies"] == 0 and row["kept"] is not None and row["kept"] > kept
    ]
    columns = pd.DataFrame(found, columns=["key", "move", "answer"])
    return columns.astype({"key": "uint64", "move": "uint16", "answer": "uint16"})
