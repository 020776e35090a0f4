"""Material and captures settled."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.board.moves import line_san
from miner.board.settle import MATED, material_balance, settle, settle_answer, settled_balance
from tests.explain.positions import board_of, random_board

UNDEFENDED = "4k3/8/8/3n4/8/4N3/8/4K3 w - - 0 1"
DEFENDED = "4k3/8/4p3/3n4/8/8/8/3RK3 w - - 0 1"


def test_balance_counts_standard_values() -> None:
    """A queen is worth nine pawns; the start position is level."""
    board = chess.Board()
    board.remove_piece_at(chess.D8)

    assert material_balance(chess.Board(), chess.WHITE) == 0
    assert material_balance(board, chess.WHITE) == 9
    assert material_balance(board, chess.BLACK) == -9


@pytest.mark.parametrize(
    ("fen", "balance", "line"),
    [
        (UNDEFENDED, 3, "Nxd5"),
        (DEFENDED, 5 - 3 - 1, ""),  # the rook for a knight and a pawn does not pay
        ("4k3/8/4p3/3q4/8/8/8/3RK3 w - - 0 1", -1, "Rxd5 exd5"),
        ("4k3/P7/8/8/8/8/8/4K3 w - - 0 1", 9, "a8=Q+"),
        ("4k3/8/8/8/3pP3/8/8/4K3 b - e3 0 1", 1, "dxe3"),
    ],
)
def test_captures_that_pay_are_made(fen: str, balance: int, line: str) -> None:
    """An undefended piece is taken, a defended one only by something cheaper; a pawn promotes."""
    board = chess.Board(fen)

    settled = settle(board)

    assert settled.balance == balance
    assert line_san(board, settled.line[: len(line.split())]) == line


def test_pinned_defender_defends_nothing() -> None:
    """A knight that is pinned to its king cannot retake."""
    board = chess.Board("4k3/8/4n3/3p4/8/8/4R3/3R2K1 w - - 0 1")
    free = chess.Board("5k2/8/4n3/3p4/8/2n5/8/3R2K1 w - - 0 1")

    assert line_san(board, settle(board).line).startswith("Rxe6+")
    assert settled_balance(free, chess.WHITE) == material_balance(free, chess.WHITE)


def test_side_in_check_cannot_stand_still() -> None:
    """A fork with check wins the queen: the king must move first, though a quiet side would stand still."""
    forked = chess.Board("4k3/8/8/8/8/3n4/1Q6/4K3 w - - 0 1")
    attacked = chess.Board("4k3/8/8/8/8/3n4/1Q6/6K1 w - - 0 1")

    assert settled_balance(forked, chess.WHITE) == -3
    assert settled_balance(attacked, chess.WHITE) == 9 - 3


def test_mate_outweighs_material() -> None:
    """A capture that mates counts more than everything on the board."""
    board = board_of("e4 e5 Bc4 Nc6 Qh5 Nf6")

    assert settled_balance(board, chess.WHITE) == MATED
    assert settled_balance(board, chess.BLACK) == -MATED


def test_any_answer_may_save_a_piece() -> None:
    """One attacked knight steps aside and nothing is lost; of two that a pawn attacks only one does."""
    one = chess.Board("4k3/8/p2p4/3n4/2P5/8/8/4K3 b - - 0 1")
    two = chess.Board("4k3/8/p2p4/1n1n4/2P5/8/8/4K3 b - - 0 1")

    assert settle_answer(one).balance == material_balance(one, chess.BLACK)
    assert settle_answer(two).balance == material_balance(two, chess.BLACK) - 3 + 1


def test_check_does_not_hide_a_loss() -> None:
    """In the Caro-Kann a bishop that is run down by pawns stays lost, whatever check comes first."""
    board = board_of("e4 c6 d4 d5 e5 Bf5 h4 e6 g4 Be4 f3 Bg6 h5")

    answer = settle_answer(board)

    assert answer.balance == -2


def test_board_is_left_as_it_was() -> None:
    """Settling plays on a copy."""
    board = board_of("e4 d5")

    settle(board)
    settle_answer(board)

    assert board.fen() == board_of("e4 d5").fen()


@given(seed=st.integers(0, 10_000), plies=st.integers(0, 60))
@settings(max_examples=60, deadline=None)
def test_settled_balance_turns_its_sign(seed: int, plies: int) -> None:
    """What one side has settled the other lacks, and colours do not matter."""
    board = random_board(seed, plies)

    white = settled_balance(board, chess.WHITE)

    assert settled_balance(board, chess.BLACK) == -white
    assert settled_balance(board.mirror(), chess.BLACK) == white


@given(seed=st.integers(0, 10_000), plies=st.integers(0, 60))
@settings(max_examples=60, deadline=None)
def test_nobody_captures_to_its_own_loss(seed: int, plies: int) -> None:
    """A side that is not in check never settles for less than it has."""
    board = random_board(seed, plies)

    if not board.is_check():
        assert settle(board).balance >= material_balance(board, board.turn)


def test_colours_settle_alike() -> None:
    """Of two captures that pay the same both colours choose that which their side sees first."""
    board = chess.Board("1r2kbnr/p1p1p1p1/1p3p2/7p/1nB1P2P/B1N2P1b/P2P4/R2QK2R w k - 0 15")

    mine, theirs = settle(board), settle(board.mirror())

    assert [chess.square_mirror(move.to_square) for move in mine.line] == [
        move.to_square for move in theirs.line
    ]
    assert mine.balance == theirs.balance
