"""Many boards at once: moves made on them, their keys and their FENs.

python-chess knows the rules and is what this is tested against; here legal moves are made, not found.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import compress
from typing import Any

import chess
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags, Ints, Keys, Moves, Squares
from miner.board.keys import BLACK_PAWN, EMPTY, WHITE_PAWN, passable, position_keys

_WHITE_KING, _BLACK_KING = 6, 12
_LETTERS = ".PNBRQKpnbrqk"
_CASTLING = ["".join(compress("KQkq", (n & 1, n & 2, n & 4, n & 8))) or "-" for n in range(16)]  # in FENs


@dataclass(frozen=True, slots=True)
class Boards:
    """`n` positions of standard chess as arrays."""

    squares: Squares  # (n, 64), coded as in `keys.position_keys`
    castling: Flags  # (n, 4): White's short and long, Black's short and long
    en_passant: npt.NDArray[np.int8]  # (n,): file of a pawn that just moved two squares, or -1
    halfmoves: npt.NDArray[np.uint16]  # (n,): plies since the last capture or pawn move
    plies: npt.NDArray[np.uint16]  # (n,): plies since the start of the game

    def __len__(self) -> int:
        return len(self.squares)

    @classmethod
    def start(cls) -> Boards:
        """One board with the start position."""
        squares = np.zeros((1, 64), dtype=np.uint8)
        for square, piece in chess.Board().piece_map().items():
            squares[0, square] = _LETTERS.index(piece.symbol())
        return cls(
            squares,
            np.ones((1, 4), dtype=np.bool_),
            np.full(1, -1, dtype=np.int8),
            np.zeros(1, dtype=np.uint16),
            np.zeros(1, dtype=np.uint16),
        )

    @property
    def white_to_move(self) -> Flags:
        """Whether it is White's move, shape (n,)."""
        is_white: Flags = self.plies % 2 == 0
        return is_white

    @property
    def keys(self) -> Keys:
        """The Polyglot keys, shape (n,)."""
        return position_keys(self.squares, self.castling, self.en_passant, self.white_to_move)

    def take(self, rows: Ints) -> Boards:
        """Copies of the boards in these rows, in this order."""
        return Boards(*(column[rows] for column in self._columns()))

    @classmethod
    def joined(cls, parts: list[Boards]) -> Boards:
        """The boards of all parts; there must be a part."""
        return cls(*map(np.concatenate, zip(*(part._columns() for part in parts), strict=True)))

    def _columns(self) -> tuple[npt.NDArray[Any], ...]:
        return self.squares, self.castling, self.en_passant, self.halfmoves, self.plies

    def after(self, moves: Moves) -> Boards:
        """The boards that one move on each leads to; every move must be legal on its board."""
        rows = np.arange(len(self))
        to, origin = (moves & 0x3F).astype(np.intp), (moves >> 6 & 0x3F).astype(np.intp)
        promotion = (moves >> 12 & 0x7).astype(np.uint8)
        squares = self.squares.copy()
        piece = squares[rows, origin]
        is_pawn = (piece == WHITE_PAWN) | (piece == BLACK_PAWN)
        is_capture = squares[rows, to] != EMPTY
        squares[rows, origin] = EMPTY
        # A promotion's number counts from the pawn's, which is 1 both in python-chess and for White.
        squares[rows, to] = np.where(promotion > 0, piece + promotion - 1, piece).astype(np.uint8)
        passing = np.flatnonzero(is_pawn & ~is_capture & ((to - origin) % 8 != 0))
        squares[passing, (origin[passing] & 0x38) | (to[passing] & 0x07)] = EMPTY
        castles = np.flatnonzero(((piece == _WHITE_KING) | (piece == _BLACK_KING)) & (abs(to - origin) == 2))
        is_short = to[castles] > origin[castles]
        corner = np.where(is_short, to[castles] + 1, to[castles] - 2)
        squares[castles, (origin[castles] + to[castles]) // 2] = squares[castles, corner]
        squares[castles, corner] = EMPTY
        return Boards(
            squares,
            self.castling & _keeps_right()[origin] & _keeps_right()[to],
            np.where(is_pawn & (abs(to - origin) == 16), to % 8, -1).astype(np.int8),
            np.where(is_pawn | is_capture, 0, self.halfmoves + 1).astype(np.uint16),
            self.plies + np.uint16(1),
        )

    def fens(self) -> Any:
        """FENs as an Arrow array of strings; an en passant square only where a capture is legal."""
        ranks = np.ascontiguousarray(self.squares).view(np.uint64).reshape(-1, 8)
        rows = [_rank_texts(ranks[:, rank]) for rank in reversed(range(8))]
        return pc.binary_join_element_wise(
            pc.binary_join_element_wise(*rows, "/"),
            _chosen(["b", "w"], self.white_to_move),
            _chosen(_CASTLING, self.castling @ np.array([1, 2, 4, 8], dtype=np.uint8)),
            self._en_passant_texts(),
            pa.array(self.halfmoves).cast(pa.string()),
            pa.array(self.plies // 2 + 1).cast(pa.string()),
            " ",
        )

    def _en_passant_texts(self) -> Any:
        """The en passant square where a capture is legal, `-` elsewhere."""
        files = np.full(len(self), 8)
        for row in passable(self.squares, self.en_passant, self.white_to_move).tolist():
            # Whether the capture would leave the king in check is for python-chess to say.
            if self.board(row).has_legal_en_passant():
                files[row] = self.en_passant[row]
        texts = [*(f"{file}{rank}" for rank in "36" for file in chess.FILE_NAMES), "-"]
        return _chosen(texts, np.where(files == 8, 16, files + np.where(self.white_to_move, 8, 0)))

    def board(self, row: int) -> chess.Board:
        """One of them as python-chess has it, without the moves that led to it."""
        board = chess.Board(None)
        for square, code in enumerate(self.squares[row].tolist()):
            if code:
                board.set_piece_at(square, chess.Piece.from_symbol(_LETTERS[code]))
        board.turn = bool(self.white_to_move[row])
        corners = (chess.BB_H1, chess.BB_A1, chess.BB_H8, chess.BB_A8)
        for corner, has_right in zip(corners, self.castling[row].tolist(), strict=True):
            board.castling_rights |= corner if has_right else 0
        if self.en_passant[row] >= 0:
            board.ep_square = chess.square(int(self.en_passant[row]), 5 if board.turn else 2)
        board.halfmove_clock = int(self.halfmoves[row])
        board.fullmove_number = int(self.plies[row]) // 2 + 1
        return board


@cache
def _keeps_right() -> Flags:
    """Which castling rights outlast a move from or to each square, shape (64, 4)."""
    keeps = np.ones((64, 4), dtype=np.bool_)
    keeps[chess.E1, :2] = keeps[chess.E8, 2:] = False
    for right, corner in enumerate((chess.H1, chess.A1, chess.H8, chess.A8)):
        keeps[corner, right] = False
    return keeps


def _rank_texts(ranks: npt.NDArray[np.uint64]) -> Any:
    """The FEN of one rank of each board; few different ones make up millions."""
    coded = pa.array(ranks).dictionary_encode()
    texts = [_rank_text(rank) for rank in coded.dictionary.to_pylist()]
    return pa.array(texts, pa.string()).take(coded.indices)


@lru_cache(maxsize=1 << 16)
def _rank_text(rank: int) -> str:
    text = "".join(_LETTERS[code] for code in rank.to_bytes(8, "little"))
    for empty in range(8, 0, -1):
        text = text.replace("." * empty, str(empty))
    return text


def _chosen(texts: list[str], which: npt.NDArray[Any]) -> Any:
    return pa.array(texts, pa.string()).take(pa.array(which.astype(np.uint8)))
