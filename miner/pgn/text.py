"""Lines of a text as arrays of offsets, and columns of strings from them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import accumulate
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.arrays import Flags

Ints = npt.NDArray[np.intp]
_MARK = b"\xef\xbb\xbf"  # of UTF-8


class Lines:
    """The lines of a text with LF line ends.

    A line is a tag (begins with `[`), blank (empty, or one blank, as CRLF leaves it), odd (begins with white
    space, `%` or `;`, or a byte outside ASCII), or plain.
    """

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.buffer = np.frombuffer(text, dtype=np.uint8)
        breaks = np.flatnonzero(self.buffer == ord("\n"))
        is_open = bool(text) and not text.endswith(b"\n")  # the last line has no end
        self.ends: Ints = np.append(breaks, len(text)) if is_open else breaks  # without the line end
        self.starts: Ints = np.zeros(len(self.ends), dtype=np.intp)
        self.starts[1:] = self.ends[:-1] + 1
        self._first = self.buffer[self.starts]

    @cached_property
    def is_tag(self) -> Flags:
        """Which lines begin with `[`."""
        is_tag: Flags = self._first == ord("[")
        return is_tag

    def tag_lines(self) -> tuple[Ints, Ints]:
        """Where the tag lines begin and end, in order, those after a byte-order mark with them."""
        is_tag, begins = self.is_tag.copy(), self.starts.copy()
        for line in np.flatnonzero(self._first == _MARK[0]).tolist():
            if self.text.startswith(_MARK + b"[", begins[line]):
                begins[line] += len(_MARK)
                is_tag[line] = True
        return begins[is_tag], self.ends[is_tag]

    @cached_property
    def is_blank(self) -> Flags:
        """Which lines are empty but for one blank."""
        length = self.ends - self.starts
        is_blank: Flags = (length == 0) | (
            (length == 1) & ((self._first == ord(" ")) | (self._first == ord("\t")))
        )
        return is_blank

    @cached_property
    def is_odd(self) -> Flags:
        """Which lines need a closer look to tell what they are."""
        is_odd = np.zeros(256, dtype=np.bool_)
        is_odd[128:] = True
        is_odd[list(b" \t\v\f%;")] = True
        return is_odd[self._first] & ~self.is_blank

    def eight_bytes(self, at: Ints) -> npt.NDArray[np.uint64]:
        """The eight bytes from each place on, the first lowest; those past the end are 0."""
        padded = (
            self.buffer if not len(at) or at[-1] + 8 <= len(self.buffer) else np.append(self.buffer, [0] * 8)
        )
        padded = np.ascontiguousarray(padded, dtype=np.uint8)
        overlapping = np.ndarray(max(0, len(padded) - 7), dtype="<u8", buffer=padded, strides=(1,))
        return overlapping[at]

    def eight_bytes_to(self, end: Ints) -> npt.NDArray[np.uint64]:
        """The eight bytes before each place, the first lowest; those before the text are 0."""
        padded = (
            np.concatenate([np.zeros(8, dtype=np.uint8), self.buffer]) if (end < 8).any() else self.buffer
        )
        shift = len(padded) - len(self.buffer)
        overlapping = np.ndarray(max(0, len(padded) - 7), dtype="<u8", buffer=padded, strides=(1,))
        return overlapping[end + shift - 8]

    def slices(self, begin: Ints, end: Ints) -> pa.Array:
        """The bytes from each `begin` to its `end`; neither may ever fall."""
        offsets = np.empty(2 * len(begin) + 1, dtype=np.int32)
        offsets[:-1:2], offsets[1::2], offsets[-1] = begin, end, end[-1]
        buffers = [None, pa.py_buffer(offsets), pa.py_buffer(self.text)]
        with_gaps = pa.Array.from_buffers(pa.binary(), 2 * len(begin), buffers)
        return with_gaps.take(numbers(np.arange(0, 2 * len(begin), 2)))


def numbers(values: npt.NDArray[Any], kind: pa.DataType | None = None) -> pa.Array:
    """An Arrow array of whole numbers, of their own type or another that holds them."""
    wanted = np.ascontiguousarray(values, dtype=kind.to_pandas_dtype() if kind else values.dtype)
    own = kind or pa.from_numpy_dtype(wanted.dtype)
    return pa.Array.from_buffers(own, len(wanted), [None, pa.py_buffer(wanted)])


def strings(values: Sequence[str]) -> pa.Array:
    """An Arrow array of strings."""
    return encoded_strings([value.encode("utf-8", "replace") for value in values])


def encoded_strings(values: Sequence[bytes]) -> pa.Array:
    """An Arrow array of strings that are UTF-8 already."""
    ends = np.fromiter(accumulate(map(len, values), initial=0), dtype=np.int32, count=len(values) + 1)
    buffers = [None, pa.py_buffer(ends), pa.py_buffer(b"".join(values))]
    return pa.Array.from_buffers(pa.string(), len(values), buffers)


def few_strings(values: Sequence[str]) -> pa.Array:
    """An Arrow array of strings of which few are distinct."""
    distinct = {value: code for code, value in enumerate(dict.fromkeys(values))}
    codes = np.fromiter(map(distinct.__getitem__, values), dtype=np.int32, count=len(values))
    return repeated(list(distinct), codes)


def repeated(values: Sequence[str], codes: npt.NDArray[Any]) -> pa.Array:
    """An Arrow array of strings of which each is one of a few `values`, the one with its code."""
    return strings(values).take(numbers(codes))


def coded(array: pa.Array) -> tuple[list[bytes], npt.NDArray[np.int32]]:
    """The distinct values of a binary array, and which of them each entry is."""
    pairs = array.dictionary_encode()
    codes = np.frombuffer(pairs.indices.buffers()[1], dtype=np.int32, count=len(array))
    return pairs.dictionary.to_pylist(), codes


def values_of(column: pa.ChunkedArray) -> npt.NDArray[Any]:
    """The values of a column of whole numbers without nulls."""
    dtype = np.dtype(column.type.to_pandas_dtype())
    parts = [
        np.frombuffer(chunk.buffers()[1], dtype)[chunk.offset : chunk.offset + len(chunk)]
        for chunk in column.chunks
        if len(chunk)
    ]
    return np.concatenate(parts) if parts else np.empty(0, dtype)
