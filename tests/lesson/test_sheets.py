"""How a sheet is laid out, and its model games."""

from __future__ import annotations

import pytest

from miner.lesson.backing import ModelGame
from miner.lesson.phrases import Tongue
from miner.lesson.sheets import Paper, _model_game, layout_of


@pytest.mark.parametrize(
    ("paper", "per_page", "width", "lines"),
    [
        (Paper.A4, 2, 105.6, 10),  # 0.6 x (210 - 2 x 17)
        (Paper.A4, 3, 89.57, 6),  # 426/390 x ((297 - 15 - 16 - 14) / 3 - 2)
        (Paper.A4, 4, 83.5, 2),  # (210 - 2 x 17 - 9) / 2
        (Paper.LETTER, 6, 53.01, 2),  # 426/390 x ((279.4 - 45) / 3 - 9 - 2 - 2 x 8.3 - 2)
        (Paper.A4, 9, 52.67, 2),  # (210 - 2 x 17 - 2 x 9) / 3
        (Paper.A4, 12, 46.64, 1),  # 426/390 x (252 / 4 - 9 - 2 - 7.3 - 2)
    ],
)
def test_diagrams_fill_their_cells(paper: Paper, per_page: int, width: float, lines: int) -> None:
    """A diagram is as wide as its column, or as its row is high after the task and the lines to write on."""
    layout = layout_of(paper, per_page)

    assert (layout.diagram_width, layout.lines) == (width, lines)


@pytest.mark.parametrize(
    ("per_page", "task", "line", "letters", "beside"),
    [
        (3, 0.0, 8.5, 3.5, True),
        (6, 9.0, 8.0, 3.5, False),
        (8, 9.0, 7.0, 3.5, False),
        (9, 9.0, 8.0, 3.2, False),
        (12, 9.0, 7.0, 3.2, False),
    ],
)
def test_task_and_lines_by_number_of_diagrams(
    per_page: int, task: float, line: float, letters: float, beside: bool
) -> None:
    """One column has the lines beside the diagram, four rows lower lines, three columns smaller letters."""
    layout = layout_of(Paper.A4, per_page)

    told = (layout.task_height, layout.line_height, layout.task_size, layout.beside)
    assert told == (task, line, letters, beside)


def test_losing_reply_and_moments_stand_out() -> None:
    """The reply has its sign; it and the moves that mattered are set off, the others not."""
    game = ModelGame(
        sans=("e4", "e5", "Qh5", "g6", "Qxe5"),
        reply_ply=3,
        moments=frozenset({4}),
        result="1-0",
        date="",
        winner_rating=0,
        loser_rating=0,
    )

    moves = _model_game(game, Tongue.of("en"), "??")["moves"]

    assert [move["san"] for move in moves] == ["1.e4", "e5", "2.Qh5", "g6??", "3.Qxe5", "1-0"]
    assert [move["san"] for move in moves if move["moment"]] == ["g6??", "3.Qxe5"]
