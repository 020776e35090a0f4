"""Position keys for whole arrays of boards: the Zobrist keys with the published Polyglot constants."""

from __future__ import annotations

from functools import cache

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt

from miner.arrays import Flags, Keys, Squares
from miner.board.moves import CASTLED_ROOKS

EMPTY, WHITE_PAWN, BLACK_PAWN = 0, 1, 7
_PIECES = 13  # an empty square, White's P N B R Q K, Black's P N B R Q K
_PAIRS = (_PIECES - 1) * 256 + _PIECES
_BLOCK = 8_192  # positions at a time, so that they stay in the processor's cache
_CASTLING, _EN_PASSANT, _WHITE_TO_MOVE = 768, 772, 780  # where these begin in Polyglot's list


def position_keys(
    boards: Squares, castling: Flags, en_passant: npt.NDArray[np.int8], white_to_move: Flags
) -> Keys:
    """The Polyglot key of each of `n` positions, equal to `chess.polyglot.zobrist_hash`.

    `boards` has shape (n, 64), a1 first, then b1: 0 for an empty square, 1 to 6 for White's pawn, knight,
    bishop, rook, queen and king, 7 to 12 for Black's. `castling` has shape (n, 4): White's short and long,
    Black's short and long. `en_passant` has shape (n,): the file (0 to 7) of a pawn that just moved two
    squares, or -1; it counts only where an enemy pawn stands ready to capture it.

    Source: the Polyglot opening-book format description (hardy.uhasselt.be/Toga/book_format.html).
    """
    keys = _piece_keys(boards)
    _add_the_rest(keys, boards, castling, en_passant, white_to_move)
    return keys


def keys_along(
    boards: Squares,
    castling: Flags,
    en_passant: npt.NDArray[np.int8],
    white_to_move: Flags,
    begins: npt.NDArray[np.intp],
    from_squares: Squares,
    to_squares: Squares,
) -> Keys:
    """`position_keys` of the positions of whole games, sooner: from what each move changes.

    The games lie one after the other, their first positions at `begins`; `from_squares` and `to_squares` are
    of the moves that lead to all other positions, shape (n - games,). When castling, these are the king's.
    """
    is_after_move = np.ones(len(boards), dtype=np.bool_)
    is_after_move[begins] = False
    moves = np.zeros((2, len(boards)), dtype=np.uint8)
    for row, squares in zip(moves, (from_squares, to_squares), strict=True):
        row[is_after_move] = squares
    keys = np.empty(len(boards), dtype=np.uint64)
    keys[:1] = 0
    for start in range(1, len(boards), _BLOCK):
        block = slice(start, start + _BLOCK)
        before = slice(start - 1, start - 1 + len(keys[block]))
        keys[block] = _changes(boards[before], boards[block], moves[0, block], moves[1, block])
    keys[begins] = 0
    np.bitwise_xor.accumulate(keys, out=keys)
    # No move leads from one game to the next: what came before a game is taken off again.
    first = boards[begins]
    # Nearly all games begin alike.
    off = keys[begins] ^ _piece_keys(first[:1] if (first == first[:1]).all() else first)
    keys ^= np.repeat(off, np.diff(begins, append=len(boards)))
    _add_the_rest(keys, boards, castling, en_passant, white_to_move)
    return keys


def _changes(before: Squares, after: Squares, from_squares: Squares, to_squares: Squares) -> Keys:
    """The pieces' share of the keys before each move against that after it."""
    table = _square_table()
    at = np.arange(0, before.size, 64)
    to = at + to_squares
    moved, taken = before.reshape(-1).take(at + from_squares), before.reshape(-1).take(to)
    row = to_squares * np.uint16(_PIECES)
    changes: Keys = table.take(from_squares * np.uint16(_PIECES) + moved)
    changes ^= table.take(row + taken)
    changes ^= table.take(row + after.reshape(-1).take(to))
    # A rook that castles and a pawn that is taken in passing stand on other squares than these.
    across = (from_squares & 7) - (to_squares & 7)  # files, modulo 256
    is_king, is_pawn = (moved % 6 == 0) & (moved > 0), moved % 6 == 1
    passing = np.flatnonzero(is_pawn & (across != 0) & (taken == EMPTY))
    beside = (from_squares[passing] & 56) | (to_squares[passing] & 7)
    changes[passing] ^= table.take(beside * np.uint16(_PIECES) + before[passing, beside])
    castled = np.flatnonzero(is_king & (across + 1 > 2))
    changes[castled] ^= _rook_changes()[to_squares[castled]]
    return changes


def _piece_keys(boards: Squares) -> Keys:
    """The pieces' share of the keys, looked up for two squares at a time."""
    keys = np.empty(len(boards), dtype=np.uint64)
    pairs = np.ascontiguousarray(boards).view("<u2")
    tables = _pair_tables()
    for start in range(0, len(boards), _BLOCK):
        block = slice(start, start + _BLOCK)
        rows = np.ascontiguousarray(pairs[block].T)
        keys[block] = tables[0].take(rows[0])
        share = np.empty_like(keys[block])
        for pair in range(1, 32):
            # The fastest mode; nothing is clipped.
            keys[block] ^= tables[pair].take(rows[pair], out=share, mode="clip")
    return keys


def _add_the_rest(
    keys: Keys, boards: Squares, castling: Flags, en_passant: npt.NDArray[np.int8], white_to_move: Flags
) -> None:
    rights = np.ascontiguousarray(castling).view("<u4").ravel() * np.uint32(0x01020408) >> np.uint32(24)
    keys ^= _castling_table().take(rights | white_to_move.astype(np.uint32) << np.uint32(4))
    # Only if a pawn stands ready to capture, legal or not (Polyglot's rule). Hashing the file always
    # would split one position into two, and its tally with it.
    can = passable(boards, en_passant, white_to_move)
    keys[can] ^= _constants()[_EN_PASSANT + en_passant[can].astype(np.intp)]


def passable(boards: Squares, en_passant: npt.NDArray[np.int8], white_to_move: Flags) -> npt.NDArray[np.intp]:
    """The places of the boards on which a pawn stands beside one that just moved two squares.

    It may be pinned all the same, and the capture illegal. Arguments as in `position_keys`.
    """
    moved = np.flatnonzero(en_passant >= 0)
    file = en_passant.take(moved)
    is_white = white_to_move.take(moved)
    capturer = np.where(is_white, np.uint8(WHITE_PAWN), np.uint8(BLACK_PAWN))
    beside = moved * 64 + np.where(is_white, 4 * 8, 3 * 8) + file
    squares = boards.reshape(-1)
    from_left = (file > 0) & (squares.take(beside - 1) == capturer)
    from_right = (file < 7) & (squares.take(beside + 1) == capturer)
    can: npt.NDArray[np.intp] = moved[from_left | from_right]
    return can


@cache
def _constants() -> Keys:
    return np.array(chess.polyglot.POLYGLOT_RANDOM_ARRAY, dtype=np.uint64)


@cache
def _castling_table() -> Keys:
    """The share of each of the 16 sets of castling rights with Black to move, then with White to move."""
    table = np.zeros(32, dtype=np.uint64)
    for rights in range(16):
        for right in range(4):
            if rights >> right & 1:
                table[rights] ^= _constants()[_CASTLING + right]
    table[16:] = table[:16] ^ _constants()[_WHITE_TO_MOVE]
    return table


@cache
def _rook_changes() -> Keys:
    """The share of a castling rook before and after, by the king's new square."""
    changes = np.zeros(64, dtype=np.uint64)
    squares = _square_table().reshape(64, _PIECES)
    for king, (corner, beside) in CASTLED_ROOKS.items():
        rook = 4 if king < chess.A2 else 10
        changes[king] = squares[corner, rook] ^ squares[beside, rook]
    return changes


@cache
def _square_table() -> Keys:
    """For each square and what may stand on it, its share; square by square."""
    squares = np.zeros((64, _PIECES), dtype=np.uint64)
    for piece in range(1, _PIECES):
        kind, is_white = (piece - 1) % 6, piece < BLACK_PAWN
        first = 64 * (2 * kind + is_white)  # Polyglot lists black pawn, white pawn, black knight ...
        squares[:, piece] = _constants()[first : first + 64]
    return squares.reshape(-1)


@cache
def _pair_tables() -> Keys:
    """For each pair of neighbouring squares, the share of what may stand on them; shape (32, pairs)."""
    squares = _square_table().reshape(64, _PIECES)
    tables = np.zeros((32, _PAIRS), dtype=np.uint64)
    for high in range(_PIECES):
        tables[:, high * 256 : high * 256 + _PIECES] = squares[::2] ^ squares[1::2, high : high + 1]
    return tables
