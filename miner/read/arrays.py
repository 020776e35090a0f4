"""Arrow arrays from numpy arrays and lists, and back, straight from their buffers.

pyarrow's own conversions import pandas first, if only to know its objects: half a second for each worker.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa


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
