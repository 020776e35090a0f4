"""The opening map: which moves are on it, and whose games they have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyarrow as pa

from miner.report.opening_map import RepliesByPosition, opening_map
from miner.schema import REPLIES
from tests.export.examples import finding, vienna
from tests.report.stores import BANDS, replies_for


def a_map(paths: Sequence[str], rows: list[dict[str, Any]]) -> dict[str, Any]:
    replies = RepliesByPosition(pa.Table.from_pylist(rows, REPLIES), BANDS)
    return opening_map(replies, [path.split() for path in paths])


def test_moves_of_the_games_from_the_start_on() -> None:
    """Parents stand before their children, and each move has the games of each band."""
    told = a_map([], replies_for([vienna()]))

    assert told["san"] == ["", "e4", "e5", "Nc3", "Nf6", "f4", "exf4"]
    assert told["parent"] == [-1, 0, 1, 2, 3, 4, 5]
    assert told["games"][1:] == [[50, 50, 50]] * 6
    assert told["at"] == [[50, 50, 50]] * 6 + [[]]


def test_path_of_a_finding_is_on_it_whatever_is_played() -> None:
    """A losing reply that no game on record leads to is there all the same, with no games."""
    told = a_map(["g2g4 d7d5"], replies_for([vienna()]))

    [end] = told["ends"]
    assert [told["san"][one] for one in end] == ["d5"]
    assert told["games"][end[0]] == []


def test_transposition_is_on_it_twice() -> None:
    """One position that is come to by two orders of moves has its reply at both."""
    one = finding("Nf3 Nf6 g3", "Rg8", "Bg2", "g6")
    other = finding("g3 Nf6 Nf3", "Rg8", "Bg2", "g6")

    told = a_map(["g1f3 g8f6 g2g3 h8g8"], replies_for([one, other]))

    [ends] = told["ends"]
    assert [told["san"][end] for end in ends] == ["Rg8", "Rg8"]


def test_rare_moves_are_left_out() -> None:
    """A move of fewer games of a band than tell anything is not drawn."""
    rows = replies_for([vienna()])
    rare = [row | {"games": 1} for row in rows]

    assert a_map([], rare)["san"] == [""]


def test_no_games() -> None:
    """A map without any move has the start."""
    assert a_map([], [])["san"] == [""]


def test_the_map_shows_the_stores_own_games() -> None:
    """Games of a prior say what is chosen, not what these pupils play."""
    rows = [
        row | {"games_elsewhere": 20, "games_at_position_elsewhere": 30} for row in replies_for([vienna()])
    ]

    told = a_map([], rows)

    assert told["games"][1:] == [[30, 30, 30]] * 6
    assert told["at"] == [[20, 20, 20]] * 6 + [[]]
