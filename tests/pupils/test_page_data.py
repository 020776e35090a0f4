"""What is said of a pupil's mistakes."""

from __future__ import annotations

import pytest

from miner.pupils.before_after import ChangeVerdict
from miner.pupils.check import Outcome
from miner.pupils.mastery import Record
from miner.pupils.motifs import MotifRecord
from miner.pupils.page_data import _is_found_well, _record_words, change_sentences
from miner.terms import Kind
from tests.export.examples import vienna


@pytest.mark.parametrize(
    ("kind", "outcomes", "last", "lost", "words"),
    [
        (
            Kind.PITFALL,
            "fell in,avoided",
            "2025.02.03",
            0.4,
            "Fell in 1 of 2 times, last on 2025.02.03; 0.40 points.",
        ),
        (Kind.TRAP, "missed", "????.??.??", 1.25, "Not punished 1 of 1 time; 1.25 points."),
        (Kind.TRAP, "missed,missed", "2025.02.03", 0.0, "Not punished 2 of 2 times, last on 2025.02.03."),
    ],
)
def test_record_in_words(kind: Kind, outcomes: str, last: str, lost: float, words: str) -> None:
    """How often, when last, and the points as far as any are known."""
    known = tuple(map(Outcome, outcomes.split(",")))
    record = Record(finding=vienna(kind=kind), outcomes=known, last_wrong=last, lost=lost)

    assert _record_words(record) == words


def test_changes_that_are_not_clear_are_one_line() -> None:
    """Whatever the table holds: a clear change has its sentence, all others together have one."""
    verdicts = [ChangeVerdict.TOO_LITTLE, ChangeVerdict.BETTER, ChangeVerdict.UNCLEAR, ChangeVerdict.UNCLEAR]
    rows = [
        {"skill": f"Skill {place}", "before": "9 of 9", "after": "0 of 9", "verdict": verdict}
        for place, verdict in enumerate(verdicts)
    ]

    assert change_sentences(rows) == [
        "Skill 1: 9 of 9 times before the lesson, 0 of 9 times after it. That is better, and by more than "
        "chance usually brings.",
        "No clear change in the others: as much may be chance, or too little to tell (it takes 5 times on "
        "either side).",
    ]
    assert change_sentences(rows[2:]) == ["No clear change since then: as much may be chance."]
    assert change_sentences([]) == []


@pytest.mark.parametrize(
    ("found", "chances", "usual", "is_praised"),
    [(1, 1, None, False), (1, 1, 0.3, False), (4, 4, 2.0, False), (3, 5, 3.0, True), (2, 5, 3.0, False)],
)
def test_one_chance_is_no_evidence(found: int, chances: int, usual: float | None, is_praised: bool) -> None:
    """A motif is praised from five chances on, found as often as is usual."""
    record = MotifRecord(
        pattern="fork",
        games=20,
        fell=0,
        usual_fell=None,
        chances=chances,
        found=found,
        usual_found=usual,
        costs=0.0,
    )

    assert _is_found_well(record) == is_praised
