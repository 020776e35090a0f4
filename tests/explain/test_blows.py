"""What a move does on the board, in textbook positions."""

from __future__ import annotations

import chess
import pytest

from miner.explain import blows


def played(fen: str, san: str) -> tuple[chess.Board, chess.Move]:
    """A position and a move in it."""
    board = chess.Board(fen)
    return board, board.parse_san(san)


@pytest.mark.parametrize(
    ("fen", "san", "breaks"),
    [
        ("4k3/8/8/3p4/8/4P3/8/4K3 w - - 0 1", "e4", True),  # against the pawn on d5
        ("4k3/8/8/8/8/4P3/8/4K3 w - - 0 1", "e4", False),  # no pawn to meet
        ("4k3/8/8/3p4/8/4N3/8/4K3 w - - 0 1", "Nxd5", False),  # no pawn's move
    ],
)
def test_pawn_break_meets_a_pawn(fen: str, san: str, breaks: bool) -> None:
    """A push that nobody can take and that takes nobody only gains ground."""
    assert blows.is_break(*played(fen, san)) is breaks


def test_ground_is_gained_in_the_middle() -> None:
    """From the fifth rank on, as its own side counts."""
    assert blows.gains_ground(*played("4k3/8/8/8/4P3/8/8/4K3 w - - 0 1", "e5"))
    assert blows.gains_ground(*played("4k3/8/8/8/4p3/8/8/4K3 b - - 0 1", "e3")) is False
    assert blows.gains_ground(*played("4k3/8/8/8/P7/8/8/4K3 w - - 0 1", "a5")) is False


def test_capture_pays_once_all_is_settled() -> None:
    """A loose knight, and one that is guarded by a pawn."""
    loose, guarded = "4k3/8/8/3n4/8/8/8/3RK3 w - - 0 1", "4k3/8/2p5/3n4/8/8/8/3RK3 w - - 0 1"

    assert blows.pays(*played(loose, "Rxd5"))
    assert not blows.pays(*played(guarded, "Rxd5"))


def test_knight_in_the_corner_is_shut_in() -> None:
    """The bishop attacks the knight on a8, whose squares are taken from it; one in the middle goes away."""
    corner = "n3k3/8/3P4/P7/8/1B6/8/4K3 w - - 0 1"

    assert blows.shut_in(*played(corner, "Bd5")) == [chess.A8]
    assert blows.shut_in(*played("4k3/8/8/3n4/8/8/B7/4K3 w - - 0 1", "Bb1")) == []


def test_fork_with_check_that_is_taken() -> None:
    """The knight checks on c7 and takes the rook with its next move."""
    board = chess.Board("r3k3/8/8/3N4/8/8/8/4K3 w - - 0 1")
    line = tuple(map(chess.Move.from_uci, ("d5c7", "e8d7", "c7a8")))

    assert blows.forks_with_check(board, line, wins_material=True)
    assert not blows.forks_with_check(board, line[:2], wins_material=False)
