"""Tests of the benchmark of clusters: what it measures with, and its simulation."""

from __future__ import annotations

import pytest

from benchmarks.cluster import Step, send, with_clocks
from tests.reading import game_text, read_in_memory

ROUTE = [Step("client", 1.0), Step("workers", 6.0), Step("client", 1.0)]


@pytest.mark.parametrize(
    ("workers", "seconds", "busiest"),
    [
        (1, 602.0, "workers"),  # the worker waits only for the first order and the last result
        (2, 302.0, "workers"),
        (64, 200.0, "client"),  # two seconds of the client for each of a hundred jobs
    ],
)
def test_work_takes_as_long_as_its_busiest_station(workers: int, seconds: float, busiest: str) -> None:
    """More workers help until somebody else has no time left."""
    run = send(ROUTE, 100, {"client": 1, "workers": workers}, ahead=max(4, 2 * workers))

    assert run.seconds == pytest.approx(seconds, abs=8.0)
    assert run.busiest == busiest
    assert run.busy["client"] == pytest.approx(200.0 / run.seconds)


def test_clocks_change_no_move() -> None:
    """The remarks are what a reader passes over."""
    text = game_text("1. e4 e5 2. Nf3 Nc6 3. Bb5", "1-0") * 3

    clocked = with_clocks(text)

    assert clocked.count("[%clk 0:") == 15
    assert [row["move"] for row in read_in_memory(clocked)[1]] == [
        row["move"] for row in read_in_memory(text)[1]
    ]
