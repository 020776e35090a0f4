"""The page on which pupils practise a lesson's exercises, each on a board that moves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import chess

from miner.board.moves import parse_san_line
from miner.draw.documents import json_in_html, package_text, page_bytes
from miner.finding.mistake import Mistake
from miner.finding.words import joined, numbered_sans, path_words, reply_words
from miner.lesson.cards import AGAIN_AFTER
from miner.lesson.exercises import Exercise, QuestionKind
from miner.lesson.phrases import Tongue
from miner.lesson.sentences import (
    SHOWN_PLIES,
    as_good_words,
    because_words,
    game_words,
    pattern_name,
    task_words,
)
from miner.lesson.sheets import Looks
from miner.terms import Side

SCRIPTS = ("record.js", "play.js", "practice.js")
"""The page's own scripts in the order in which they run, behind those that pages share."""


def practice_page(exercises: Sequence[Exercise[Mistake]], looks: Looks) -> bytes:
    """The page in UTF-8, in the language of the sheet; the same exercises give the same bytes."""
    phrases = looks.tongue.phrases
    data = {
        "title": looks.printed_title,
        "lang": phrases.code,
        "words": phrases.practice,
        "contents": json_in_html(practice_contents(exercises, looks.tongue)),
    }
    scripts = [package_text("miner.lesson", name) for name in SCRIPTS]
    style = package_text("miner.lesson", "practice.css")
    return page_bytes("lesson/practice.html", data, style, scripts)


def practice_contents(exercises: Sequence[Exercise[Mistake]], tongue: Tongue) -> dict[str, Any]:
    """What the page's scripts are told, as the comments in `practice.js` declare it."""
    return {
        "lang": tongue.phrases.code,
        "days": AGAIN_AFTER,
        "example": tongue.moves("Nf3"),
        "words": tongue.phrases.practice,
        "exercises": [_told(exercise, tongue) for exercise in exercises],
    }


def _told(exercise: Exercise[Mistake], tongue: Tongue) -> dict[str, Any]:
    """An exercise, whose board waits for the answer.

    Where a pupil is asked what is wrong with a move, it is played already, and its punishment is the answer:
    so another side is to move than on the sheet, and the task says why.
    """
    finding, asks_better = exercise.finding, exercise.task is QuestionKind.INSTEAD
    board = finding.board if asks_better else finding.board_after
    line = (finding.better if asks_better else finding.refutation)[:SHOWN_PLIES]
    answers = dict.fromkeys((line[0], *(() if asks_better else finding.answers)))
    ply = finding.ply + (not asks_better)
    phrases, asks_wrong = tongue.phrases, exercise.task is QuestionKind.WRONG
    suppose = phrases.suppose.format(move=tongue.moves(reply_words(finding))) if asks_wrong else ""
    to_move = f"{phrases.to_move.format(side=phrases.side(Side.of(board.turn)))}."
    legal = {board.san(move): move.uci() for move in board.legal_moves}
    return {
        "id": f"{finding.key:016x}-{finding.losing_reply_uci}-{exercise.task}",
        "number": exercise.number,
        "fen": board.fen(),
        "ply": ply,
        "bottom": exercise.taught.value,
        "mistake": finding.losing_reply_uci,
        "played": not asks_better,
        "task": joined(suppose, to_move, task_words(exercise, tongue)),
        "before": tongue.moves(path_words(finding)) if finding.path else "",
        "english": " ".join(legal),
        "moves": {"san": tongue.moves(" ".join(legal)), "uci": " ".join(legal.values())},
        "answers": [board.parse_san(san).uci() for san in answers],
        "line": _line(board, line, tongue),
        "motif": pattern_name(finding, tongue),
        "others": " / ".join(tongue.moves(numbered_sans([san], ply)) for san in [*answers][1:]),
        "as_good": as_good_words(exercise, tongue),
        "why": because_words(exercise, tongue),
        "game": game_words(exercise, tongue),
    }


def _line(board: chess.Board, sans: Sequence[str], tongue: Tongue) -> dict[str, str]:
    moves = parse_san_line(board, sans)
    return {"san": tongue.moves(" ".join(sans)), "uci": " ".join(move.uci() for move in moves)}
