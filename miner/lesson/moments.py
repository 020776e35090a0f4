"""Exercises from single games, by motif, and what the coach is told of each motif. Pure functions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.moment import Moment, moment_of
from miner.finding.motif_words import falls_sentence, finders_sentence, share_words, sign_sentence
from miner.finding.motifs import MotifCount, Motifs, Share, SignCount, clearest, rows_of, shares
from miner.finding.words import counted
from miner.lesson.exercises import Exercise, exercise_of, from_easy_to_hard, is_missed, of_moments, task_of
from miner.reasons import PATTERNS, Pattern
from miner.settings import Taught
from miner.terms import ALL_BANDS

SHOWN_MOVES = 5
"""Moves of the side that punishes within which an exercise must show what it gains."""
EXAMPLES = 3
TAUGHT_AT_ONCE = 3
"""Motifs from which a lesson takes its exercises, unless some are asked for."""
_OPENINGS = 3
_SPARE = 2  # examples that are looked at for each that is shown
_ONE_IN = 3
"""Of so many exercises of a lesson one is from a single game."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Pool:
    """The moments that may become exercises, and for whom."""

    motifs: Motifs
    band: str  # of the pupils, or all together
    side: Taught = "both"
    known: frozenset[int] = frozenset()  # keys of positions that are met elsewhere

    @property
    def topics(self) -> list[MotifCount]:
        """The motifs to be taught: of the band, what costs it most first, then those of all bands."""
        own = self.motifs.topics(self.band)
        patterns = {topic.pattern for topic in own}
        others = (topic for topic in self.motifs.topics(ALL_BANDS) if topic.pattern not in patterns)
        return [*own, *others]

    def examples(self, topic: MotifCount) -> list[Moment]:
        """What the coach shows of a motif, no more than half of what there is of it."""
        rows = self.motifs.mistakes_of(topic, ALL_BANDS)
        most = min(EXAMPLES, rows["game"].nunique() // 2)
        found = self.motifs.examples(topic, most * _SPARE)
        return [one for one in found if one.key not in self.known][:most]

    def exercises(
        self, topics: Sequence[MotifCount], most: int, shown: Iterable[Moment] = ()
    ) -> list[Exercise[Moment]]:
        """As many as are wanted from the motifs by turns, no two of one game or position; unordered.

        `shown`: nor of the game of one of these.
        """
        waiting = [self._moments(topic) for topic in topics]
        seen = list(shown)
        chosen: list[Moment] = []
        while waiting and len(chosen) < most:
            topic = waiting.pop(0)
            moment = next((one for one in topic if not _is_like(one, [*seen, *chosen])), None)
            if moment is not None:
                chosen.append(moment)
                waiting.append(topic)
        return [self.exercise(moment) for moment in chosen]

    def exercise(self, moment: Moment) -> Exercise[Moment]:
        """A moment as an exercise, with what is known of how hard it is for the band."""
        finders, chance = self.motifs.finders(moment, self.band), self.motifs.chance(moment, self.band)
        return exercise_of(moment, finders, chance)

    def _moments(self, topic: MotifCount) -> Iterator[Moment]:
        """Those of a motif that can be asked: the pupils' band's first, then the others'."""
        of_all = self.motifs.mistakes_of(topic, ALL_BANDS)
        own = of_all["band"] == self.band
        for rows in (of_all[own], of_all[~own]):
            new = rows[~rows["key"].map(self.known.__contains__).astype(bool)]
            for row in rows_of(clearest(new, len(new))):
                moment = moment_of(row)
                if self.can_be_asked(moment):
                    yield moment

    def can_be_asked(self, moment: Moment) -> bool:
        """Whether a moment is one for these pupils: one or two good answers, a gain that is soon shown.

        A mistake that only leaves out a gain of its own is nothing to be punished.
        """
        is_for_them = self.side in ("both", moment.side) and not is_missed(moment)
        return is_for_them and 0 < moment.shown < 2 * SHOWN_MOVES and task_of(moment) is not None


def _is_like(moment: Moment, chosen: Sequence[Moment]) -> bool:
    return any(moment.game == one.game or moment.fen == one.fen for one in chosen)


def exercises_about(pool: Pool, topics: Sequence[MotifCount], most: int) -> list[Exercise[Moment]]:
    """Exercises about motifs that are taught, none of them from a game that is shown as an example."""
    return pool.exercises(topics, most, [moment for topic in topics for moment in pool.examples(topic)])


@dataclass(frozen=True, kw_only=True, slots=True)
class MotifLesson:
    """What the coach is told of a motif."""

    count: MotifCount
    signs: tuple[SignCount, ...]
    allowed_by: tuple[Share, ...]
    openings: tuple[Share, ...]
    examples: tuple[Moment, ...]
    fails: Moment | None  # where the same blow comes too soon


def motif_lesson(pool: Pool, topic: MotifCount) -> MotifLesson:
    """A motif with its examples, and all that is told of it."""
    motifs = pool.motifs
    rows = motifs.mistakes_of(topic)
    fails = motifs.too_soon(topic)
    return MotifLesson(
        count=topic,
        signs=tuple(motifs.signs(topic)),
        allowed_by=tuple(shares(rows, "by")[:_OPENINGS]),
        openings=tuple(shares(rows, "opening")[:_OPENINGS]),
        examples=tuple(pool.examples(topic)),
        fails=fails if fails and fails.key not in pool.known else None,
    )


def mixed(
    findings: Sequence[Exercise[Finding]], moments: Sequence[Exercise[Moment]], top: int
) -> list[Exercise[Mistake]]:
    """Exercises of both kinds, from the easiest to the hardest; a third are moments, or more."""
    few = max(top // _ONE_IN, top - len(findings))
    chosen: list[Exercise[Mistake]] = [*moments[:few]]
    return from_easy_to_hard([*findings[: top - len(chosen)], *chosen])


def motif_lessons(
    pool: Pool, topics: Sequence[MotifCount], exercises: Sequence[Exercise[Mistake]]
) -> list[MotifLesson]:
    """The motifs about which there are exercises, each as the coach teaches it."""
    asked = [one.finding for one in of_moments(exercises)]
    met = [topic for topic in topics if any(topic.holds(moment) for moment in asked)]
    return [motif_lesson(pool, topic) for topic in met]


def numbers_words(lesson: MotifLesson, exercises: Sequence[Exercise[Moment]]) -> str:
    """Which exercises of a sheet are about a motif; empty: none."""
    numbers = [str(one.number) for one in exercises if lesson.count.holds(one.finding)]
    if not numbers:
        return ""
    return f"{counted(len(numbers), 'exercise')} of the sheet: {', '.join(numbers)}."


def motif_facts(lesson: MotifLesson) -> list[str]:
    """How often the band falls for it and finds it, its sign, and what usually comes before it."""
    ask = PATTERNS[Pattern(lesson.count.pattern)].ask if lesson.count.pattern in {*Pattern} else ""
    by, openings = share_words(lesson.allowed_by), share_words(lesson.openings)
    facts = [
        falls_sentence(lesson.count),
        finders_sentence(lesson.count),
        sign_sentence(lesson.count, lesson.signs),
        f"The error before it: {by}." if by else "",
        f"It arises in: {openings}." if openings else "",
        f"If nobody sees it: {ask}" if ask else "",
    ]
    return [fact for fact in facts if fact]
