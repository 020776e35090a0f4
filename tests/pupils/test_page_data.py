"""What is said of a pupil's mistakes."""

from __future__ import annotations

import pytest

from miner.explain.motif import Theme
from miner.finding.motif_words import meaning_words
from miner.pupils.before_after import ChangeVerdict
from miner.pupils.check import Outcome
from miner.pupils.mastery import Record
from miner.pupils.motifs import MotifRecord
from miner.pupils.page_data import _is_found_well, _record_words, change_sentences
from miner.reasons import Pattern
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


@pytest.mark.parametrize("name", [*Pattern, *Theme])
def test_every_motif_is_explained(name: str) -> None:
    """Whatever stands on a child's sheet as a motif has a sentence beside it."""
    assert meaning_words(name).endswith(".")


def test_changes_in_sentences() -> None:
    """A clear change has its sentence and a warning, and it is said of what nothing is clear or known."""
    verdicts = [ChangeVerdict.TOO_LITTLE, ChangeVerdict.BETTER, ChangeVerdict.UNCLEAR, ChangeVerdict.UNCLEAR]
    rows = [
        {"what": f"Skill {place}", "part": part, "before": "9 of 9", "after": "0 of 9", "verdict": verdict}
        for place, (verdict, part) in enumerate(zip(verdicts, ["falling in", "punishing"] * 2, strict=True))
    ]

    assert change_sentences(rows) == [
        "Skill 1 (punished): 9 of 9 times before the lesson, 0 of 9 times after it. That is better, and by "
        "more than chance usually brings.",
        "Of 20 comparisons 1 may look clear by chance; here are 4.",
        "No clear change (as much may be chance): skill 2 (made), skill 3 (punished).",
        "Too little to tell (it takes 5 times on either side): skill 0 (made).",
    ]
    assert change_sentences(rows[1:2]) == change_sentences(rows)[:1]
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
