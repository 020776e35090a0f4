"""What an engine sees in a game: what was given away, what was the only move, mate by force, the end."""

from __future__ import annotations

from pathlib import Path

import chess
import pytest

from miner.engine.verdicts import Failure
from miner.game.inquiry import CLEAR, Seen, inquire
from miner.game.notes import Told
from tests.game.games import OPERA, given, told_by

RESIGNED = OPERA.rpartition(" Nxb8")[0]
"""The same, where Black gives up when the queen is left."""


def test_what_was_given_away(opera: Told) -> None:
    """Black by 9...b5; White by 15.Bxd7+, since 15.Bxf6 wins without any trouble."""
    seen = opera.seen

    assert {17, 28} <= seen.turns.keys()
    assert seen.turns[28].best.move == "g5f6"
    assert seen.given_away == seen.turns[28].loss


def test_only_moves(opera: Told) -> None:
    """14.Rd1, and the queen's sacrifice, which is mate in two; not what only takes back."""
    choices = opera.seen.choices

    assert choices[26].margin >= CLEAR
    assert choices[30].mate_in == 2
    assert choices[32].mate_in == 1
    assert 25 not in choices  # 13...Rxd7 takes back


def test_mate_by_force(opera: Told) -> None:
    """From 16.Qb8+ on it is mate, and the game ends with it."""
    assert (opera.seen.mate_ply, opera.seen.mate_in, opera.seen.end) == (30, 2, None)


def test_line_after_a_resignation(engine: Path, verdicts: Path) -> None:
    """Where Black gave up a move before, the mate that was left is known in full."""
    seen = told_by(engine, verdicts, given(RESIGNED)).seen

    assert [move.uci() for move in seen.end_line] == ["d7b8", "d1d8"]


def test_a_second_run_searches_nothing(recorded_engine: Path, verdicts: Path, tmp_path: Path) -> None:
    """All verdicts come from the cache: the engine is only asked who it is."""
    first = told_by(recorded_engine, verdicts, given(RESIGNED))
    before = len((tmp_path / "pids").read_text().splitlines())
    second = told_by(recorded_engine, verdicts, given(RESIGNED))
    after = len((tmp_path / "pids").read_text().splitlines())

    assert first.notes == second.notes
    assert after - before == 1


def test_an_engine_that_fails() -> None:
    """What cannot be had is told, and nothing else is said of the game."""
    inquiry = inquire(given(), 1)
    requests = next(inquiry)

    with pytest.raises(StopIteration) as end:
        inquiry.send([Failure("it hung")] * len(requests))

    seen: Seen = end.value.value
    assert (seen.failure, seen.turns) == ("it hung", {})
    assert len(requests) == len(OPERA.split())  # no move is left after the mate


def test_who_wins() -> None:
    """The side that did not make the losing reply."""
    game = given()

    assert game.winner.color is chess.WHITE
    assert game.answer_ply == 18
