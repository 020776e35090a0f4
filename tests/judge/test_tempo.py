"""Tests of the forced way home where the engine's answers are given; see test_inquiry for the Vienna."""

from __future__ import annotations

import chess

from miner.engine.verdicts import Verdict
from miner.judge.inquiry import Retreat, ask_retreat
from miner.terms import Score, Side, expected_score


def test_way_home_that_can_only_be_put_off() -> None:
    """Black has ...Ng8, or ...Kh7 and then ...Ng8: with no other way, staying is worth nothing."""
    board = chess.Board("8/4Np1k/5P1n/5p2/5Pp1/6P1/8/4K3 b - - 0 1")
    inquiry = ask_retreat(board, ("h7h8", "e1e2", "h6g8"), nodes=100)
    home = Verdict(Score(Side.BLACK, cp=-100), ("h6g8", "e7g8"), 100, 9)
    put_off = Verdict(Score(Side.BLACK, cp=-110), ("h8h7", "e2e1", "h6g8"), 100, 9)

    [whole] = next(inquiry)
    [others] = inquiry.send([home])
    try:
        inquiry.send([put_off])
    except StopIteration as end:
        retreat = end.value

    assert (whole.searchmoves, others.searchmoves) == ((), ("h8h7",))
    assert retreat == Retreat("h6g8", expected_score(-100))
