"""Decoders of move text: the compiled reader, and the reference on python-chess that it is tested against.

Both give the same for the same lines. The compiled reader decides only where it has no complaint; a line it
finds fault with, or fails on, is read by the reference, which is the more patient of the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.board.keys import position_keys
from miner.errors import UsageError
from miner.read.movetext import NULL_MOVES, moves_of
from miner.terms import pack_move, pack_moves

compiled: Any
try:
    import rust_pgn_reader_python_binding as compiled
except ImportError:  # no wheel for this machine
    compiled = None

ReaderName = Literal["auto", "compiled", "reference"]
Ints = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Decoded:
    """What `n` lines say, as far as `width` plies; entries from a line's end on mean nothing."""

    plies: Ints  # (n,): legal plies, at most `width`
    is_illegal: npt.NDArray[np.bool_]  # (n,): the line breaks off within `width` plies at an illegal move
    keys: npt.NDArray[np.uint64]  # (n, width): the position before each ply
    moves: npt.NDArray[np.uint16]  # (n, width): see terms.pack_move
    is_first_visit: npt.NDArray[np.bool_]  # (n, width): the position was not met before in the game
    last_keys: npt.NDArray[np.uint64]  # (n,): the position after the last of the plies

    @classmethod
    def empty(cls, lines: int, width: int) -> Decoded:
        """Room for `lines` lines."""
        return cls(
            plies=np.zeros(lines, dtype=np.intp),
            is_illegal=np.zeros(lines, dtype=np.bool_),
            keys=np.zeros((lines, width), dtype=np.uint64),
            moves=np.zeros((lines, width), dtype=np.uint16),
            is_first_visit=np.zeros((lines, width), dtype=np.bool_),
            last_keys=np.zeros(lines, dtype=np.uint64),
        )

    def put(self, rows: Ints | slice, other: Decoded) -> None:
        """Replace some rows by those of another."""
        for name in self.__slots__:
            getattr(self, name)[rows] = getattr(other, name)


class Reader(Protocol):
    """A decoder of main lines: moves, move numbers and results only, ASCII."""

    def decode(self, lines: Sequence[bytes], width: int) -> Decoded:
        """The first `width` plies of each line."""


def make_reader(name: ReaderName) -> Reader:
    """The reader of that name; `auto` is the compiled one where it is installed.

    Raises UsageError if the compiled reader is asked for and missing.
    """
    if name == "reference" or (name == "auto" and compiled is None):
        return ReferenceReader()
    if compiled is None:
        raise UsageError(
            "the compiled reader is not installed",
            advice="`pip install rust_pgn_reader_python_binding`, or choose the reference reader",
        )
    return CompiledReader()


class ReferenceReader:
    """Reads with python-chess, move by move: slow, and right by definition."""

    def decode(self, lines: Sequence[bytes], width: int) -> Decoded:
        """See `Reader`."""
        decoded = Decoded.empty(len(lines), width)
        for row, line in enumerate(lines):
            self._decode_line(line, width, row, decoded)
        return decoded

    def _decode_line(self, line: bytes, width: int, row: int, decoded: Decoded) -> None:
        board = chess.Board()
        met: set[int] = set()
        ply = 0
        key = chess.polyglot.zobrist_hash(board)
        for written in moves_of(line)[:width]:
            move = legal_move(board, written)
            if move is None:
                decoded.is_illegal[row] = True
                break
            decoded.keys[row, ply] = key
            decoded.moves[row, ply] = pack_move(move.from_square, move.to_square, move.promotion)
            decoded.is_first_visit[row, ply] = key not in met
            met.add(key)
            board.push(move)
            key = chess.polyglot.zobrist_hash(board)
            ply += 1
        decoded.plies[row] = ply
        decoded.last_keys[row] = key


def legal_move(board: chess.Board, written: bytes) -> chess.Move | None:
    """The legal move that was written, or None; castling with zeros and `:` for a capture are understood."""
    if written in NULL_MOVES:
        return None
    san = written.decode("ascii").replace(":", "x")
    if san[0] in "Oo0":
        san = san.replace("0", "O").replace("o", "O")
    try:
        return board.parse_san(san)
    except ValueError:
        return None


class CompiledReader:
    """Reads with the compiled reader: whole batches into arrays of boards."""

    def __init__(self) -> None:
        self._reference = ReferenceReader()

    def decode(self, lines: Sequence[bytes], width: int) -> Decoded:
        """See `Reader`."""
        # Nothing after the kept plies needs decoding. The move number after them is searched, not trusted:
        # a line that gives too few moves before it is read whole.
        after = b"%d." % ((width + 1) // 2 + 1)
        texts = [line[:end] if (end := line.find(after)) >= 0 else line for line in lines]
        decoded, is_sound = self._decode_texts(texts, width)
        is_short = is_sound & (decoded.plies < width)
        short = np.array(
            [row for row in np.flatnonzero(is_short).tolist() if len(texts[row]) < len(lines[row])], np.intp
        )
        if len(short):
            again, is_sound[short] = self._decode_texts([lines[row] for row in short], width)
            decoded.put(short, again)
        faulty = np.flatnonzero(~is_sound)
        if len(faulty):
            decoded.put(faulty, self._reference.decode([lines[row] for row in faulty.tolist()], width))
        return decoded

    def _decode_texts(self, texts: Sequence[bytes], width: int) -> tuple[Decoded, npt.NDArray[np.bool_]]:
        """The texts decoded, and which of them the compiled reader had no fault to find with."""
        decoded = Decoded.empty(len(texts), width)
        is_sound = np.zeros(len(texts), dtype=np.bool_)
        for rows, chunk in _parse(texts, 0):
            part, is_sound[rows] = _from_chunk(chunk, width)
            decoded.put(rows, part)
        return decoded, is_sound


def _parse(texts: Sequence[bytes], first: int) -> list[tuple[slice, Any]]:
    """Parsed chunks and the rows they hold; a text that the library fails on is in none of them."""
    if not texts:
        return []
    try:
        array = pa.array(texts, pa.string())
        chunks = compiled.parse_games(pa.chunked_array([array]), num_threads=1).chunks
        # A text with neither a move nor a result gives no game at all.
        whole = sum(chunk.num_games for chunk in chunks) == len(texts)
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException:  # noqa: BLE001 - a panic of the library is not an Exception
        whole = False
    if whole:
        return _with_rows(chunks, first)
    if len(texts) == 1:
        return []
    half = len(texts) // 2
    return _parse(texts[:half], first) + _parse(texts[half:], first + half)


def _with_rows(chunks: Sequence[Any], first: int) -> list[tuple[slice, Any]]:
    found = []
    for chunk in chunks:
        found.append((slice(first, first + chunk.num_games), chunk))
        first += chunk.num_games
    return found


def _from_chunk(chunk: Any, width: int) -> tuple[Decoded, npt.NDArray[np.bool_]]:
    """The games of a parsed chunk, and which of them are sound as far as they are kept."""
    begins = chunk.position_offsets.astype(np.intp)[: chunk.num_games]
    counts = np.diff(np.append(begins, len(chunk.boards))) - 1
    keys = position_keys(chunk.boards.reshape(-1, 64), chunk.castling, chunk.en_passant, chunk.turn)
    moves = pack_moves(chunk.from_squares, chunk.to_squares, chunk.promotions)
    plies = np.minimum(counts, width)
    decoded = Decoded.empty(chunk.num_games, width)
    decoded.plies[:] = plies
    decoded.last_keys[:] = keys[begins + plies]
    there = np.arange(width) < plies[:, None]
    ply = np.broadcast_to(np.arange(width), there.shape)[there]
    position = np.repeat(begins, plies) + ply
    decoded.keys[there] = keys[position]
    # Each game has one position more than moves.
    decoded.moves[there] = moves[position - np.repeat(np.arange(chunk.num_games), plies)]
    decoded.is_first_visit[there] = _first_visits(keys, chunk.halfmove_clock)[position]
    return decoded, chunk.valid | (counts >= width)


def _first_visits(
    keys: npt.NDArray[np.uint64], halfmove_clock: npt.NDArray[np.uint8]
) -> npt.NDArray[np.bool_]:
    """Whether each position is met for the first time in its game; games one after the other.

    A position can return only an even number of plies later, 4 at least, with no capture or pawn move
    between.
    """
    is_first = np.ones(len(keys), dtype=np.bool_)
    candidates = np.flatnonzero(halfmove_clock >= 4)
    distance = 4
    while len(candidates):
        is_first[candidates[keys[candidates] == keys[candidates - distance]]] = False
        distance += 2
        candidates = candidates[halfmove_clock[candidates] >= distance]
    return is_first
