"""Columns of strings between Python, numpy and Arrow.

Arrays go to Arrow and back by their buffers: Arrow's own ways import pandas, which takes a worker process
longer than a batch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa


@dataclass(frozen=True, slots=True)
class Column:
    """A string for each of `n` games: each distinct value once, and which of them each game has."""

    values: Sequence[str]
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
        if list(other.values) == [""]:
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
