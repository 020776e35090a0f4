"""A term of sessions from findings: when each is taught and when revised. Pure functions."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import chess
import chess.polyglot

from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.words import numbered_sans, own_opening, reply_words
from miner.lesson.exercises import distinct, find_rate, task_of
from miner.terms import Kind

FEWEST_MINUTES = 20
MINUTES_FOR_ONE = 15
MOST_NEW = 5
REVISED_AFTER = (1, 3, 7)
"""Sessions after which a position comes back. Source: common practice of spaced revision, no source."""

REVISION_MINUTES = 3  # for each position
HOMEWORK_MINUTES = 3  # to set it
TEST_FROM = 3  # sessions in a term, from which on the last one teaches nothing new


class Activity(StrEnum):
    """The ways to spend a part of a session."""

    REVISION = "Revision"
    POSITIONS = "New positions on the demonstration board"
    MODEL = "Model game"
    PLAY = "Playing on from the positions, in pairs"
    EXERCISES = "Exercises on paper, and their answers"
    HOMEWORK = "Homework is set"


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a session."""

    activity: Activity
    minutes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """One evening: its new positions in the order of teaching, those that come back, and its minutes."""

    number: int
    new: tuple[Finding, ...]
    revised: tuple[Finding, ...]
    parts: tuple[Part, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All positions of the evening."""
        return (*self.new, *self.revised)


def term(
    findings: Iterable[Finding],
    sessions: int,
    minutes: int,
    modelled: Collection[Reply] = (),
) -> list[Session]:
    """The sessions of a term: as many as are asked for, but no more than there are topics.

    `findings` come in the order of their value; as many as there is time for are taught, each once, what lies
    on the way to others before them. In a term of three sessions or more, the last one only revises.
    `modelled` are the losing replies to which there is a model game.
    Raises UsageError if there is nothing to teach or no time for it.
    """
    if sessions < 1 or minutes < FEWEST_MINUTES:
        raise UsageError(
            f"{sessions} sessions of {minutes} minutes are too little",
            advice=f"plan at least one session of {FEWEST_MINUTES} minutes",
        )
    at_once = max(1, min(MOST_NEW, minutes // MINUTES_FOR_ONE - 1))
    topics = [finding for finding in distinct(findings) if task_of(finding)]
    if not topics:
        raise UsageError("no finding is left to teach", advice="ask for more bands or another side")
    tests = sessions >= TEST_FROM and len(topics) > 1
    teaching = min(sessions - tests, len(topics))
    sessions, chosen = teaching + tests, topics[: teaching * at_once]
    taught = [*_shared_out(in_order(chosen), teaching), *[()] * (sessions - teaching)]
    revised = _revisions(taught, most=max(2, minutes // 10))
    return [
        Session(
            number=number,
            new=new,
            revised=again,
            parts=_parts(minutes, new, again, any(finding.reply in modelled for finding in new)),
        )
        for number, (new, again) in enumerate(zip(taught, revised, strict=True), start=1)
    ]


def in_order(findings: Sequence[Finding]) -> list[Finding]:
    """Findings in the order of teaching.

    One opening after the other, the most valuable first, and in each of them one pattern after the other, the
    easier before the harder; but whatever lies on the way to another comes before it.
    """
    value: dict[str, float] = defaultdict(float)
    for finding in findings:
        value[opening_family(finding)] += finding.teaching_value
    before = _prerequisites(findings)
    open_ = dict(enumerate(findings))
    ordered: list[Finding] = []
    while open_:
        last = ordered[-1] if ordered else None
        ready = [place for place in open_ if not before[place] & open_.keys()]
        place = min(ready, key=lambda place: (*_preference(open_[place], last, value), place))
        ordered.append(open_.pop(place))
    return ordered


def _preference(finding: Finding, last: Finding | None, value: Mapping[str, float]) -> tuple[object, ...]:
    """The key by which findings are taken in turn: smaller is sooner."""
    family = opening_family(finding)
    stays = last is not None and opening_family(last) == family
    same_pattern = bool(stays and last and last.pattern and last.pattern == finding.pattern)
    return (not stays, -value[family], family, not same_pattern, -find_rate(finding), finding.ply)


def _prerequisites(findings: Sequence[Finding]) -> list[set[int]]:
    """For each finding the places of those whose positions are passed on the shortest way to its own."""
    places: dict[int, set[int]] = defaultdict(set)
    for place, finding in enumerate(findings):
        places[finding.key].add(place)
    before = []
    for finding in findings:
        board, passed = chess.Board(), set()
        for san in finding.path:
            passed |= places[chess.polyglot.zobrist_hash(board)]
            board.push_san(san)
        before.append(passed)
    return before


def opening_family(finding: Finding) -> str:
    """The opening's name up to its variation, e.g. `Italian Game`, or its first moves where it has none."""
    name = own_opening(finding).partition(":")[0].strip()
    return name or numbered_sans(finding.path[:4]) or "the first move"


def aim_words(session: Session) -> str:
    """The aims of a session, e.g. `Vienna Gambit: punish 3...exf4 (pin)`."""
    if not session.new:
        return "Revision of the term"
    by_family: dict[str, list[str]] = {}
    for finding in session.new:
        verb = "punish" if finding.kind is Kind.TRAP else "avoid"
        pattern = f" ({finding.pattern})" if finding.pattern else ""
        aim = f"{verb} {reply_words(finding)}{pattern}"
        by_family.setdefault(opening_family(finding), []).append(aim)
    return "; ".join(f"{family}: {', '.join(aims)}" for family, aims in by_family.items())


def _shared_out(findings: Sequence[Finding], sessions: int) -> list[tuple[Finding, ...]]:
    """The findings in their order, as evenly as it goes, the earlier sessions having one more."""
    each, more = divmod(len(findings), sessions)
    bounds = [number * each + min(number, more) for number in range(sessions + 1)]
    return [tuple(findings[start:end]) for start, end in pairwise(bounds)]


def _revisions(taught: Sequence[tuple[Finding, ...]], most: int) -> list[tuple[Finding, ...]]:
    """The findings that come back in each session, the most valuable first; without room, a session later.

    A session that teaches nothing new takes from everything, and first what has come back least.
    """
    due: dict[int, list[Finding]] = defaultdict(list)
    for number, new in enumerate(taught):
        for after in REVISED_AFTER:
            due[number + after] += new
    times: Counter[Reply] = Counter()
    revised = []
    for number, new in enumerate(taught):
        waiting = due[number] if new else [finding for earlier in taught[:number] for finding in earlier]
        ranked = sorted(
            distinct(waiting), key=lambda finding: (times[finding.reply], -finding.teaching_value)
        )
        room = most if new else 2 * most
        again = tuple(ranked[:room])
        revised.append(again)
        times.update(finding.reply for finding in again)
        due[number + 1] += ranked[room:]
    return revised


def _parts(minutes: int, new: Sequence[Finding], revised: Sequence[Finding], model: bool) -> tuple[Part, ...]:
    revision = min(REVISION_MINUTES * len(revised), minutes // 4)
    left = minutes - HOMEWORK_MINUTES - revision
    if not new:
        revision += left // 2
        exercises = minutes - HOMEWORK_MINUTES - revision
        parts = [(Activity.REVISION, revision), (Activity.EXERCISES, exercises)]
    else:
        positions, game = left * 9 // 20, left // 4
        parts = [
            (Activity.REVISION, revision),
            (Activity.POSITIONS, positions),
            (Activity.MODEL if model else Activity.PLAY, game),
            (Activity.EXERCISES, left - positions - game),
        ]
    parts.append((Activity.HOMEWORK, HOMEWORK_MINUTES))
    return tuple(Part(activity, spent) for activity, spent in parts if spent)
