"""A term of sessions from findings and motifs: when each is taught and when revised. Pure functions."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

import chess
import chess.polyglot

from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.moment import Moment
from miner.finding.things import KNOWN_FROM, LEAST_WORTH, is_worth_teaching
from miner.finding.words import agreeing, counted, numbered_sans, own_opening, reply_words
from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.exercises import TOO_HARD, Exercise, distinct, find_rate, from_easy_to_hard, task_of
from miner.lesson.moments import MotifLesson, Pool, exercises_about, motif_lesson
from miner.terms import Kind

FEWEST_MINUTES = 20
MINUTES_FOR_ONE = 15
MOST_NEW = 5
REVISED_AFTER = (1, 3, 7)
"""Sessions after which a position comes back. Source: common practice of spaced revision, no source."""

STEP = 5
"""Minutes by which a session is cut up: nobody teaches by the minute."""
REVISION_MINUTES = 3  # for each position, rounded up to a step
HOMEWORK_MINUTES = 5  # to set it
TEST_FROM = 3  # sessions in a term, from which on the last one teaches nothing new

ASKED_FIRST, ASKED_AGAIN = 4, 2
"""Exercises about a motif in the session that teaches it, and in each that revises it."""
ASKED_IN_ALL = ASKED_FIRST + ASKED_AGAIN * (len(REVISED_AFTER) + 1)


class Activity(StrEnum):
    """The ways to spend a part of a session."""

    REVISION = "Revision"
    POSITIONS = "New positions on the demonstration board"
    MOTIFS = "A motif by its examples on the demonstration board"
    MODEL = "Model game"
    PLAY = "Playing on from the positions, in pairs"
    EXERCISES = "Exercises on paper, and their answers"
    HOMEWORK = "Homework is set"


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a session."""

    activity: Activity
    minutes: int


@dataclass(frozen=True, slots=True)
class MotifTopic:
    """A motif that is taught, and exercises about it, from the easiest to the hardest."""

    lesson: MotifLesson
    exercises: tuple[Exercise[Moment], ...] = ()

    @property
    def name(self) -> str:
        """The motif in words."""
        return self.lesson.count.motif


Topic = Finding | MotifTopic


def motif_topics(pool: Pool) -> list[MotifTopic]:
    """All motifs of the pupils' band that can be taught, with exercises that no other has."""
    topics = pool.topics
    asked = exercises_about(pool, topics, ASKED_IN_ALL * len(topics))
    return [
        MotifTopic(
            motif_lesson(pool, topic),
            tuple(from_easy_to_hard(one for one in asked if topic.holds(one.finding))),
        )
        for topic in topics
    ]


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """One evening: its new positions in the order of teaching, its new motifs, what comes back."""

    number: int
    new: tuple[Finding, ...]
    revised: tuple[Topic, ...]
    parts: tuple[Part, ...]
    motifs: tuple[MotifTopic, ...] = ()
    moments: tuple[Exercise[Moment], ...] = ()  # exercises about its motifs, asked in no other session
    models: Mapping[Reply, ModelGame] = field(default_factory=dict)  # of its positions, in no other session

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All positions of the evening that recur."""
        return (*self.new, *(topic for topic in self.revised if isinstance(topic, Finding)))

    @property
    def has_new(self) -> bool:
        """Whether anything is taught for the first time."""
        return bool(self.new or self.motifs)


def term(
    findings: Iterable[Finding],
    sessions: int,
    minutes: int,
    backing: Backing = NO_BACKING,
    motifs: Sequence[MotifTopic] = (),
    earlier: Sequence[Topic] = (),
) -> list[Session]:
    """The sessions of a term: as many as are asked for, but no more than there are topics.

    `findings` and `motifs` come in the order of their value; as many as are worth it and as there is time for
    are taught, each once, motifs in half of the room or where findings lack; such as hardly anybody of the
    band finds are put off, and what lies on the way to others comes before them. What was taught `earlier`
    comes back once, beside the new. In a term of three sessions or more, the last one only revises.
    `backing` has the model games, each of which is shown once.
    Raises UsageError if there is nothing to teach or no time for it.
    """
    if sessions < 1 or minutes < FEWEST_MINUTES:
        raise UsageError(
            f"{counted(sessions, 'session')} of {counted(minutes, 'minute')} "
            f"{agreeing(sessions, 'is', 'are')} too little",
            advice=f"plan at least one session of {FEWEST_MINUTES} minutes",
        )
    at_once = max(1, min(MOST_NEW, minutes // MINUTES_FOR_ONE - 1))
    topics = [one for one in distinct(findings) if task_of(one) and is_worth_teaching(one)]
    topics.sort(key=_is_too_hard)
    motifs = [motif for motif in motifs if is_worth_teaching(motif.lesson.count)]
    count = len(topics) + len(motifs)
    if not count:
        raise UsageError(
            f"no topic is left that is worth {LEAST_WORTH} points in 100 games and that fewer than "
            f"{KNOWN_FROM:.0%} punish",
            advice="ask for more bands or another side",
        )
    in_all = min(sessions, count)
    tests = in_all >= TEST_FROM
    room = (in_all - tests) * at_once
    chosen = topics[: max(room - len(motifs), room - room // 2)]
    taught = _shared_out(in_order(chosen), in_all - tests)
    woven = _woven(motifs[: room - len(chosen)], taught)
    for parts in (taught, woven):
        parts += [()] * tests
    together: list[tuple[Topic, ...]] = [(*new, *also) for new, also in zip(taught, woven, strict=True)]
    revised = _revisions(together, most=max(2, minutes // 10), earlier=earlier)
    moments = _asked(woven, revised)
    models = backing.each_once(one for new in taught for one in new)
    return [
        Session(
            number=number,
            new=new,
            revised=again,
            parts=_parts(minutes, new, also, again, any(one.reply in models for one in new)),
            motifs=also,
            moments=asked,
            models={one.reply: models[one.reply] for one in new if one.reply in models},
        )
        for number, (new, also, again, asked) in enumerate(
            zip(taught, woven, revised, moments, strict=True), start=1
        )
    ]


def _is_too_hard(finding: Finding) -> bool:
    """Whether hardly anybody of the band finds how to punish it."""
    return finding.kind is Kind.TRAP and finding.find_rate is not None and finding.find_rate < TOO_HARD


def _woven(
    motifs: Iterable[MotifTopic], taught: Sequence[tuple[Finding, ...]]
) -> list[tuple[MotifTopic, ...]]:
    """The motifs of each session, each put where there is least to teach, the earlier the better."""
    woven: list[list[MotifTopic]] = [[] for _ in taught]
    for motif in motifs:
        place = min(range(len(taught)), key=lambda number: len(taught[number]) + len(woven[number]))
        woven[place].append(motif)
    return [tuple(session) for session in woven]


def _asked(
    taught: Sequence[tuple[MotifTopic, ...]], revised: Sequence[tuple[Topic, ...]]
) -> list[tuple[Exercise[Moment], ...]]:
    """The exercises about motifs in each session: more where one is new, and none twice."""
    used: Counter[str] = Counter()
    asked = []
    for new, again in zip(taught, revised, strict=True):
        wanted = [(topic, ASKED_FIRST) for topic in new]
        wanted += [(topic, ASKED_AGAIN) for topic in again if isinstance(topic, MotifTopic)]
        session: list[Exercise[Moment]] = []
        for topic, number in wanted:
            session += topic.exercises[used[topic.name] : used[topic.name] + number]
            used[topic.name] += number
        asked.append(tuple(session))
    return asked


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
    if not session.has_new:
        return "Revision of the term"
    by_family: dict[str, list[str]] = {}
    for finding in session.new:
        verb = "punish" if finding.kind is Kind.TRAP else "avoid"
        pattern = f" ({finding.pattern})" if finding.pattern else ""
        aim = f"{verb} {reply_words(finding)}{pattern}"
        by_family.setdefault(opening_family(finding), []).append(aim)
    positions = [f"{family}: {', '.join(aims)}" for family, aims in by_family.items()]
    return "; ".join([*positions, *(f"motif: {topic.name}" for topic in session.motifs)])


def _shared_out(topics: Sequence[Finding], sessions: int) -> list[tuple[Finding, ...]]:
    """The findings in their order, as evenly as it goes, the earlier sessions having one more."""
    each, more = divmod(len(topics), sessions)
    bounds = [number * each + min(number, more) for number in range(sessions + 1)]
    return [tuple(topics[start:end]) for start, end in pairwise(bounds)]


def _revisions(
    taught: Sequence[tuple[Topic, ...]], most: int, earlier: Sequence[Topic] = ()
) -> list[tuple[Topic, ...]]:
    """The topics that come back in each session, the most valuable first; without room, a session later.

    A session that teaches nothing new takes from everything, and first what has come back least.
    """
    due: dict[int, list[Topic]] = defaultdict(list, {0: list(earlier)})
    for number, new in enumerate(taught):
        for after in REVISED_AFTER:
            due[number + after] += new
    times: Counter[object] = Counter()
    revised = []
    for number, new in enumerate(taught):
        before = [*earlier, *(topic for session in taught[:number] for topic in session)]
        waiting = due[number] if new else before
        each = dict(zip(map(_identity, waiting), waiting, strict=True))
        ranked = sorted(each.values(), key=lambda topic: (times[_identity(topic)], -_value_of(topic)))
        room = most if new else 2 * most
        again = tuple(ranked[:room])
        revised.append(again)
        times.update(map(_identity, again))
        due[number + 1] += ranked[room:]
    return revised


def _identity(topic: Topic) -> object:
    return topic.name if isinstance(topic, MotifTopic) else topic.reply


def _value_of(topic: Topic) -> float:
    """Points in 100 games."""
    return topic.lesson.count.costs_low if isinstance(topic, MotifTopic) else topic.teaching_value


def _parts(
    minutes: int,
    new: Sequence[Finding],
    motifs: Sequence[MotifTopic],
    revised: Sequence[Topic],
    model: bool,
) -> tuple[Part, ...]:
    """The parts in steps of minutes; what is left over goes to the exercises."""
    most = max(STEP, minutes // 4 // STEP * STEP)
    revision = min(-(-REVISION_MINUTES * len(revised) // STEP) * STEP, most)
    left = minutes - HOMEWORK_MINUTES - revision
    if not new and not motifs:
        revision += _in_steps(left / 2)
        exercises = minutes - HOMEWORK_MINUTES - revision
        parts = [(Activity.REVISION, revision), (Activity.EXERCISES, exercises)]
    else:
        topics = len(new) + len(motifs)
        for_new, for_motifs = STEP * bool(new), STEP * bool(motifs)
        board = max(for_new + for_motifs, _in_steps(left * 9 / 20))
        game = max(0, min(_in_steps(left / 4), (left - board) // STEP * STEP - STEP)) if new else 0
        positions = min(max(_in_steps(board * len(new) / topics), for_new), board - for_motifs)
        parts = [
            (Activity.REVISION, revision),
            (Activity.POSITIONS, positions),
            (Activity.MOTIFS, board - positions),
            (Activity.MODEL if model else Activity.PLAY, game),
            (Activity.EXERCISES, left - board - game),
        ]
    parts.append((Activity.HOMEWORK, HOMEWORK_MINUTES))
    return tuple(Part(activity, spent) for activity, spent in parts if spent)


def _in_steps(minutes: float) -> int:
    return STEP * round(minutes / STEP)
