"""What is said of a pupil's mistakes."""

from __future__ import annotations

import pytest

from miner.pupils.check import Outcome
from miner.pupils.mastery import Record
from miner.pupils.page_data import _record_words
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
