"""Published perft counts: the number of legal lines of a given length, for both readers' move generators.

Source: the usual test positions of chess programming (the start position, "Kiwipete", and positions 3 to 6 of
the same collection) with their counts, from memory.
"""

from __future__ import annotations

import chess
import numpy as np
import pytest

from miner.board.legal import Sight, covers, legal_moves
from miner.board.play import Boards
from miner.core.library import core
from tests.reading import needs_compiled

START = chess.STARTING_FEN
KIWIPETE = "r3k2r/p1ppqpb1/bn2pnp1/3PN3/1p2P3/2N2Q1p/PPPBBPPP/R3K2R w KQkq - 0 1"
ROOKS = "8/2p5/3p4/KP5r/1R3p1k/8/4P1P1/8 w - - 0 1"
PROMOTIONS = "r3k2r/Pppp1ppp/1b3nbN/nP6/BBP1P3/q4N2/Pp1P2PP/R2Q1RK1 w kq - 0 1"
PINS = "rnbq1k1r/pp1Pbppp/2p5/8/2B5/8/PPP1NnPP/RNBQK2R w KQ - 1 8"
QUIET = "r4rk1/1pp1qppp/p1np1n2/2b1p1B1/2B1P1b1/P1NP1N2/1PP1QPPP/R4RK1 w - - 0 10"
PUBLISHED = [
    (START, [20, 400, 8902]),
    (KIWIPETE, [48, 2039]),
    (ROOKS, [14, 191, 2812]),
    (PROMOTIONS, [6, 264, 9467]),
    (PINS, [44, 1486]),
    (QUIET, [46, 2079]),
]
DEEPER = [(START, 4, 197_281), (KIWIPETE, 3, 97_862), (ROOKS, 4, 43_238), (PINS, 3, 62_379)]


def perft_of_python_chess(board: chess.Board, depth: int) -> int:
    if depth == 1:
        return board.legal_moves.count()
    nodes = 0
    for move in board.legal_moves:
        board.push(move)
        nodes += perft_of_python_chess(board, depth - 1)
        board.pop()
    return nodes


CASES = [(fen, depth, count) for fen, counts in PUBLISHED for depth, count in enumerate(counts, start=1)]


@pytest.mark.parametrize(
    ("fen", "depth", "count"), CASES + [pytest.param(*case, marks=pytest.mark.slow) for case in DEEPER]
)
def test_perft_of_the_reference_reader(fen: str, depth: int, count: int) -> None:
    """python-chess, which the reference reader decodes with, finds the published number of lines."""
    assert perft_of_python_chess(chess.Board(fen), depth) == count


DEEPEST = [
    (START, 5, 4_865_609),
    (KIWIPETE, 4, 4_085_603),
    (ROOKS, 6, 11_030_083),
    (PROMOTIONS, 5, 15_833_292),
    (PINS, 4, 2_103_487),
    (QUIET, 4, 3_894_594),
]


@needs_compiled
@pytest.mark.parametrize(
    ("fen", "depth", "count"),
    [*CASES, *DEEPER, *(pytest.param(*case, marks=pytest.mark.slow) for case in DEEPEST)],
)
def test_perft_of_the_core(fen: str, depth: int, count: int) -> None:
    """The core, which the compiled reader decodes with, finds the published number of lines."""
    compiled = core()
    assert compiled is not None

    assert compiled.perft(fen, depth) == count


def boards_of(fen: str) -> Boards:
    """One board as arrays."""
    board = chess.Board(fen)
    squares = np.zeros((1, 64), dtype=np.uint8)
    for square, piece in board.piece_map().items():
        squares[0, square] = piece.piece_type + (0 if piece.color else 6)
    rights = [bool(board.castling_rights & chess.BB_SQUARES[corner]) for corner in (7, 0, 63, 56)]
    file = -1 if board.ep_square is None else chess.square_file(board.ep_square)
    return Boards(
        squares,
        np.array([rights]),
        np.array([file], dtype=np.int8),
        np.array([board.halfmove_clock], dtype=np.uint16),
        np.array([board.ply()], dtype=np.uint16),
    )


@pytest.mark.parametrize(("fen", "depth", "count"), CASES + DEEPER)
def test_perft_of_boards_as_arrays(fen: str, depth: int, count: int) -> None:
    """All legal moves of many boards at once make the published number of lines."""
    boards = boards_of(fen)

    for _ in range(depth):
        sight = Sight.of(boards)
        found = legal_moves(sight, covers(sight.men, own=True), covers(sight.men, own=False))
        boards = boards.take(found.row).after(found.packed)

    assert len(boards) == count
