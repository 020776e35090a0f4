"""Progress bars: silence where nobody watches."""

from __future__ import annotations

import pytest

from miner.bars import Bars


def test_no_bar_without_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """Written to a file or a pipe, progress says nothing; work goes on all the same."""
    with Bars().task("reading", total=100, unit="B") as task:
        task.advance(40)
        task.facts("41,000 games/s")
        task.advance()

    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "")
