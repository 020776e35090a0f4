"""How far a refutation is forcing, and pieces in plain English."""

from __future__ import annotations

import chess
import pytest

from miner.board.settle import MATED
from miner.explain.evidence import exchange, forcing_plies, mates_in_one, pieces, threat_gain, threatens
from tests.explain.positions import board_of, evidence


@pytest.mark.parametrize(
    ("moves", "reply", "plies"),
    [
        ("e4 e5 f4 d5", "fxe5 Qh4+ g3 Qxe4+ Qe2 Qxh1", 6),
        ("e4 e5 Nf3 Nc6 Bb5", "a6", 1),
        ("e4 e5 Nf3 d6 Bc4", "Nc6 O-O a6 a3 h6 h3", 1),
    ],
    ids=["checks and captures", "the line stops", "quiet moves"],
)
def test_forcing_part(moves: str, reply: str, plies: int) -> None:
    """Checks and captures carry on; two quiet moves end it."""
    assert forcing_plies(evidence(moves, reply=reply, best=reply.split()[0])) == plies


def test_threats() -> None:
    """A queen that looks at f7 and e5 threatens mate; a knight move to the rim threatens nothing."""
    scholars = board_of("e4 e5 Bc4 Nc6 Qh5")
    rim = board_of("e4 e5 Nh3")

    assert threat_gain(scholars) == MATED
    assert threatens(board_of("e4 e5 Nf3"))
    assert not threatens(rim)


def test_mate_in_one_is_found() -> None:
    """Fool's mate is on the board after 2.g4, and not before."""
    board = board_of("f3 e5 g4")

    move = mates_in_one(board)

    assert move is not None
    assert board.san(move) == "Qh4#"
    assert mates_in_one(board_of("f3 e5")) is None


@pytest.mark.parametrize(
    ("net", "text"),
    [
        ({chess.KNIGHT: 1, chess.PAWN: -1}, "a knight for a pawn"),
        ({chess.ROOK: 1, chess.KNIGHT: 1, chess.PAWN: 2}, "a rook, a knight and two pawns"),
        ({chess.QUEEN: 1, chess.ROOK: -2}, "a queen for two rooks"),
        ({chess.PAWN: 1}, "a pawn"),
    ],
)
def test_exchange(net: dict[int, int], text: str) -> None:
    """What is gained comes first, the most valuable first, then what is given for it."""
    assert exchange(net) == text


def test_nothing_is_nothing() -> None:
    """No pieces give no words."""
    assert pieces({}) == ""
