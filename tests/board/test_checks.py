"""The moves that give check, against playing each move."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given

from miner.board.checks import checks_of
from tests import strategies


def played_and_looked(board: chess.Board) -> list[str]:
    return sorted(move.uci() for move in board.legal_moves if board.gives_check(move))


@given(game=strategies.games())
def test_checks_of_any_position(game: strategies.Played) -> None:
    """Those that one finds by playing each move, and each once, all through a game."""
    board = chess.Board()
    for move in game.moves:
        board.push(move)
        assert sorted(found.uci() for found in checks_of(board)) == played_and_looked(board)


@pytest.mark.parametrize(
    "fen",
    [
        "5k2/8/8/8/8/8/8/R3K2R w KQ - 0 1",  # castling
        "8/4P3/8/8/8/8/7K/k3R3 w - - 0 1",  # promotion, and a line that the pawn leaves
        "8/8/8/R2pP2k/8/8/8/7K w - d6 0 1",  # en passant clears the rank
        "4k3/8/4N3/8/4R3/8/8/4K3 w - - 0 1",  # discovered
        "8/5kP1/8/8/8/8/8/K7 w - - 0 1",
        "k7/8/8/3pP3/8/1B6/8/K7 w - d6 0 1",
        "8/8/8/8/8/8/8/K7 w - - 0 1",  # no king to give check to
    ],
)
def test_special_checks(fen: str) -> None:
    """By castling, promotion, en passant and lines that are opened."""
    board = chess.Board(fen)

    assert sorted(move.uci() for move in checks_of(board)) == played_and_looked(board)
