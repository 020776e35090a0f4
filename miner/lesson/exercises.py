"""Findings and moments as exercises: the task, its board, and which suit a band. Pure functions."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Generic, TypeVar, cast

import chess

from miner.board.moves import is_forcing
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake, Reply
from miner.finding.moment import Moment
from miner.finding.motifs import MotifCount
from miner.finding.things import KNOWN_FROM
from miner.finding.words import plain
from miner.reasons import REASONS
from miner.settings import Taught
from miner.terms import Kind, Side

TOO_HARD, TOO_EASY = 0.10, KNOWN_FROM
"""Find rates between which an exercise teaches: below, pupils guess; above, they know it already."""
TOO_MANY = 3
"""Good answers from which there is no move to find. Source: common practice, no source."""


Asked = TypeVar("Asked", bound=Mistake)
Told = TypeVar("Told", bound=Mistake, covariant=True)
"""What an exercise is about: a finding, or a moment."""


class QuestionKind(StrEnum):
    """The question to a pupil."""

    PUNISH = "punish"  # the opponent has just played the losing reply
    WRONG = "wrong"  # our own side thinks of it: how is it punished?
    INSTEAD = "instead"  # our own side thinks of it: what is better? Only the best move is known


@dataclass(frozen=True, kw_only=True, slots=True)
class Exercise(Generic[Told]):
    """One diagram with one task."""

    number: int
    task: QuestionKind
    finding: Told
    finders: MotifCount | None = None  # of a moment: how often the pupils' band finds its motif
    chance: float | None = None  # of a moment: that one of the band finds an answer, by the scan's model

    @property
    def board(self) -> chess.Board:
        """The position in front of the pupil: after the losing reply where it is to be punished."""
        return self.finding.board_after if self.task is QuestionKind.PUNISH else self.finding.board

    @property
    def ply(self) -> int:
        """The ply of the solution's first move."""
        return self.finding.ply + (self.task is QuestionKind.PUNISH)

    @property
    def solution(self) -> tuple[str, ...]:
        """The moves that answer the task, SAN, from the board on."""
        finding = self.finding
        wrong = (finding.losing_reply, *finding.refutation)
        return {
            QuestionKind.PUNISH: finding.refutation,
            QuestionKind.WRONG: wrong,
            QuestionKind.INSTEAD: finding.better,
        }[self.task]

    @property
    def accepted(self) -> tuple[str, ...]:
        """The first moves that solve the task, SAN: all that punish a reply, or else the best one."""
        others = self.finding.answers if self.task is QuestionKind.PUNISH else ()
        return tuple(dict.fromkeys((self.solution[0], *others)))

    @property
    def taught(self) -> Side:
        """The pupils' side."""
        return self.finding.taught

    @property
    def find_rate(self) -> float:
        """Share (0 to 1) of the band that would solve it, as it is known or guessed."""
        finding: Mistake = self.finding
        if not isinstance(finding, Moment):
            return find_rate(finding)
        return moment_find_rate(finding, self.finders) if self.chance is None else self.chance


def of_findings(exercises: Iterable[Exercise[Mistake]]) -> list[Exercise[Finding]]:
    """The exercises that are about findings, with the numbers that they have among all."""
    return [cast("Exercise[Finding]", one) for one in exercises if isinstance(one.finding, Finding)]


def of_moments(exercises: Iterable[Exercise[Mistake]]) -> list[Exercise[Moment]]:
    """Those that are about moments."""
    return [cast("Exercise[Moment]", one) for one in exercises if isinstance(one.finding, Moment)]


def choose(
    findings: Sequence[Finding],
    *,
    side: Taught = "both",
    keys: Sequence[int] = (),
    top: int = 12,
) -> list[Exercise[Finding]]:
    """The exercises of a sheet, from the easiest to the hardest.

    `findings` come in the order of their value. Without `keys`, the `top` best that the band can be expected
    to learn from are taken: first such as are neither too hard nor too easy, can be shown move by move and
    show no idea twice, then what is left. With `keys`, everything in these positions is taken, whatever it
    is worth. For pupils of both sides, the mistakes are seen by turns from either side of the board.
    """
    asked = [finding for finding in findings if task_of(finding)]
    chosen = [finding for finding in asked if finding.key in keys] if keys else _best(asked, top)
    return as_exercises(_by_turns(chosen) if side == "both" else chosen)


def as_exercises(findings: Iterable[Finding]) -> list[Exercise[Finding]]:
    """These findings as exercises, from the easiest to the hardest; each must hold moves to ask for."""
    return from_easy_to_hard(map(exercise_of, findings))


def from_easy_to_hard(exercises: Iterable[Exercise[Asked]]) -> list[Exercise[Asked]]:
    """These exercises in their order on a sheet, numbered from 1."""
    ordered = sorted(exercises, key=lambda exercise: (-exercise.find_rate, exercise.finding.ply))
    return [replace(exercise, number=number) for number, exercise in enumerate(ordered, start=1)]


def exercise_of(
    finding: Asked, finders: MotifCount | None = None, chance: float | None = None
) -> Exercise[Asked]:
    """A finding or moment that holds moves to ask for as an exercise; it has the number 1."""
    task = task_of(finding)
    assert task is not None, f"nothing can be asked about {finding.losing_reply} in {finding.fen}"
    return Exercise(number=1, task=task, finding=finding, finders=finders, chance=chance)


def _by_turns(chosen: Sequence[Finding]) -> list[Finding]:
    """The findings, every third one, and such as cannot be punished move by move, as the pitfall that it is
    for the other side.
    """
    turned = []
    for place, finding in enumerate(chosen):
        turns = place % 3 == 2 or not REASONS[finding.reason].is_tactical
        turned.append(finding.as_kind(Kind.PITFALL) if turns else finding)
    return turned


def distinct(findings: Iterable[Finding]) -> list[Finding]:
    """Each losing reply once, as the kind by which it stands highest in the list."""
    by_reply: dict[Reply, Finding] = {}
    for finding in findings:
        by_reply.setdefault(finding.reply, finding)
    return list(by_reply.values())


def is_missed(finding: Mistake) -> bool:
    """Whether the reply loses nothing on the board, but leaves out what a better one would have won."""
    return plain(finding.reason_detail).startswith(("misses", "does not"))


def task_of(finding: Mistake) -> QuestionKind | None:
    """The question that suits a finding; None if it holds no moves to answer with, or too many good ones."""
    is_punished = bool(finding.refutation) and len(finding.answers) < TOO_MANY
    if finding.gambit:
        return None
    if finding.kind is Kind.TRAP:
        return QuestionKind.PUNISH if is_punished else None
    shows = REASONS[finding.reason].is_tactical and is_punished and not is_missed(finding)
    return QuestionKind.WRONG if shows else QuestionKind.INSTEAD


def _best(findings: Sequence[Finding], top: int) -> list[Finding]:
    """The first `top`, those put off that are too hard or easy, have no moves to show, or nothing new."""
    taken: list[Finding] = []
    put_off: list[Finding] = []
    ideas: set[tuple[str, ...]] = set()
    for finding in findings:
        idea = (finding.side, finding.losing_reply, *finding.refutation[:1])
        teaches = REASONS[finding.reason].is_tactical and TOO_HARD <= find_rate(finding) <= TOO_EASY
        if idea in ideas or not teaches:
            put_off.append(finding)
        else:
            ideas.add(idea)
            taken.append(finding)
    return [*taken, *put_off][:top]


def find_rate(finding: Mistake) -> float:
    """Share (0 to 1) of the band that finds a good answer: as counted, or else as guessed."""
    counted = finding.find_rate if isinstance(finding, Finding) else None
    return guessed_find_rate(finding) if counted is None else counted


def moment_find_rate(moment: Moment, finders: MotifCount | None) -> float:
    """Share (0 to 1) of the pupils' band that may be expected to find the punishment of a moment.

    By how often the band finds its motif; where too few players met it, as guessed. Exercises are ordered by
    this where the scan was too small for a model of how hard each answer is.
    """
    rate = finders.find_rate if finders else None
    return guessed_find_rate(moment) if rate is None else rate


def guessed_find_rate(finding: Mistake) -> float:
    """Share (0 to 1) of the band that may be expected to find the refutation, where nobody has counted it.

    A short refutation that begins with a capture or a check and wins much is easy, a long quiet one hard;
    each 200 points of rating help a little. Source: common practice, no source; it only orders exercises.
    """
    refutation = finding.refutation
    moves = max(1, (len(refutation) + 1) // 2)
    board = finding.board_after
    first = board.parse_san(refutation[0]) if refutation else None
    is_quiet = first is not None and not is_forcing(board, first)
    lowest = re.match(r"\d+", finding.band)
    rating = int(lowest[0]) if lowest else 1200
    rate = 0.85 - 0.12 * (moves - 1) - 0.15 * is_quiet + 0.2 * finding.loss + 0.04 * (rating - 1200) / 200
    return min(0.95, max(0.05, rate))
