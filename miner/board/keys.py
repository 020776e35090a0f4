"""Position keys for whole arrays of boards: the Zobrist keys with the published Polyglot constants."""

from __future__ import annotations

from functools import cache

import chess.polyglot
import numpy as np
import numpy.typing as npt

Boards = npt.NDArray[np.uint8]
Keys = npt.NDArray[np.uint64]

EMPTY, WHITE_PAWN, BLACK_PAWN = 0, 1, 7
_PIECES = 13  # an empty square, White's P N B R Q K, Black's P N B R Q K
_PAIRS = (_PIECES - 1) * 256 + _PIECES
_BLOCK = 8_192  # positions at a time, so that they stay in the processor's cache
_CASTLING, _EN_PASSANT, _WHITE_TO_MOVE = 768, 772, 780  # where these begin in Polyglot's list


def position_keys(
    boards: Boards,
    castling: npt.NDArray[np.bool_],
    en_passant: npt.NDArray[np.int8],
    white_to_move: npt.NDArray[np.bool_],
) -> Keys:
    """The Polyglot key of each of `n` positions, equal to `chess.polyglot.zobrist_hash`.

    `boards` has shape (n, 64), a1 first, then b1: 0 for an empty square, 1 to 6 for White's pawn, knight,
    bishop, rook, queen and king, 7 to 12 for Black's. `castling` has shape (n, 4): White's short and long,
    Black's short and long. `en_passant` has shape (n,): the file (0 to 7) of a pawn that just moved two
    squares, or -1; it counts only where an enemy pawn stands ready to capture it.

    Source: the Polyglot opening-book format description (hardy.uhasselt.be/Toga/book_format.html).
    """
    keys = np.empty(len(boards), dtype=np.uint64)
    pairs = np.ascontiguousarray(boards).view("<u2")
    for start in range(0, len(boards), _BLOCK):
        block = slice(start, start + _BLOCK)
        keys[block] = _piece_keys(np.ascontiguousarray(pairs[block].T))
    rights = castling @ np.array([1, 2, 4, 8], dtype=np.uint8)
    keys ^= _castling_table()[rights]
    keys ^= np.where(white_to_move, _constants()[_WHITE_TO_MOVE], np.uint64(0))
    _add_en_passant(keys, boards, en_passant, white_to_move)
    return keys


def _piece_keys(pairs: npt.NDArray[np.uint16]) -> Keys:
    """The pieces' share of the keys, from the squares two by two, shape (32, n)."""
    tables = _pair_tables()
    keys: Keys = tables[0].take(pairs[0])
    share = np.empty_like(keys)
    for pair in range(1, 32):
        keys ^= tables[pair].take(pairs[pair], out=share, mode="clip")  # the fastest mode; nothing is clipped
    return keys


def _add_en_passant(
    keys: Keys,
    boards: Boards,
    en_passant: npt.NDArray[np.int8],
    white_to_move: npt.NDArray[np.bool_],
) -> None:
    # Only if a pawn stands ready to capture, legal or not (Polyglot's rule). Hashing the file always
    # would split one position into two, and its tally with it.
    can = passable(boards, en_passant, white_to_move)
    keys[can] ^= _constants()[_EN_PASSANT + en_passant[can].astype(np.intp)]


def passable(
    boards: Boards, en_passant: npt.NDArray[np.int8], white_to_move: npt.NDArray[np.bool_]
) -> npt.NDArray[np.intp]:
    """The places of the boards on which a pawn stands beside one that just moved two squares.

    Whether it may capture en passant is not said: it may be pinned. Arguments as in `position_keys`.
    """
    moved = np.flatnonzero(en_passant >= 0)
    file = en_passant[moved].astype(np.intp)
    capturer = np.where(white_to_move[moved], WHITE_PAWN, BLACK_PAWN)
    beside = np.where(white_to_move[moved], 4 * 8, 3 * 8) + file
    from_left = (file > 0) & (boards[moved, beside - (file > 0)] == capturer)
    from_right = (file < 7) & (boards[moved, beside + (file < 7)] == capturer)
    can: npt.NDArray[np.intp] = moved[from_left | from_right]
    return can


@cache
def _constants() -> Keys:
    return np.array(chess.polyglot.POLYGLOT_RANDOM_ARRAY, dtype=np.uint64)


@cache
def _castling_table() -> Keys:
    """The share of the castling rights, for each of the 16 sets of them."""
    table = np.zeros(16, dtype=np.uint64)
    for rights in range(16):
        for right in range(4):
            if rights >> right & 1:
                table[rights] ^= _constants()[_CASTLING + right]
    return table


@cache
def _pair_tables() -> Keys:
    """For each pair of neighbouring squares, the share of what may stand on them; shape (32, pairs)."""
    squares = np.zeros((64, _PIECES), dtype=np.uint64)
    for piece in range(1, _PIECES):
        kind, is_white = (piece - 1) % 6, piece < BLACK_PAWN
        first = 64 * (2 * kind + is_white)  # Polyglot lists black pawn, white pawn, black knight ...
        squares[:, piece] = _constants()[first : first + 64]
    tables = np.zeros((32, _PAIRS), dtype=np.uint64)
    for high in range(_PIECES):
        tables[:, high * 256 : high * 256 + _PIECES] = squares[::2] ^ squares[1::2, high : high + 1]
    return tables
