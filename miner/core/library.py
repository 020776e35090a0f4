"""The core's functions on numpy's arrays.

Called through ctypes, which lets other threads run meanwhile. The arrays' types and sizes are seen to here,
the places within them by the core.
"""

from __future__ import annotations

import ctypes
import random
import sys
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from miner.arrays import Flags, Keys, Moves, Offsets

LIBRARY = (
    "core.dll" if sys.platform == "win32" else "libcore.dylib" if sys.platform == "darwin" else "libcore.so"
)
FOLDER = Path(__file__).with_name("built")
"""Where it lies: in a folder of its own, since Python takes what ends in `.so` for one of its modules."""

Codes = npt.NDArray[np.int32]
Bytes = npt.NDArray[np.uint8]

_INT64, _INT32, _UINT64, _TEXT = ctypes.c_int64, ctypes.c_int32, ctypes.c_uint64, ctypes.c_char_p
_ROW_BYTES = 16  # of a `Row`


def _array(dtype: str) -> Any:
    return np.ctypeslib.ndpointer(dtype, ndim=1, flags="C_CONTIGUOUS")


_I64, _I32, _U64, _U32, _U16, _U8 = (
    _array(f"{kind}{size}") for kind, size in ("i8", "i4", "u8", "u4", "u2", "u1")
)
_FUNCTIONS: dict[str, list[Any]] = {
    "core_regions": [_TEXT, _INT64, _I64, _INT64, _I64, _I64, _I64, _U8, _INT64],
    "core_count_lines": [_TEXT, _INT64, _I64, _INT64, _I64],
    "core_tags": [_TEXT, _INT64, _I64, _I64, _INT64, _TEXT, _I32, _INT32, _I64, _I64],
    "core_codes": [_TEXT, _INT64, _I64, _I64, _INT64, _UINT64, _I32, _INT64, _I32, _I32],
    "core_movetexts": [_TEXT, _INT64, _I64, _I64, _INT64, _U8, _INT64, _U8, _U8, _U32, _U8],
    "core_decode": [
        *(_TEXT, _INT64, _I64, _I64, _INT64, _INT32, _U8, _INT64, _U8, _U8, _U64),
        *(_U32, _U8, _U64, _U16, _INT64),
    ],
    "core_order": [_U32, _U8, _U64, _U16, _INT64, _U8, _U32, _INT64, _U8, _U32, _U8, _U64, _U16],
    "core_perft": [_TEXT, _INT64, _INT32],
}
"""What each takes; all give a whole number, below 0 if the arguments do not fit together."""


class Regions(NamedTuple):
    """Stretches of a text that each begin where a game does; see `core.h`."""

    starts: Offsets
    moves: Offsets
    ends: Offsets
    are_plain: Flags


class MoveTexts(NamedTuple):
    """What is seen of `n` move texts without following the moves."""

    results: Bytes  # (n,): places in RESULTS
    asides: Bytes  # (n,): places in ASIDES
    hashes: npt.NDArray[np.uint32]  # (n,): CRC-32 of the letters
    is_empty: Flags  # (n,): whether there are no letters


RESULTS = ("", "1-0", "0-1", "1/2-1/2", "*")
NO_RESULT, UNFINISHED = 0, 4
ASIDES = ("", "comment", "variation")


class Visits(NamedTuple):
    """Positions that games meet for the first time, a row each; of decoding by game and ply."""

    games: npt.NDArray[np.uint32]  # the game's place, or its number
    plies: Bytes
    keys: Keys  # of the position before the ply
    moves: Moves

    @classmethod
    def room_for(cls, rows: int) -> Visits:
        """So many rows that are to be written."""
        return cls(
            np.empty(rows, dtype=np.uint32),
            np.empty(rows, dtype=np.uint8),
            np.empty(rows, dtype=np.uint64),
            np.empty(rows, dtype=np.uint16),
        )

    def take(self, rows: Any) -> Visits:
        """Some of the rows, by their places, flags or a slice."""
        return Visits(self.games[rows], self.plies[rows], self.keys[rows], self.moves[rows])


class Decoded(NamedTuple):
    """The plies of `n` games, as far as so many as are kept."""

    plies: Bytes  # (n,): how many are legal, at most those to keep
    is_illegal: Flags  # (n,): the line breaks off before that at an illegal move
    last_keys: Keys  # (n,): of the position after the last of the plies
    visits: Visits


class Core:
    """The library, loaded."""

    def __init__(self, file: Path) -> None:
        """Raises OSError if it cannot be loaded here."""
        self._library = ctypes.CDLL(str(file))
        self._library.core_init.argtypes, self._library.core_init.restype = [], None
        for name, types in _FUNCTIONS.items():
            function = getattr(self._library, name)
            function.argtypes, function.restype = types, _INT64
        self._library.core_init()
        self._seed = random.SystemRandom().getrandbits(64)

    def _call(self, name: str, *arguments: Any) -> int:
        given = int(getattr(self._library, name)(*arguments))
        assert given >= 0, f"{name} was given what does not fit together"
        return given

    def regions(self, text: bytes, bounds: Offsets) -> Regions:
        """The regions of a text that begins anew at each of `bounds`."""
        room = 1024 + len(text) // 256
        while True:
            starts, moves, ends = (np.empty(room, dtype=np.int64) for _ in range(3))
            are_plain = np.empty(room, dtype=np.uint8)
            found = self._call(
                *("core_regions", text, len(text), _places(bounds), len(bounds)),
                *(starts, moves, ends, are_plain, room),
            )
            if found <= room:
                return Regions(starts[:found], moves[:found], ends[:found], are_plain[:found].view(np.bool_))
            room = found

    def lines_before(self, text: bytes, places: Offsets) -> Offsets:
        """How many line ends lie before each place; they may not fall."""
        lines = np.empty(len(places), dtype=np.int64)
        self._call("core_count_lines", text, len(text), _places(places), len(places), lines)
        return lines

    def tags(
        self, text: bytes, starts: Offsets, moves: Offsets, wanted: tuple[str, ...]
    ) -> tuple[Offsets, Offsets]:
        """Where the values of the wanted tags begin and end, both of shape (wanted, n)."""
        names, n = [name.encode("ascii") for name in wanted], len(starts)
        begins, ends = (np.empty(len(names) * n, dtype=np.int64) for _ in range(2))
        sizes = np.array([len(name) for name in names], dtype=np.int32)
        self._call(
            *("core_tags", text, len(text), *_spans(starts, moves), n),
            *(b"".join(names), sizes, len(names), begins, ends),
        )
        return begins.reshape(len(names), n), ends.reshape(len(names), n)

    def codes(self, text: bytes, begins: Offsets, ends: Offsets) -> tuple[Codes, Codes]:
        """A number for each of the stretches, equal for equal ones, and the first row of each number."""
        n = len(begins)
        codes, firsts = (np.empty(n, dtype=np.int32) for _ in range(2))
        table = np.empty(1 << max(2 * n - 1, 1).bit_length(), dtype=np.int32)
        distinct = self._call(
            *("core_codes", text, len(text), *_spans(begins, ends), n),
            *(self._seed, table, len(table), codes, firsts),
        )
        return codes, firsts[:distinct]

    def movetexts(self, text: bytes, begins: Offsets, ends: Offsets) -> MoveTexts:
        """What is seen of the move texts from `begins` to `ends` without following the moves."""
        n, scratch = len(begins), _scratch(begins, ends)
        results, asides, is_empty = (np.empty(n, dtype=np.uint8) for _ in range(3))
        hashes = np.empty(n, dtype=np.uint32)
        self._call(
            *("core_movetexts", text, len(text), *_spans(begins, ends), n),
            *(scratch, len(scratch), results, asides, hashes, is_empty),
        )
        return MoveTexts(results, asides, hashes, is_empty.view(np.bool_))

    def decode(self, text: bytes, begins: Offsets, ends: Offsets, width: int) -> Decoded:
        """The first `width` plies (1 to 255) of the move texts from `begins` to `ends`."""
        n, scratch = len(begins), _scratch(begins, ends)
        # A move takes two letters at least.
        room = int(np.minimum((ends - begins) // 2, width).sum())
        plies, is_illegal = (np.empty(n, dtype=np.uint8) for _ in range(2))
        last_keys = np.empty(n, dtype=np.uint64)
        visits = Visits.room_for(room)
        rows = self._call(
            *("core_decode", text, len(text), *_spans(begins, ends), n, width, scratch, len(scratch)),
            *(plies, is_illegal, last_keys, *visits, room),
        )
        return Decoded(plies, is_illegal.view(np.bool_), last_keys, visits.take(slice(rows)))

    def in_key_order(self, visits: Visits, is_kept: Flags, numbers: npt.NDArray[np.uint32]) -> Visits:
        """The rows of the games that are kept, with the games' numbers, by their keys' leading 32 bits."""
        rows = len(visits.keys)
        assert all(len(column) == rows for column in visits), "columns of visits must be equally long"
        assert len(is_kept) == len(numbers), "each game is kept or not, and has a number"
        ordered = Visits.room_for(rows)
        kept = self._call(
            *("core_order", *visits, rows, is_kept.view(np.uint8), numbers, len(numbers)),
            *(np.empty(2 * rows * _ROW_BYTES, dtype=np.uint8), *ordered),
        )
        return ordered.take(slice(kept))

    def perft(self, fen: str, depth: int) -> int:
        """How many legal lines of so many plies, at least one, begin in a position."""
        return self._call("core_perft", fen.encode("ascii"), len(fen), depth)


def _places(places: Offsets) -> npt.NDArray[np.int64]:
    return np.ascontiguousarray(places, dtype=np.int64)


def _spans(begins: Offsets, ends: Offsets) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    assert len(begins) == len(ends), "each stretch must begin and end"
    return _places(begins), _places(ends)


def _scratch(begins: Offsets, ends: Offsets) -> Bytes:
    return np.empty(int((ends - begins).max(initial=0)), dtype=np.uint8)


@cache
def core() -> Core | None:
    """The core; None: there is none for this machine."""
    try:
        return Core(FOLDER / LIBRARY)
    except OSError:
        return None
