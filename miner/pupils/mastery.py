"""Which losing replies a pupil masters by now, and which to work on next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from miner.finding.finding import Finding
from miner.lesson.exercises import Exercise, as_exercises, distinct, task_of
from miner.pupils.check import Outcome, PupilsCheck

MASTERED = 2
"""Right answers in a row, up to the newest game, from which a finding is mastered."""

RIGHT = frozenset({Outcome.AVOIDED, Outcome.PUNISHED})
WRONG = frozenset({Outcome.FELL_IN, Outcome.MISSED})


@dataclass(frozen=True, kw_only=True, slots=True)
class Record:
    """How a pupil fared with one losing reply, from one side of the board."""

    finding: Finding
    outcomes: tuple[Outcome, ...]  # where it was up to the pupil, the oldest first
    last_wrong: str  # date of the newest mistake, or empty
    lost: float  # points, as far as they are known

    @property
    def wrong(self) -> int:
        """How often it went wrong."""
        return sum(outcome in WRONG for outcome in self.outcomes)

    @property
    def right(self) -> int:
        """How often it went right."""
        return len(self.outcomes) - self.wrong

    @property
    def is_mastered(self) -> bool:
        """Whether the newest answers are right, and enough of them."""
        newest = self.outcomes[-MASTERED:]
        return len(newest) == MASTERED and RIGHT.issuperset(newest)


def records(check: PupilsCheck, pupil: str) -> list[Record]:
    """A pupil's records, the costliest first."""
    own = check.meetings[check.meetings["pupil"] == pupil]
    asked = own[own["outcome"].isin([*RIGHT, *WRONG])].sort_values(["date", "source", "number", "ply"])
    by_reply: Any = asked.groupby(["key", "move", "kind"], sort=True)
    found = [_record(check, rows) for _, rows in by_reply]
    return sorted(found, key=lambda record: (-record.lost, -record.wrong, -record.finding.teaching_value))


def _record(check: PupilsCheck, rows: pd.DataFrame) -> Record:
    wrong = rows.loc[rows["outcome"].isin(list(WRONG)), "date"]
    return Record(
        finding=check.finding(rows.iloc[-1]),
        outcomes=tuple(map(Outcome, rows["outcome"])),
        last_wrong=wrong.iloc[-1] if len(wrong) else "",
        lost=float(rows["lost"].sum()),
    )


def next_exercises(own: Iterable[Record], most: int) -> list[tuple[Exercise[Finding], Record]]:
    """The findings to work on as exercises, each with the pupil's record, from the easiest to the hardest.

    First what went wrong and is not mastered since, the costliest first; then what went wrong but is; then
    what never went wrong but was not met often enough to be mastered, the most valuable first. Each losing
    reply comes once.
    """
    asked = [record for record in own if task_of(record.finding)]
    open_ = [record for record in asked if record.wrong and not record.is_mastered]
    mastered = [record for record in asked if record.wrong and record.is_mastered]
    new = [record for record in asked if not record.wrong and not record.is_mastered]
    new.sort(key=lambda record: -record.finding.teaching_value)
    ordered = [*open_, *mastered, *new]
    by_reply = {record.finding.reply: record for record in reversed(ordered)}
    chosen = distinct(record.finding for record in ordered)[:most]
    return [(exercise, by_reply[exercise.finding.reply]) for exercise in as_exercises(chosen)]
