"""Tests of who is looked at again."""

from __future__ import annotations

import chess
import pytest

from miner.board.moves import pack
from miner.engine.verdicts import Verdict
from miner.judge.candidates import Candidate
from miner.judge.inquiry import USUAL_WORTH, Look, bar, goes_on, may_lose_tempo
from miner.settings import JudgeSettings
from miner.terms import Score, Side
from tests.judge.tables import board_after

SETTINGS = JudgeSettings(nodes=(100, 200, 400), keep=(0.4, 0.8), loss_threshold=0.10, tempo_threshold=0.05)


def look(best_cp: int, reply_cp: int, *, best: str = "d7d5", reply: str = "f7f6") -> Look:
    """Black's best move and reply with their centipawns."""
    return Look(
        100,
        Verdict(Score(Side.BLACK, cp=best_cp), (best,), 100, 5),
        Verdict(Score(Side.BLACK, cp=reply_cp), (reply,), 100, 5),
    )


def candidate(worth: float = USUAL_WORTH, *, promoted: bool = False) -> Candidate:
    move = chess.Move.from_uci("f7f6")
    return Candidate(move, pack(move), worth, promoted)


def test_loss_is_in_expected_score() -> None:
    """From +0 to -100 is from 50 % to 36 %; the best move loses nothing, nor does one that seems better."""
    assert look(0, -100).loss == pytest.approx(0.5 - 1 / (1 + 10**0.25))
    assert look(0, -100, reply="d7d5").loss == 0.0
    assert look(0, 12).loss == 0.0


@pytest.mark.parametrize(
    ("reply_cp", "stage", "goes"),
    [
        (-27, 0, False),  # 0.039 lost, the bar being 0.4 x 0.10
        (-29, 0, True),  # 0.042
        (-55, 1, False),  # 0.079, the bar being 0.8 x 0.10
        (-57, 1, True),  # 0.081
        (-400, 2, False),  # there is no deeper budget
    ],
)
def test_bar_is_a_share_of_the_threshold(reply_cp: int, stage: int, goes: bool) -> None:
    """A reply of the usual worth goes on if it has lost the setting's share of the threshold."""
    assert goes_on(look(0, reply_cp), stage, candidate(), SETTINGS, tempo=False) is goes


def test_possible_tempo_has_its_own_threshold() -> None:
    """Where a tempo may be lost, half as much is enough."""
    assert not goes_on(look(0, -20), 0, candidate(), SETTINGS, tempo=False)
    assert goes_on(look(0, -20), 0, candidate(), SETTINGS, tempo=True)


def test_promoted_reply_gets_a_second_look_only() -> None:
    """Players' results are a reason to look again, not to go all the way."""
    assert goes_on(look(0, 0), 0, candidate(promoted=True), SETTINGS, tempo=False)
    assert not goes_on(look(0, 0), 1, candidate(promoted=True), SETTINGS, tempo=False)


def test_mate_is_always_looked_at_again() -> None:
    """A missed mate goes on although +20 is as good as won; the mating move itself loses nothing."""
    mate = Verdict(Score(Side.BLACK, mate=4), ("d7d5",), 100, 5)
    winning = Verdict(Score(Side.BLACK, cp=2000), ("f7f6",), 100, 5)

    assert goes_on(Look(100, mate, winning), 1, candidate(), SETTINGS, tempo=False)
    assert not goes_on(Look(100, mate, mate), 1, candidate(), SETTINGS, tempo=False)


def test_worth_lowers_the_bar() -> None:
    """16 times the usual worth halves the bar, little worth raises it, never above the threshold."""
    strict = JudgeSettings(nodes=(100, 200), keep=(1.0,), loss_threshold=0.10)

    assert bar(0, USUAL_WORTH, SETTINGS, tempo=False) == pytest.approx(0.04)
    assert bar(0, 16 * USUAL_WORTH, SETTINGS, tempo=False) == pytest.approx(0.02)
    assert bar(0, 1000 * USUAL_WORTH, SETTINGS, tempo=False) == pytest.approx(0.02)
    assert bar(0, 0.1 * USUAL_WORTH, SETTINGS, tempo=False) == pytest.approx(0.048)
    assert bar(0, 0.1 * USUAL_WORTH, strict, tempo=False) == pytest.approx(0.10)
    assert bar(0, 0.0, SETTINGS, tempo=False) == pytest.approx(0.048)


@pytest.mark.parametrize(
    ("line", "may"),
    [
        ("f4 e5f4 e4e5 f6g8", True),
        ("f4 e5f4 e4e5 d8e7 d1e2 f6g8", True),
        ("f4 e5f4 e4e5 d8e7 d1e2 d7d6", False),
        ("f4 e5f4", False),
    ],
)
def test_way_home_in_the_line(line: str, may: bool) -> None:
    """The knight that returns to g8 with the next move or the one after is a sign of a lost tempo."""
    board = board_after("e4 e5 Nc3 Nf6 f4")
    pv = tuple(line.split()[1:])
    seen = Look(100, look(0, 0).best, Verdict(Score(Side.BLACK, cp=0), pv, 100, 5))

    assert may_lose_tempo(board, seen) is may
