"""Stops: positions of the winner with a question whose answer is the one good move. Pure functions."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import chess

from miner.board.moves import parse_uci_line, sans_of
from miner.explain.explanation import ADVANTAGE
from miner.finding.mistake import Mistake
from miner.finding.words import numbered_sans, reply_words
from miner.game.inquiry import LEAST_CHOICE, LONGEST_MATE, Choice, Seen
from miner.game.mistakes import GameMistake
from miner.game.phrases import points, stop_words
from miner.lesson.phrases import ENGLISH, Tongue
from miner.reasons import PATTERNS, Pattern
from miner.terms import Side

FEWEST, MOST = 3, 5
"""Stops of a game that is shown, and stops that are asked of one."""

_SURE = 0.03  # expected score by which an advantage must be there, and gone
_APART = 4  # plies between two stops
_LINE = 5  # plies of an answer that are told


class Question(StrEnum):
    """What is asked."""

    PUNISH = "punish"  # the other side has just erred
    MATE = "mate"
    KEEP = "keep"  # after any other move the winner stands no better
    BEST = "best"


@dataclass(frozen=True, kw_only=True, slots=True)
class Stop:
    """A position of the winner in which one move is good, which was played."""

    number: int
    ply: int
    board: chess.Board
    question: Question
    choice: Choice
    mistake: str = ""  # the move before, with its number; empty: it was none
    pattern: Pattern | None = None  # of the answer, where the move before was a mistake
    line: tuple[str, ...] = ()  # the answer and what follows, SAN

    @property
    def side(self) -> Side:
        """The side to move."""
        return Side.of(self.board.turn)

    @property
    def answer(self) -> str:
        """The answer, SAN."""
        return self.line[0]


def stops_of(seen: Seen, mistakes: dict[int, GameMistake]) -> list[Stop]:
    """At most `MOST` stops of a game, in its order: the punishment before all, then the clearest."""
    winner = seen.game.winner.color
    asked = {
        ply: choice
        for ply, choice in seen.choices.items()
        if seen.boards[ply].turn == winner and seen.boards[ply].legal_moves.count() >= LEAST_CHOICE
    }
    chosen: list[int] = []
    for ply in sorted(asked, key=lambda ply: (ply != seen.game.answer_ply, -_clarity(asked[ply]), ply)):
        mates = [there for there in chosen if asked[there].mate_in]
        is_near = any(abs(ply - there) < _APART for there in chosen)
        if len(chosen) < MOST and not is_near and not (asked[ply].mate_in and mates):
            chosen.append(ply)
    known: dict[int, Mistake] = dict(mistakes)
    if seen.game.finding is not None:
        known.setdefault(seen.game.reply_ply, seen.game.finding)
    return [
        _stop(seen, ply, number, asked[ply], known.get(ply - 1))
        for number, ply in enumerate(sorted(chosen), start=1)
    ]


def _clarity(choice: Choice) -> float:
    return 0.1 * choice.mate_in or choice.margin  # of a mate the first move is to be found, not the last


def _stop(seen: Seen, ply: int, number: int, choice: Choice, before: Mistake | None) -> Stop:
    board = seen.boards[ply]
    line = sans_of(board, parse_uci_line(board, choice.best.pv))
    shows = isinstance(before, GameMistake) and before.strikes_at_once and before.refutation[:1] == line[:1]
    return Stop(
        number=number,
        ply=ply,
        board=board,
        question=_question(choice, before),
        choice=choice,
        mistake=reply_words(before) if before else "",
        pattern=Pattern(before.pattern) if before and before.pattern and shows else None,
        line=line[: 2 * choice.mate_in - 1 if choice.mate_in else _LINE],
    )


def _question(choice: Choice, before: Mistake | None) -> Question:
    if 0 < choice.mate_in <= LONGEST_MATE:
        return Question.MATE
    if before is not None and (not isinstance(before, GameMistake) or before.is_punishable):
        return Question.PUNISH
    if choice.best.score.expected >= ADVANTAGE + _SURE > ADVANTAGE - _SURE >= choice.other.score.expected:
        return Question.KEEP
    return Question.BEST


def question_words(stop: Stop, tongue: Tongue) -> str:
    """The question, without the side to move."""
    phrases = tongue.phrases
    if stop.question is Question.PUNISH:
        return tongue.moves(phrases.punish.format(move=stop.mistake))
    if stop.question is Question.MATE:
        n = stop.choice.mate_in
        name = "mate_one" if n == 1 else "mate"
        return stop_words(tongue, name, side=phrases.side(stop.side), n=n)
    return stop_words(tongue, stop.question)


def to_move_words(stop: Stop, tongue: Tongue) -> str:
    """Which side is to move."""
    return tongue.phrases.to_move.format(side=tongue.phrases.side(stop.side))


def hint_words(stop: Stop, tongue: Tongue) -> str:
    """A hint, and that it is one."""
    return stop_words(tongue, "hint", hint=hint_alone(stop, tongue))


def hint_alone(stop: Stop, tongue: Tongue) -> str:
    """What the board shows of the answer: its pattern, else what kind of move it is."""
    if stop.pattern is not None:
        name = tongue.phrases.pattern(stop.pattern)
        hint = PATTERNS[stop.pattern].ask if tongue.phrases.code == ENGLISH else f"{name}." if name else ""
        if hint:
            return hint
    return stop_words(tongue, _kind(stop))


def _kind(stop: Stop) -> str:
    move = stop.board.parse_san(stop.answer)
    if stop.board.gives_check(move):
        return "check"
    return "capture" if stop.board.is_capture(move) else "quiet"


def answer_words(stop: Stop, tongue: Tongue) -> str:
    """The answer with its number, and what follows."""
    return tongue.moves(numbered_sans(stop.line, stop.ply))


def why_words(stop: Stop, tongue: Tongue) -> str:
    """How much worse every other move is."""
    if stop.question is Question.MATE:
        return stop_words(tongue, "no_other_mate")
    return stop_words(tongue, "others", loss=points(stop.choice.margin, tongue))


def asked_at(stops: Iterable[Stop]) -> dict[int, Stop]:
    """The stops by the ply of their answers."""
    return {stop.ply: stop for stop in stops}
