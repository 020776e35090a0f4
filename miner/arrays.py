"""Types of the arrays that functions pass to each other, and what all of them do with sorted ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Offsets = npt.NDArray[np.intp]
"""Places in a text or an array, as numpy's own searches give them."""
Flags = npt.NDArray[np.bool_]
Strings = npt.NDArray[np.object_]
"""Python's strings."""
Hashes = npt.NDArray[np.uint64]
Keys = npt.NDArray[np.uint64]
"""Polyglot's keys of positions."""
Squares = npt.NDArray[np.uint8]
"""Squares (0 to 63, a1 first), or what stands on each of them."""
Moves = npt.NDArray[np.uint16]
"""Moves as `terms.pack_move` packs them."""


def begins_run(values: npt.NDArray[Any]) -> Flags:
    """Whether each value differs from the one before it; of sorted values these are the first of each.

    >>> begins_run(np.array([3, 3, 5])).tolist()
    [True, False, True]
    """
    is_first: Flags = np.ones(len(values), dtype=np.bool_)
    is_first[1:] = values[1:] != values[:-1]
    return is_first
