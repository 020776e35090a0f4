"""Position keys for whole arrays of boards: the Zobrist keys with the published Polyglot constants."""

from __future__ import annotations

from functools import cache

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt

from miner.arrays import Flags, Keys, Squares

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
