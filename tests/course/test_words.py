"""What a move does is told by the board alone."""

from __future__ import annotations

import pytest

from miner.course.curve import coverage_svg
from miner.course.words import deed_words
from tests.stores import board_after


@pytest.mark.parametrize(
    ("before", "san", "told"),
    [
        ("e4 e5", "Nf3", "develops a knight, attacks the pawn on e5"),
        ("e4 e5 Nf3 Nc6 Bc4 Bc5", "O-O", "castles short"),
        ("e4 d5", "exd5", "takes a pawn"),
        ("e4 e5 Qh5 Nc6 Bc4 Nf6", "Qxf7#", "takes a pawn, gives mate"),
        ("e4 e5 Nf3 Nc6 Bc4 Nf6", "Ng5", "attacks the pawn on f7"),
        ("e4", "a6", ""),
    ],
)
def test_deeds(before: str, san: str, told: str) -> None:
    """Takes, develops, castles, checks; attacks only what is worth more or not covered often enough."""
    board = board_after(before)

    assert deed_words(board, board.parse_san(san)) == told


def test_picture_has_a_point_for_each_move() -> None:
    """On paper with colours of its own, on a page by classes and with a name."""
    points = [(4, 0.9), (5, 0.6), (6, 0.3)]

    paper, page = coverage_svg(points), coverage_svg(points, "covered & told")

    assert paper.count("<circle") == page.count("<circle") == 3
    assert 'aria-label="covered &amp; told"' in page
    assert 'stroke="#000"' in paper
    assert "stroke=" not in page
