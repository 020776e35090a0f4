"""Replies that a move takes away, with a real engine."""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.board.moves import pack, unpack_move
from miner.graph.repertoire import Repertoire
from miner.means import Means
from miner.settings import SteerSettings
from miner.steer import Advice, advise
from miner.steer.written import taken_sentence
from miner.terms import Side
from tests.stores import Game, board_after, key_after, tallied_store

pytestmark = pytest.mark.engine

BAND = "1000-1199"
QUICK = SteerSettings(nodes=5000, min_games=3, min_reach=0.01, draws=50)


def black_advice(folder: Path, engine: Path, games: dict[str, int], before: str, san: str) -> Advice:
    """Advice for Black from a position on, where his move is given."""
    played = [
        Game(moves=moves, white_rating=1100, black_rating=1100)
        for moves, count in games.items()
        for _ in range(count)
    ]
    ours = Repertoire(Side.BLACK, {key_after(before): (pack(board_after(before).parse_san(san)),)})
    store = tallied_store(folder, played)
    return advise(
        store,
        Side.BLACK,
        BAND,
        QUICK,
        Means(engine=engine, cache=folder / "cache"),
        start=before,
        repertoire=ours,
    )


def test_guarded_pawn_is_no_longer_there_to_be_taken(tmp_path: Path, engine: Path) -> None:
    """3.Nxe5 is sound and popular after 2...Nf6; 2...Nc6 guards the pawn, and it costs a knight."""
    games = {"e4 e5 Nf3 Nf6 Nxe5 d6 Nf3": 8, "e4 e5 Nf3 Nc6 Bc4 Bc5 c3": 8}

    advice = black_advice(tmp_path, engine, games, "e4 e5 Nf3", "Nc6")

    [taken] = advice.taken_away
    assert unpack_move(taken.reply).uci() == "f3e5"
    assert unpack_move(taken.sister).uci() == "g8f6"
    assert taken.rate_there > 0.5
    assert taken.rate_here == 0.0
    assert taken.loss_there < 0.05 < 0.2 < taken.loss_here
    assert taken_sentence(advice, taken).startswith("After 1.e4 e5 2.Nf3 Nc6 the reply 3.Nxe5 costs 0.")


def test_reply_that_overlooks_a_threat_is_not_taken_away(tmp_path: Path, engine: Path) -> None:
    """4.O-O is fine after 3...Nf6 and loses a bishop after 3...a6; but so does every move that leaves it."""
    games = {"e4 e5 Nf3 Nc6 Bb5 Nf6 O-O Nxe4": 8, "e4 e5 Nf3 Nc6 Bb5 a6 Ba4 Nf6": 8}

    advice = black_advice(tmp_path, engine, games, "e4 e5 Nf3 Nc6 Bb5", "a6")

    assert advice.taken_away == ()
