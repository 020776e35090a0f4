"""Decoders of move text: the compiled reader, and the reference on python-chess that it is tested against.

Both give the same for the same lines. The compiled reader decides only where it has no complaint; a line it
finds fault with, or fails on, is read by the reference, which is the more patient of the two.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.arrays import Flags, Keys, Moves, Offsets
from miner.board.keys import keys_along
from miner.errors import UsageError
from miner.means import ReaderName
from miner.pgn.movetext import NULL_MOVES, moves_of
from miner.pgn.text import encoded_strings
from miner.terms import pack_move, pack_moves

compiled: Any
try:
    import rust_pgn_reader_python_binding as compiled
except ImportError:  # no wheel for this machine
    compiled = None

_BLANK_LINE = re.compile(rb"\n[ \t\r\f\v]*\n\s*\S")  # with more after it
_LONGEST_LINE = 1 << 17  # bytes; by the rule of 75 moves no game has 12,000 plies
_GAME = np.dtype([("plies", np.intp), ("is_illegal", np.bool_), ("last_key", np.uint64)])
_VISIT = np.dtype([("line", np.uint32), ("ply", np.uint8), ("key", np.uint64), ("move", np.uint16)])


@dataclass(frozen=True, slots=True)
class Visits:
    """The positions that lines visit for the first time, one row each, by line and ply."""

    lines: npt.NDArray[np.uint32]  # number of the line
    plies: npt.NDArray[np.uint8]
    keys: Keys  # of the position before the ply
    moves: Moves

    def take(self, rows: Offsets) -> Visits:
        """Some of the rows, in the order in which they are named."""
        return Visits(self.lines[rows], self.plies[rows], self.keys[rows], self.moves[rows])

    @classmethod
    def joined(cls, parts: Sequence[Visits]) -> Visits:
        """The rows of all parts, put in order; no line may be in two of them."""
        if len(parts) == 1:
            return parts[0]
        visits = cls(
            np.concatenate([part.lines for part in parts]),
            np.concatenate([part.plies for part in parts]),
            np.concatenate([part.keys for part in parts]),
            np.concatenate([part.moves for part in parts]),
        )
        return visits.take(np.argsort(visits.lines, kind="stable"))


@dataclass(frozen=True, slots=True)
class Decoded:
    """The plies of `n` lines, as far as so many as are kept."""

    plies: Offsets  # (n,): how many are legal, at most those to keep
    is_illegal: Flags  # (n,): the line breaks off before that at an illegal move
    last_keys: Keys  # (n,): of the position after the last of the plies
    visits: Visits


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
        read = [_read_line(line, width) for line in lines]
        games = np.array([game for game, _ in read], dtype=_GAME)
        visits = np.array([(line, *row) for line, (_, rows) in enumerate(read) for row in rows], dtype=_VISIT)
        found = Visits(*(visits[name] for name in ("line", "ply", "key", "move")))
        return Decoded(games["plies"], games["is_illegal"], games["last_key"], found)


def _read_line(line: bytes, width: int) -> tuple[tuple[int, bool, int], list[tuple[int, int, int]]]:
    """A row of `_GAME`, and rows of `_VISIT` without the line."""
    board = chess.Board()
    visits: dict[int, tuple[int, int, int]] = {}
    key = chess.polyglot.zobrist_hash(board)
    for ply, written in enumerate(moves_of(line, width)):
        move = legal_move(board, written)
        if move is None:
            return (ply, True, key), list(visits.values())
        visits.setdefault(key, (ply, key, pack_move(move.from_square, move.to_square, move.promotion)))
        board.push(move)
        key = chess.polyglot.zobrist_hash(board)
    return (len(board.move_stack), False, key), list(visits.values())


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

    def decode(self, lines: Sequence[bytes], width: int) -> Decoded:
        """See `Reader`."""
        # No game that ends has so long a line, and all of it would be made boards of.
        lines = [
            line if len(line) <= _LONGEST_LINE else b" ".join(moves_of(line, width + 1)) for line in lines
        ]
        # Nothing after the kept plies needs decoding. The move number after them is searched, not trusted:
        # a line that gives too few moves before it is read whole.
        after = b"%d." % ((width + 1) // 2 + 1)
        texts = [line[:end] if (end := line.find(after)) >= 0 else line for line in lines]
        plies = np.zeros(len(lines), dtype=np.intp)
        is_illegal = np.zeros(len(lines), dtype=np.bool_)
        last_keys = np.zeros(len(lines), dtype=np.uint64)
        is_open = np.ones(len(lines), dtype=np.bool_)  # not read to our content yet
        parts = []

        def accept(rows: Offsets, decoded: Decoded, is_good: Flags) -> None:
            good = rows[is_good]
            plies[good] = decoded.plies[is_good]
            is_illegal[good] = decoded.is_illegal[is_good]
            last_keys[good] = decoded.last_keys[is_good]
            is_open[good] = False
            visits = decoded.visits
            if not is_good.all():
                visits = visits.take(np.flatnonzero(is_good[visits.lines]))
            parts.append(replace(visits, lines=rows.astype(np.uint32)[visits.lines]))

        for rows, chunk in _parse(texts, np.arange(len(lines))):
            decoded, is_sound = _from_chunk(chunk, width)
            short = np.flatnonzero(decoded.plies < width)
            # Of a line with a blank line in it the library reads no more than what is before that.
            is_part = [
                len(texts[row]) < len(lines[row]) or _BLANK_LINE.search(lines[row]) is not None
                for row in rows[short].tolist()
            ]
            is_sound[short[is_part]] = False
            accept(rows, decoded, is_sound)
        left = np.flatnonzero(is_open)
        for rows, chunk in _parse([lines[row].replace(b"\n", b" ") for row in left.tolist()], left):
            accept(rows, *_from_chunk(chunk, width))
        left = np.flatnonzero(is_open)
        if len(left) or not parts:
            decoded = ReferenceReader().decode([lines[row] for row in left.tolist()], width)
            accept(left, decoded, np.ones(len(left), dtype=np.bool_))
        return Decoded(plies, is_illegal, last_keys, Visits.joined(parts))


def _parse(texts: Sequence[bytes], rows: Offsets) -> list[tuple[Offsets, Any]]:
    """Parsed chunks and the rows they hold; a text that the library fails on is in none of them."""
    if not texts:
        return []
    try:
        chunks = compiled.parse_games(pa.chunked_array([encoded_strings(texts)]), num_threads=1).chunks
        # A text with neither a move nor a result gives no game at all.
        is_whole = sum(chunk.num_games for chunk in chunks) == len(texts)
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException:  # noqa: BLE001 - a panic of the library is not an Exception
        is_whole = False
    if is_whole:
        ends = np.cumsum([chunk.num_games for chunk in chunks])
        return list(zip(np.split(rows, ends[:-1]), chunks, strict=True))
    if len(texts) == 1:
        return []
    half = len(texts) // 2
    return _parse(texts[:half], rows[:half]) + _parse(texts[half:], rows[half:])


def _from_chunk(chunk: Any, width: int) -> tuple[Decoded, Flags]:
    """The games of a parsed chunk, and which of them are sound as far as they are kept."""
    begins = chunk.position_offsets.astype(np.intp)[: chunk.num_games]
    positions = np.diff(begins, append=len(chunk.boards))  # of each game: one more than it has moves
    keys = keys_along(
        chunk.boards.reshape(-1, 64),
        chunk.castling,
        chunk.en_passant,
        chunk.turn,
        begins,
        chunk.from_squares,
        chunk.to_squares,
    )
    moves = pack_moves(chunk.from_squares, chunk.to_squares, chunk.promotions)
    plies = np.minimum(positions - 1, width)
    lines = np.repeat(np.arange(chunk.num_games, dtype=np.uint32), positions)
    ply = np.arange(len(keys), dtype=np.uint32) - np.repeat(begins.astype(np.uint32), positions)
    is_visit = _first_visits(keys, chunk.halfmove_clock)
    is_visit[begins + positions - 1] = False
    is_visit &= ply < width
    at = np.flatnonzero(is_visit)
    line = lines.take(at)
    visits = Visits(line, ply.take(at).astype(np.uint8), keys.take(at), moves.take(at - line))
    is_illegal = np.zeros(chunk.num_games, dtype=np.bool_)
    return Decoded(plies, is_illegal, keys[begins + plies], visits), chunk.valid | (plies == width)


def _first_visits(keys: Keys, halfmove_clock: npt.NDArray[np.uint8]) -> Flags:
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
