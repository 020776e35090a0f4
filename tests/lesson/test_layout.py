"""Where things stand on a page, by hand."""

from __future__ import annotations

import pytest

from miner.lesson.layout import Paper, layout_of


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
