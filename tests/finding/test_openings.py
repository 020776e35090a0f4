"""The table of openings by position."""

from __future__ import annotations

import csv
import re
from importlib import resources

import pytest

from miner.finding.openings import moves_to, opening_after, table


def rows() -> list[dict[str, str]]:
    text = resources.files("miner.finding").joinpath("openings.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def test_every_line_is_legal_and_names_a_position_of_its_own() -> None:
    """300 to 400 names, each with a code, none of them twice."""
    found = rows()

    assert 300 <= len(found) <= 400
    assert len(table()) == len({row["name"] for row in found}) == len(found)
    assert all(re.fullmatch(r"[A-E]\d\d", row["eco"]) for row in found)
    assert all(opening_after(row["moves"].split()) == (row["eco"], row["name"]) for row in found)


@pytest.mark.parametrize(
    ("moves", "name"),
    [
        ("d4 Nf6 c4 e6 Nf3 d5 Nc3", "Queen's Gambit Declined: 4.Nf3"),
        ("d4 e6 e4 d5 Nc3 Nf6", "French Defence: Classical Variation"),
        ("e4 e5 Bc4 Nf6 Nf3 Nc6 Ng5", "Two Knights Defence: Knight Attack"),
        ("e4 e5 Nf3 d6 h3 a6", "Philidor Defence"),
    ],
)
def test_a_position_has_its_name_however_it_is_reached(moves: str, name: str) -> None:
    """By another order of moves, and with moves behind it that have no name."""
    opening = opening_after(moves.split())

    assert opening is not None
    assert opening.name == name


def test_no_name_without_moves() -> None:
    """The start position is no opening."""
    assert opening_after([]) is None


def test_moves_lead_to_the_opening_of_that_name() -> None:
    """Each name has a way to it; what is passed by a shorter way as well, the shorter."""
    for name, moves in moves_to().items():
        found = opening_after(moves)
        assert found is not None
        assert found.name == name
    assert moves_to()["Italian Game"] == ("e4", "e5", "Nf3", "Nc6", "Bc4")
