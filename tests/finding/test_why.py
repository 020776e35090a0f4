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


def test_pawn_fork_says_that_it_is_a_pawn() -> None:
    """1.e4 e5 2.Nf3 Nc6 3.Nc3 Bc5 4.Nxe5 Nxe5 5.d4 attacks bishop and knight with one pawn."""
    found = finding(
        "e4 e5 Nf3 Nc6 Nc3", "Bc5", "Nxe5 Nxe5 d4 Bd6 dxe5", "Nf6 Bb5", pattern=Pattern.DOUBLE_ATTACK
    )

    assert how_sentence(found) == "5.d4 forks the bishop on c5 and the knight on e5 with a pawn."


def test_what_nothing_defends() -> None:
    """2.Nf3 a6 3.Nxe5 takes a pawn for nothing."""
    found = finding("e4 e5 Nf3", "a6", "Nxe5", "Nc6 Bb5", pattern=Pattern.UNDEFENDED_PIECE)

    assert how_sentence(found) == "3.Nxe5 takes the pawn on e5, which nothing defends."


@pytest.mark.parametrize(
    ("path", "reply", "refutation", "said"),
    [
        (
            "e4 Nc6 d4 Nf6 e5",
            "a6",
            "exf6 exf6",
            "4.exf6 takes the knight on f6, which is worth more than the pawn on e5.",
        ),
        (
            "e4 e5 Nf3 Nc6 Bc4 Bc5 c3 Nf6 d4",
            "Bb6",
            "dxe5 Ng4",
            "6.dxe5 takes the pawn on e5, which is attacked twice and defended once.",
        ),
    ],
)
def test_who_is_counted(path: str, reply: str, refutation: str, said: str) -> None:
    """What is worth less takes it, or more men attack it than defend it."""
    found = finding(path, reply, refutation, "a5", pattern=Pattern.TOO_FEW_DEFENDERS)

    assert how_sentence(found) == said


def test_check_that_comes_first() -> None:
    """In the Elephant trap 7...Bb4+ wins the queen back before the bishop on d8 is taken."""
    found = finding(
        "d4 d5 c4 e6 Nc3 Nf6 Bg5 Nbd7 cxd5 exd5",
        "Nxd5",
        "Nxd5 Bxd8 Bb4+ Qd2 Bxd2+ Kxd2 Kxd8",
        "e3 Be7",
        pattern=Pattern.IN_BETWEEN_MOVE,
    )

    assert how_sentence(found) == "7...Bb4+ comes first; the bishop on d8 is taken after that."


def test_desperado_names_the_piece() -> None:
    """4.d3 attacks the knight on e4; with 4...Nxf2 it takes a pawn on its way out."""
    found = finding("e4 e5 Nf3 Nf6 Nc3 Nxe4", "d3", "Nxf2 Kxf2", "Nxe4 d5", pattern=Pattern.DESPERADO)

    assert (
        how_sentence(found)
        == "The knight on e4 is attacked: with 4...Nxf2 it takes what it can before it goes."
    )


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
