"""What a position has come to, on positions of the textbooks."""

from __future__ import annotations

import chess
import pytest

from miner.board.moves import after
from miner.explain.position import (
    backward,
    doubled,
    explain_position,
    has_lost_castling,
    has_pair_alone,
    holes,
    is_bare,
    isolated,
    lacks_f_pawn,
    moves_behind,
    out_of_play,
    space,
)
from tests.explain.positions import board_of, evidence

QUEENS_GAMBIT = "d4 d5 c4 e6 Nc3 Nf6"
TARRASCH = f"{QUEENS_GAMBIT.replace(' Nf6', ' c5')} cxd5 exd5 dxc5 Bxc5"
EXCHANGE_RUY_LOPEZ = "e4 e5 Nf3 Nc6 Bb5 a6 Bxc6 dxc6"
SVESHNIKOV = "e4 c5 Nf3 Nc6 d4 cxd4 Nxd4 Nf6 Nc3 e5 Ndb5 d6"


@pytest.mark.parametrize(
    ("moves", "white"),
    [
        ("", 0),
        ("e4 e5 Nf3 Nc6", 0),
        ("e4 e5 Nf3 d6 Bc4 Qf6 O-O Qg6", -3),
        ("e4 e5 Qh5 Nc6 Qf3 Nf6", 2),
    ],
)
def test_moves_behind_in_development(moves: str, white: int) -> None:
    """Minor pieces at home and castling count, queen moves do not."""
    board = board_of(moves)

    assert moves_behind(board, chess.WHITE) == white
    assert moves_behind(board, chess.BLACK) == -white


def test_isolated_pawn() -> None:
    """Black's d-pawn in the Tarrasch defence stands alone, White's pawns do not."""
    board = board_of(TARRASCH)

    assert isolated(board, chess.BLACK) == [3]
    assert isolated(board, chess.WHITE) == []


def test_doubled_pawns() -> None:
    """Black has them on the c-file in the exchange variation of the Ruy Lopez, White nowhere."""
    board = board_of(EXCHANGE_RUY_LOPEZ)

    assert doubled(board, chess.BLACK) == [2]
    assert doubled(board, chess.WHITE) == []


def test_backward_pawn() -> None:
    """A pawn on d6 beside c5 and e5, before which a pawn on e4 looks; with its neighbour on c7 it is not."""
    assert backward(board_of("4k3/pp3ppp/3p4/2p1p3/2P1P3/8/PP3PPP/4K3 w - - 0 1"), chess.BLACK) == [3]
    assert backward(board_of("4k3/ppp2ppp/3p4/4p3/2P1P3/8/PP3PPP/4K3 w - - 0 1"), chess.BLACK) == []


def test_hole() -> None:
    """After ...c5, ...e5 and ...d6 no black pawn can guard d5 any more; before ...e5 it can."""
    assert chess.D5 in holes(board_of(SVESHNIKOV), chess.BLACK)
    assert holes(board_of(SVESHNIKOV.partition(" e5")[0]), chess.BLACK) == []
    assert chess.D5 not in holes(board_of("4k3/8/3p4/2pPp3/4P3/8/8/4K3 w - - 0 1"), chess.BLACK)  # a pawn's


def test_two_bishops() -> None:
    """Black alone has both in the exchange variation; at the start both sides have them."""
    assert has_pair_alone(board_of(EXCHANGE_RUY_LOPEZ), chess.BLACK)
    assert not has_pair_alone(board_of(EXCHANGE_RUY_LOPEZ), chess.WHITE)
    assert not has_pair_alone(chess.Board(), chess.BLACK)


def test_knight_out_of_play() -> None:
    """On a5, with pawns that guard b3 and c4 and its own on b7 and c6, it can go nowhere; on f6 it can."""
    board = board_of("4k3/1p3ppp/2p2n2/n7/8/1P1P4/P1P2PPP/4K3 w - - 0 1")

    assert out_of_play(board, chess.BLACK) == [chess.A5]


@pytest.mark.parametrize(
    ("fen", "bare"),
    [
        ("3q2k1/5ppp/8/8/8/8/8/3Q2K1 w - - 0 1", False),
        ("3q2k1/5p2/8/6pp/8/8/8/3Q2K1 w - - 0 1", True),
        ("6k1/5p2/8/6pp/8/8/8/6K1 w - - 0 1", False),  # no queens
        ("3qk3/5p2/8/6pp/8/8/8/3Q2K1 w - - 0 1", False),  # not castled
    ],
)
def test_king_without_shelter(fen: str, bare: bool) -> None:
    """One pawn or none before a castled king that faces a queen."""
    assert is_bare(board_of(fen), chess.BLACK) is bare


@pytest.mark.parametrize(
    ("moves", "lacks"),
    [
        ("e4 e5 Nf3 f5 exf5", True),
        ("e4 e5 Nf3 f6", False),  # it still stands before the king
        ("e4 e5 Nf3 Nc6", False),
        (
            "e4 d5 exd5 Qxd5 Nc3 Qa5 d4 Nc6 Bd2 Bf5 Nf3 O-O-O Nh4 Qb6 Nxf5 f6 Ne3 f5 Nxf5 e6",
            False,
        ),  # on the queen's side
        ("e4 e5 d4 exd4 Qxd4 Nc6 Qe3 Qf6 Qf3 Qxf3 Nxf3 f5 exf5", False),  # no queens
    ],
)
def test_cover_of_the_f_pawn(moves: str, lacks: bool) -> None:
    """It is lost with the pawn, as long as there is a queen to make use of it."""
    assert lacks_f_pawn(board_of(moves), chess.BLACK) is lacks


def test_castling_lost() -> None:
    """A king that went to e7 cannot castle; one that has done so, or that faces no queen, misses nothing."""
    assert has_lost_castling(board_of("e4 e5 Nf3 Ke7"), chess.BLACK)
    assert not has_lost_castling(board_of("e4 e5 Nf3 Ke7"), chess.WHITE)
    assert not has_lost_castling(board_of("e4 e5 Nf3 Nf6 Bc4 Bc5 O-O O-O"), chess.BLACK)
    assert not has_lost_castling(board_of("e4 e5 d4 d6 dxe5 dxe5 Qxd8+ Kxd8"), chess.BLACK)


def test_space() -> None:
    """In the advance variation of the French White attacks more of the other half than Black does."""
    board = board_of("e4 e6 d4 d5 e5")

    assert space(board, chess.WHITE) > space(board, chess.BLACK)
    assert space(chess.Board(), chess.WHITE) == space(chess.Board(), chess.BLACK) == 0


def test_what_is_left_with_every_defence() -> None:
    """4...bxc6 5.dxe5 dxe5 leaves doubled c-pawns; 4...Bd7 keeps the pawns together."""
    moves = "e4 e5 Nf3 Nc6 Bb5 d6 d4"
    known = evidence(
        moves,
        reply="a6 Bxc6+ bxc6 Nc3 Nf6 O-O Be7 h3 O-O",
        best="Bd7 Nc3 Nf6 O-O Be7 Re1 O-O Bxc6 Bxc6",
    )
    other = "a6 Bxc6+ bxc6 Nc3 exd4 Qxd4 c5 Qd3 Bb7"

    found = explain_position(known)

    assert found is not None
    assert found.detail == "Black is left with doubled c-pawns"
    assert found.plies == 3
    assert doubled(after(known.board, known.reply_line[:3]), chess.BLACK) == [2]
    assert explain_position(evidence(moves, reply=other, best="a6 Bxc6+ bxc6 Nc3 Nf6 O-O Be7 h3")) is None


def test_what_is_soon_on_the_board_goes_before_what_comes_of_it() -> None:
    """8...Nxc3 9.bxc3 doubles the c-pawns at once; isolated they are only when d4 has fallen."""
    known = evidence(
        "rn1qk2r/pbpp1ppp/1p2p3/8/2PPn3/2BB4/PP3PPP/R2QK1NR w KQkq - 0 8",
        reply="Nf3 Nxc3 bxc3 Qf6 Be2 d6 O-O O-O Nd2 e5 f3 exd4 Ne4",
        best="Bxe4 Bxe4 Qg4 Bg6 d5 Qe7 Ne2 d6 dxe6 Qxe6 Qf3 Qe4",
    )

    found = explain_position(known)

    assert found is not None
    assert (found.detail, found.plies) == ("White is left with doubled c-pawns", 3)


def test_short_lines_show_nothing() -> None:
    """Where nobody knows how it goes on, nothing is said to last."""
    assert explain_position(evidence("e4 e5 Nf3 Nc6 Bb5", reply="a6 Bxc6 dxc6", best="Nf6 O-O")) is None
