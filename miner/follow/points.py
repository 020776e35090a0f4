"""Positions after a losing reply in which the side that profits has a choice, and what it chose there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.moves import after, pack, unpack_move
from miner.follow.asking import Asked, LosingReply, Opinion, Questions, ask_first, ask_later
from miner.settings import FollowSettings

MOST_FIRST_ANSWERS = 16
"""Answers right after a losing reply that are judged, the commonest first."""
MOST_LATER_ANSWERS = 6
"""The same in a later position."""
MOST_LATER_POINTS = 12
"""Later positions per losing reply in which answers are judged, the commonest first."""

Replies = Mapping[tuple[int, int], LosingReply]


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
        """Those that are common enough to be judged."""
        return self.answers[: MOST_LATER_ANSWERS if self.plies else MOST_FIRST_ANSWERS]

    def inquire(self, settings: FollowSettings) -> Questions:
        """What the engine is asked about it."""
        ask = ask_later if self.plies else ask_first
        return ask(self.board, self.judged_answers, self.reply.stake, settings)


def first_points(replies: Replies, counted: pd.DataFrame) -> list[Point]:
    """The positions right after the losing replies; `counted` as `passages.count_first_answers` gives it."""
    answers = _answers_by_point(counted)
    return [
        Point(reply=reply, at=at, plies=0, path=(), board=reply.board_after, answers=chosen)
        for reply, at, chosen in (
            (replies[key, move], at, chosen) for (key, move, at), chosen in answers.items()
        )
    ]


def choices_among(replies: Replies, later: pd.DataFrame) -> pd.DataFrame:
    """The later positions (as from `passages.later_positions`) that are judged: those with a choice.

    With only one legal move nobody can go wrong.
    """
    has_choice = [
        _board_there(replies[key, move], path).legal_moves.count() > 1
        for key, move, path in _rows(later, "key", "move", "path")
    ]
    chosen = later[pd.Series(has_choice, index=later.index, dtype=bool)]
    return chosen.groupby(["key", "move"], sort=False).head(MOST_LATER_POINTS)


def later_points(replies: Replies, positions: pd.DataFrame, counted: pd.DataFrame) -> list[Point]:
    """These later positions with their answers, in order."""
    answers = _answers_by_point(counted)
    return [
        Point(
            reply=replies[key, move],
            at=int(at),
            plies=int(plies),
            path=tuple(unpack_move(int(packed)) for packed in path),
            board=_board_there(replies[key, move], path),
            answers=answers[key, move, at],
        )
        for key, move, at, plies, path in _rows(positions, "key", "move", "at", "plies", "path")
    ]


def _rows(table: pd.DataFrame, *columns: str) -> Iterator[Any]:
    return table[list(columns)].itertuples(index=False, name=None)


def _board_there(reply: LosingReply, path: Iterable[int]) -> chess.Board:
    return after(reply.board_after, [unpack_move(int(packed)) for packed in path])


def _answers_by_point(counted: pd.DataFrame) -> dict[tuple[int, int, int], tuple[int, ...]]:
    """The answers in each position, the commonest first, by key, move and at."""
    games = counted.groupby(["key", "move", "at", "answer"])["games"].sum().reset_index()
    ordered = games.sort_values(
        ["key", "move", "at", "games", "answer"], ascending=[True, True, True, False, True]
    )
    found: dict[tuple[int, int, int], list[int]] = {}
    for key, move, at, answer in _rows(ordered, "key", "move", "at", "answer"):
        found.setdefault((key, move, at), []).append(int(answer))
    return {point: tuple(answers) for point, answers in found.items()}


def followed_rows(points: Sequence[Point], asked: Sequence[Asked]) -> list[dict[str, Any]]:
    """Rows of `followed`: one per answer that was chosen, and one for the best move if nobody chose it."""
    rows = []
    for point, heard in zip(points, asked, strict=True):
        best = [pack(heard.best)] if heard.best else []
        rows += [_row(point, heard, answer) for answer in dict.fromkeys([*point.answers, *best])]
    return rows


def _row(point: Point, heard: Asked, answer: int) -> dict[str, Any]:
    opinion = heard.opinions.get(answer, Opinion())
    return {
        "key": point.reply.key,
        "move": point.reply.move,
        "at": point.at,
        "fen": point.board.fen(en_passant="legal"),
        "plies": point.plies,
        "path": " ".join(move.uci() for move in point.path),
        "answer": answer,
        "best_move": heard.best.uci() if heard.best else "",
        "cp_best": heard.best_opinion.cp,
        "cp_answer": opinion.cp,
        "exp_best": heard.best_opinion.expected,
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
