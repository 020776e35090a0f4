"""Legal moves of many boards at once against python-chess, move for move and board for board."""

from __future__ import annotations

import chess
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.board import legal
from miner.board.legal import Sight, covers, legal_moves
from miner.board.moves import pack
from miner.board.play import Boards
from tests.board.test_play import games, played


def moves_of(boards: Boards) -> legal.LegalMoves:
    sight = Sight.of(boards)
    return legal_moves(sight, covers(sight.men, own=True), covers(sight.men, own=False))


@settings(max_examples=30)
@given(st.lists(games(), min_size=1, max_size=4))
def test_legal_moves_are_those_of_python_chess(some: list[list[chess.Move]]) -> None:
    """Along random games, castling, en passant, pins, checks and promotions among them, nothing differs."""
    arrays, references = played(some)

    found = moves_of(arrays)

    for row, board in enumerate(references):
        expected = sorted(map(pack, board.legal_moves))
        assert found.packed[found.row == row].tolist() == expected, board.fen()


@settings(max_examples=20)
@given(games())
def test_the_boards_after_the_moves_are_seen_by_who_made_them(moves: list[chess.Move]) -> None:
    """Turned back, they have the men that `Boards.after` puts there."""
    arrays, _ = played([moves])
    found = moves_of(arrays)

    after = arrays.take(found.row).after(found.packed)

    # The other side is to move then, and sees the same board from its own side.
    turned = found.men[:, :64].reshape(-1, 8, 8)[:, ::-1].reshape(-1, 64).astype(np.int64)
    swapped = np.where(turned > 6, turned - 6, np.where(turned > 0, turned + 6, 0))
    assert (Sight.of(after).men[:, :64] == swapped).all()


@settings(max_examples=20)
@given(games())
def test_covered_squares_are_those_of_python_chess(moves: list[chess.Move]) -> None:
    """What is attacked or defended is told man by man, for both sides, pins left out of account."""
    arrays, references = played([moves])
    men = Sight.of(arrays).men

    for own in (True, False):
        found = covers(men, own=own)
        for row, board in enumerate(references):
            color = board.turn == own
            turn = 0 if board.turn else 56
            here = found.row == row
            told = sorted(
                zip((found.origin[here] ^ turn).tolist(), (found.to[here] ^ turn).tolist(), strict=True)
            )
            expected = sorted(
                (origin, to)
                for origin in chess.SquareSet(board.occupied_co[color])
                for to in board.attacks(origin)
            )
            assert told == expected, board.fen()


@pytest.mark.parametrize("own", [True, False])
def test_whether_a_square_is_covered_is_told_alike_from_both_ends(own: bool) -> None:
    """Seen from the square outwards, and from the men to it."""
    board = chess.Board("r3k2r/p1ppqpb1/bn2pnp1/3PN3/1p2P3/2N2Q1p/PPPBBPPP/R3K2R w KQkq - 0 1")
    men = np.zeros((64, 65), dtype=np.uint8)
    men[:, 64] = 13
    for square, piece in board.piece_map().items():
        men[:, square] = piece.piece_type + (0 if piece.color else 6)

    found = legal.is_covered(men, np.arange(64), by_own=own)

    assert found.tolist() == [board.is_attacked_by(own, square) for square in range(64)]
