"""Boards as arrays against python-chess: the same keys and FENs along any legal game."""

from __future__ import annotations

import chess
import chess.polyglot
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.board.moves import pack
from miner.board.play import Boards
from tests.stores import board_after


@st.composite
def games(draw: st.DrawFn) -> list[chess.Move]:
    """Any legal game of up to 80 plies, rare kinds of moves taken often where they can be."""
    board = chess.Board()
    for _ in range(draw(st.integers(0, 80))):
        moves = sorted(board.legal_moves, key=pack)
        if not moves:
            break
        rare = [move for move in moves if _is_rare(board, move)]
        wants_rare = bool(rare) and draw(st.booleans())
        board.push(draw(st.sampled_from(rare if wants_rare else moves)))
    return board.move_stack


def _is_rare(board: chess.Board, move: chess.Move) -> bool:
    is_special = board.is_castling(move) or board.is_en_passant(move) or move.promotion is not None
    return is_special or board.piece_type_at(move.from_square) == chess.PAWN


def played(games: list[list[chess.Move]]) -> tuple[Boards, list[chess.Board]]:
    """Every position of the games, the games side by side, as arrays and as python-chess has them."""
    arrays, boards = Boards.start().take(np.zeros(len(games), dtype=np.int64)), [chess.Board() for _ in games]
    found, references = [arrays], [board.copy() for board in boards]
    for ply in range(max(map(len, games), default=0)):
        going = [number for number, moves in enumerate(games) if len(moves) > ply]
        games, boards = [games[number] for number in going], [boards[number] for number in going]
        moves = np.array([pack(moves[ply]) for moves in games], dtype=np.uint16)
        arrays = arrays.take(np.array(going, dtype=np.int64)).after(moves)
        for board, moves_of_game in zip(boards, games, strict=True):
            board.push(moves_of_game[ply])
        found.append(arrays)
        references += [board.copy() for board in boards]
    return Boards.joined(found), references


@given(st.lists(games(), min_size=1, max_size=4))
def test_keys_and_fens_are_those_of_python_chess(games: list[list[chess.Move]]) -> None:
    """Along random legal games, castling, en passant and promotions among them, nothing differs."""
    arrays, references = played(games)

    assert arrays.keys.tolist() == [chess.polyglot.zobrist_hash(board) for board in references]
    assert arrays.fens().to_pylist() == [board.fen(en_passant="legal") for board in references]


@pytest.mark.parametrize(
    ("moves", "fen"),
    [
        ("e4 e5 Nf3 Nc6 Bb5 a6 O-O", "r1bqkbnr/1ppp1ppp/p1n5/1B2p3/4P3/5N2/PPPP1PPP/RNBQ1RK1 b kq - 1 4"),
        ("d4 d5 Nc3 Nc6 Bf4 Bf5 Qd2 Qd7 O-O-O O-O-O", None),
        ("e4 a6 e5 d5", "rnbqkbnr/1pp1pppp/p7/3pP3/8/8/PPPP1PPP/RNBQKBNR w KQkq d6 0 3"),
        ("e4 a6 e5 d5 exd6", "rnbqkbnr/1pp1pppp/p2P4/8/8/8/PPPP1PPP/RNBQKBNR b KQkq - 0 3"),
        ("h4 g5 hxg5 h6 gxh6 Nf6 h7 Ng8 hxg8=N", None),  # the rook on h8 goes on with its right
        ("h4 g5 hxg5 h6 gxh6 a6 h7 a5 hxg8=Q a4 Qxh8", None),  # it does not: it is taken
        ("e4 e5 Ke2 Ke7 Ke1 Ke8", "rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w - - 4 4"),
    ],
)
def test_special_moves(moves: str, fen: str | None) -> None:
    """Castling moves the rook, en passant takes the pawn, rights go with king and rook."""
    arrays, references = played([list(board_after(moves).move_stack)])

    assert arrays.fens().to_pylist()[-1] == (fen or references[-1].fen(en_passant="legal"))
    assert arrays.keys.tolist()[-1] == chess.polyglot.zobrist_hash(references[-1])


def test_en_passant_that_would_leave_the_king_in_check_is_not_in_the_fen() -> None:
    """The pawn on e5 is pinned by the queen on e7: 4...d5 offers it nothing to take."""
    arrays, references = played([list(board_after("e4 e5 f4 exf4 e5 Qe7 Nf3 d5").move_stack)])

    assert arrays.fens().to_pylist()[-1].split()[3] == "-"
    assert references[-1].has_pseudo_legal_en_passant()
    assert arrays.keys.tolist()[-1] == chess.polyglot.zobrist_hash(references[-1])


def test_a_row_becomes_a_board_of_python_chess() -> None:
    """Taken out of the arrays, a position is the same board, en passant square and clocks included."""
    arrays, references = played([list(board_after("e4 Nf6 e5 d5").move_stack)])

    assert arrays.board(4) == references[4]
    assert arrays.board(4).ep_square == chess.D6
