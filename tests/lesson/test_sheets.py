"""What the coach's pages say of a model game."""

from __future__ import annotations

from miner.lesson.backing import ModelGame
from miner.lesson.phrases import Tongue
from miner.lesson.sheets import _model_game


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
