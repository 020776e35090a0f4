"""Tests of the dialogue's texts; the processes are tested with the pool."""

from __future__ import annotations

import pytest

from miner.judge.uci import parse_option, parse_verdict
from miner.terms import Score, Side

EXACT = "info depth 9 seldepth 12 multipv 1 score cp 31 wdl 90 880 30 nodes 900 nps 9 time 1 pv e2e4 e7e5"
FAIL_HIGH = "info depth 10 seldepth 14 multipv 1 score cp 64 lowerbound nodes 990 nps 9 time 1 pv d2d4"
CURRENT = "info depth 10 currmove e2e4 currmovenumber 1"
COUNT = "info nodes 1003 nps 9 hashfull 1 time 1"


def test_last_exact_score_counts_with_its_line() -> None:
    """A bound that came later is no score; the nodes are those of the whole search."""
    verdict = parse_verdict([EXACT, CURRENT, FAIL_HIGH, COUNT, "bestmove d2d4"], Side.WHITE, seconds=0.5)

    assert verdict.score == Score(Side.WHITE, cp=31)
    assert verdict.pv == ("e2e4", "e7e5")
    assert verdict.wdl == (90, 880, 30)
    assert (verdict.depth, verdict.nodes, verdict.seconds) == (9, 1003, 0.5)


def test_bound_is_better_than_nothing() -> None:
    """Only a search too short for an exact score is told by its bound."""
    verdict = parse_verdict([FAIL_HIGH, "bestmove d2d4"], Side.WHITE, seconds=0.5)

    assert verdict.score == Score(Side.WHITE, cp=64)
    assert verdict.wdl == ()


def test_other_lines_of_many_are_not_the_best() -> None:
    """Of several lines the first one counts."""
    second = EXACT.replace("multipv 1", "multipv 2").replace("cp 31", "cp 12")

    verdict = parse_verdict([EXACT, second, "bestmove e2e4"], Side.BLACK, seconds=0.5)

    assert verdict.score == Score(Side.BLACK, cp=31)


def test_mate_keeps_its_sign() -> None:
    """Mated in two is a mate score below 0 for the side to move."""
    mated = EXACT.replace("score cp 31", "score mate -2")

    verdict = parse_verdict([mated, "bestmove e2e4"], Side.WHITE, seconds=0.5)

    assert verdict.score.mate == -2
    assert verdict.score.as_cp == -9998


@pytest.mark.parametrize("lines", [["bestmove e2e4"], [CURRENT, COUNT, "bestmove e2e4"]])
def test_answer_without_a_score_is_refused(lines: list[str]) -> None:
    """A best move alone is no verdict."""
    with pytest.raises(ValueError, match="no score"):
        parse_verdict(lines, Side.WHITE, seconds=0.5)


@pytest.mark.parametrize(
    ("line", "option"),
    [
        ("option name Hash type spin default 16 min 1 max 33554432", ("Hash", "16")),
        ("option name EvalFile type string default nn-1.nnue", ("EvalFile", "nn-1.nnue")),
        ("option name Debug Log File type string default", ("Debug Log File", "")),
        ("option name Style type combo default Solid var Solid var Risky", ("Style", "Solid")),
        ("option name Clear Hash type button", None),
        ("id name Some Engine", None),
    ],
)
def test_options(line: str, option: tuple[str, str] | None) -> None:
    """Names may have blanks, defaults may be empty, and buttons hold no value."""
    assert parse_option(line) == option
