"""Why a reply loses, in sentences that hold on the board."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.finding.finding import Finding
from miner.finding.why import how_sentence, why
from miner.reasons import Pattern, Reason
from tests.export.examples import any_finding, finding, legal, vienna


def test_fork_names_move_and_men() -> None:
    """5.Nxc7+ forks king, queen and rook in the Queen's Gambit Accepted."""
    found = finding(
        "d4 d5 c4 dxc4 Nc3 b5 Nxb5", "Qd5", "Nxc7+ Kd8 Nxd5", "e6 e3", pattern=Pattern.DOUBLE_ATTACK
    )

    assert (
        how_sentence(found)
        == "5.Nxc7+ attacks the king on e8, the queen on d5 and the rook on a8 at the same time."
    )


def test_queen_check_that_wins_a_loose_knight() -> None:
    """1.e4 c5 2.Nf3 d6 3.c3 Nf6 4.Be2 Nxe4 5.Qa4+ attacks king and knight."""
    found = finding(
        "e4 c5 Nf3 d6 c3 Nf6 Be2", "Nxe4", "Qa4+ Nc6 Qxe4", "Nc6 d3", pattern=Pattern.DOUBLE_ATTACK
    )

    assert how_sentence(found) == "5.Qa4+ attacks the king on e8 and the knight on e4 at the same time."


def test_discovered_check_names_the_line() -> None:
    """1.e4 e5 2.Nf3 Nf6 3.Nxe5 Nxe4 4.Qe2 Nf6 5.Nc6+ wins the queen."""
    found = finding(
        "e4 e5 Nf3 Nf6 Nxe5 Nxe4 Qe2", "Nf6", "Nc6+ Be7 Nxd8", "Qe7 Qxe4", pattern=Pattern.DISCOVERED_ATTACK
    )

    assert how_sentence(found) == "5.Nc6+ opens the line of the queen on e2 to the king on e8."


def test_defender_that_is_taken() -> None:
    """6.Bxf6 takes the knight, and then the pawn on d5."""
    path = "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5"
    found = finding(path, "Bd6", "Bxf6 Qxf6 Nxd5", "Be7 e3", pattern=Pattern.REMOVED_DEFENDER)

    assert how_sentence(found) == "6.Bxf6 takes the knight on f6, which defended the pawn on d5."


def test_pattern_that_cannot_be_placed() -> None:
    """Where the men cannot be named, the sentence says what the pattern is."""
    assert how_sentence(vienna(pattern=Pattern.DOUBLE_ATTACK)).startswith(
        "One move of the line makes two threats"
    )


@pytest.mark.parametrize("pattern", list(Pattern))
def test_every_pattern_has_a_sentence(pattern: Pattern) -> None:
    """One sentence, whichever pattern."""
    assert how_sentence(legal(pattern=pattern)).endswith(".")


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_a_sentence(reason: Reason) -> None:
    """A finding without a pattern says what its reason means, after the reason itself."""
    said = why(vienna(reason=reason, pattern=None))

    assert said.startswith("The knight must go back from f6 to g8. ")
    assert len(said) > 60


@given(any_finding(), st.sampled_from(list(Pattern)))
def test_any_line(found: Finding, pattern: Pattern) -> None:
    """No legal line is without a sentence."""
    assert how_sentence(replace(found, pattern=pattern)).endswith(".")
