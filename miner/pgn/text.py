"""Lines of a text as arrays of offsets, and columns of strings between Python, numpy and Arrow.

Arrays go to Arrow and back by their buffers: Arrow's own ways import pandas, which takes a worker process
longer than a batch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.arrays import Flags, Offsets

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # of UTF-8
_IS_ODD = np.isin(np.arange(256), [*b" \t\v\f%;", *range(128, 256)])


class Lines:
    """The lines of a text with LF line ends.

    A line is a tag (begins with `[`), blank (empty, or one blank, as CRLF leaves it), odd (begins with white
    space, `%` or `;`, or a byte outside ASCII, so that only a closer look tells more), or plain.
    """

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.buffer = np.frombuffer(text, dtype=np.uint8)
        breaks = np.flatnonzero(self.buffer == ord("\n"))
        is_open = bool(text) and not text.endswith(b"\n")  # the last line has no end
        self.ends: Offsets = np.append(breaks, len(text)) if is_open else breaks  # without the line end
        self.starts: Offsets = np.zeros(len(self.ends), dtype=np.intp)
        self.starts[1:] = self.ends[:-1] + 1
        self._first = first = self.buffer[self.starts]
        length = self.ends - self.starts
        self.is_tag: Flags = first == ord("[")
        self.is_blank: Flags = (length == 0) | (length == 1) & ((first == ord(" ")) | (first == ord("\t")))
        self.is_odd: Flags = _IS_ODD[first] & ~self.is_blank

    @cached_property
    def brackets(self) -> Offsets:
        """All places of `[`."""
        return np.flatnonzero(self.buffer == ord("["))

    def tag_lines(self) -> Offsets:
        """Where the tag lines begin, in order, those after a byte-order mark with them."""
        is_tag, begins = self.is_tag.copy(), self.starts.copy()
        for line in np.flatnonzero(self._first == _BYTE_ORDER_MARK[0]).tolist():
            if self.text.startswith(_BYTE_ORDER_MARK + b"[", begins[line]):
                begins[line] += len(_BYTE_ORDER_MARK)
                is_tag[line] = True
        return begins[is_tag]

    def eight_bytes(self, at: Offsets) -> npt.NDArray[np.uint64]:
        """The eight bytes from each place on, the first lowest; those outside the text are 0.

        A place may be as much as eight bytes before the text.
        """
        if at.size and (at.min() < 0 or at.max() + 8 > len(self.buffer)):
            edge = np.zeros(8, dtype=np.uint8)
            return _overlapping(np.concatenate([edge, self.buffer, edge]))[at + 8]
        return _overlapping(self.buffer)[at]

    def slices(self, begin: Offsets, end: Offsets) -> pa.Array:
        """The bytes from each `begin` to its `end`; neither may ever fall."""
        offsets = np.empty(2 * len(begin) + 1, dtype=np.int32)
        offsets[:-1:2], offsets[1::2], offsets[-1] = begin, end, end[-1]
        buffers = [None, pa.py_buffer(offsets), pa.py_buffer(self.text)]
        with_gaps = pa.Array.from_buffers(pa.binary(), 2 * len(begin), buffers)
        return with_gaps.take(numbers(np.arange(0, 2 * len(begin), 2)))


def _overlapping(data: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint64]:
    """The eight bytes from every place on, as a view."""
    return np.ndarray(max(0, len(data) - 7), dtype="<u8", buffer=data, strides=(1,))


@dataclass(frozen=True, slots=True)
class Column:
    """A string for each of `n` games: each distinct value once, and which of them each game has."""

    values: list[str]
    codes: npt.NDArray[np.integer[Any]]  # (n,)

    @classmethod
    def of(cls, values: Sequence[str]) -> Column:
        """The column of values of which few are distinct."""
        distinct = {value: code for code, value in enumerate(dict.fromkeys(values))}
        codes = np.fromiter(map(distinct.__getitem__, values), dtype=np.int32, count=len(values))
        return cls(list(distinct), codes)

    def map(self, function: Callable[[str], Any], dtype: Any) -> npt.NDArray[Any]:
        """A function's result for each game, computed once for each distinct value."""
        mapped: npt.NDArray[Any] = np.array([function(value) for value in self.values], dtype=dtype)[
            self.codes
        ]
        return mapped

    def strings(self, function: Callable[[str], str] = str) -> pa.Array:
        """The values, or a function of them, game by game."""
        encoded = [function(value).encode("utf-8", "replace") for value in self.values]
        return encoded_strings(encoded).take(numbers(self.codes))

    def join(self, other: Column, joined: Callable[[str, str], str]) -> Column:
        """Both columns made one by a function of two values."""
        if other.values == [""]:
            return self
        pairs, codes = np.unique(self.codes.astype(np.int64) << 32 | other.codes, return_inverse=True)
        values = [joined(self.values[pair >> 32], other.values[pair & 0xFFFFFFFF]) for pair in pairs.tolist()]
        return Column(values, codes.astype(np.int32))


def encoded_strings(values: Sequence[bytes]) -> pa.Array:
    """An Arrow array of strings that are UTF-8 already."""
    ends = np.fromiter(accumulate(map(len, values), initial=0), dtype=np.int32, count=len(values) + 1)
    buffers = [None, pa.py_buffer(ends), pa.py_buffer(b"".join(values))]
    return pa.Array.from_buffers(pa.string(), len(values), buffers)


def numbers(values: npt.NDArray[Any], kind: pa.DataType | None = None) -> pa.Array:
    """An Arrow array of whole numbers, of their own type or another that holds them."""
    wanted = np.ascontiguousarray(values, dtype=kind.to_pandas_dtype() if kind else values.dtype)
    own = kind or pa.from_numpy_dtype(wanted.dtype)
    return pa.Array.from_buffers(own, len(wanted), [None, pa.py_buffer(wanted)])


def values_of(column: pa.ChunkedArray) -> npt.NDArray[Any]:
    """The values of a column of whole numbers without nulls."""
    dtype = np.dtype(column.type.to_pandas_dtype())
    parts = [
        np.frombuffer(chunk.buffers()[1], dtype)[chunk.offset : chunk.offset + len(chunk)]
        for chunk in column.chunks
        if len(chunk)
    ]
    return np.concatenate(parts) if parts else np.empty(0, dtype)
