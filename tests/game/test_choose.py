"""Which model games are worth showing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from miner.errors import UsageError
from miner.game.choose import Candidate, best_of_each, is_near, is_worth_showing, numbered, promising
from miner.game.notes import Told
from miner.terms import Band
from tests.export.examples import finding
from tests.game.games import given

BANDS = [Band(1000, 1199)]


def candidate(
    number: int = 1,
    quality: float = 0.01,
    answer: str = "Nxb5 cxb5",
    only_moves: int = 0,
    **changes: Any,
) -> Candidate:
    """A game after 9...b5, in which White played 10.Nxb5."""
    path = "e4 e5 Nf3 d6 d4 Bg4 dxe5 Bxf3 Qxf3 dxe5 Bc4 Nf6 Qb3 Qe7 Nc3 c6 Bg5"
    shown = finding(path, "b5", answer, "Qc7", opening="Philidor Defence")
    values: dict[str, Any] = {"finding": shown, "loser_rating": 1100} | changes
    return Candidate(game=given(number=number, **values), quality=quality, only_moves=only_moves)


def test_one_game_of_each_losing_reply() -> None:
    """The first of them."""
    chosen = promising([candidate(1), candidate(2)], BANDS)

    assert [one.game.number for one in chosen] == [1]


def test_games_in_which_stops_are_likely_come_first() -> None:
    """Those with three moves of the winner that had to be found, as the first review saw it."""
    chosen = promising([candidate(1, only_moves=1), candidate(2, only_moves=4)], BANDS)

    assert [one.game.number for one in chosen] == [2]


@pytest.mark.parametrize(
    "other",
    [
        candidate(answer="Be2 a6"),  # another answer is taught
        candidate(quality=0.05),
        candidate(loser_rating=1500),
        candidate(loser_rating=0),
        candidate(finding=None),
    ],
    ids=["answer", "unclean", "too strong", "unrated", "not listed"],
)
def test_what_is_not_promising(other: Candidate) -> None:
    """It is left out, and the next one taken."""
    assert promising([other, candidate(2)], BANDS) == [candidate(2)]


def test_best_game_of_each_finding() -> None:
    """In the order of the findings: the taught answer, then what is clean, then where stops are likely."""
    other = finding("e4 e5 Nf3", "f6", "Nxe5", "Nc6")
    games = [
        candidate(1, only_moves=3, answer="Be2 a6"),
        candidate(2, finding=other),
        candidate(3, only_moves=3, quality=0.05),
        candidate(4, only_moves=1),
        candidate(5, only_moves=2),
        candidate(6, only_moves=2),
        candidate(7, finding=None),
    ]

    assert [one.game.number for one in best_of_each(games)] == [5, 2]


def test_near_a_band() -> None:
    """A loser within two hundred points of a band that is asked for; without bands any who is rated."""
    assert [is_near(rating, BANDS) for rating in (799, 800, 1100, 1399, 1400)] == [
        False,
        True,
        True,
        True,
        False,
    ]
    assert is_near(2700, [Band(2400, None)])
    assert is_near(100, [])
    assert not is_near(0, [])


def test_worth_showing(opera: Told) -> None:
    """Three stops or more, and decided by the fortieth move."""
    assert is_worth_showing(opera)
    assert not is_worth_showing(replace(opera, stops=opera.stops[:2]))


def test_number_that_is_no_model_game() -> None:
    """It is said where to find the numbers."""
    assert numbered([candidate(3)], 3).game.number == 3
    with pytest.raises(UsageError, match="game 4 is no model game"):
        numbered([candidate(3)], 4)
