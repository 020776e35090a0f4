"""The two files of a batch: its rows of `games` and its rows of `moves`."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.places import Location
from miner.read.arrays import values_of
from miner.store import FOLDERS, StoreChange, write_parquet

_ROW_GROUP = 1 << 17


def names_of(number: int) -> dict[str, str]:
    """The files of a batch by their table, as paths in the store."""
    return {table: f"{table}/{number:06}.parquet" for table in FOLDERS}


def number_of(file: str) -> int:
    """The batch that a file is of.

    >>> number_of("games/000012.parquet")
    12
    """
    return int(Path(file).stem)


def write_batch(
    root: Location, number: int, games: pa.Table, moves: pa.Table, *, settled: bool = True
) -> dict[str, str]:
    """Write the two files of a batch below `root`; their digests by their paths there.

    Not `settled`: the caller has them settled, see `miner.change.settling`.
    """
    digests = {}
    for name, table in zip(names_of(number).values(), (games, moves), strict=True):
        digests[name] = write_parquet(
            root / name,
            table,
            settled=settled,
            row_group_size=_ROW_GROUP,
        )
    return digests


def signatures_in(change: StoreChange, files: Collection[str], games: int) -> npt.NDArray[np.uint64]:
    """The signatures of all games in a store's files of `games`, 8 bytes a game, in order; 0: not compared.

    They are those of the files as a change has them so far. Raises StoreError if one is missing or damaged.
    """
    found = np.zeros(games, dtype=np.uint64)
    at = 0
    for name in files:
        if name.startswith("games/"):
            signatures = values_of(change.read_file(name, ["signature"])["signature"])
            found[at : at + len(signatures)] = signatures
            at += len(signatures)
    found.sort()
    return found
