"""New contents of a store in the making: files of games that go or are written anew."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pyarrow as pa

from miner.read.contents import Contents, KnownSource
from miner.read.files import names_of, write_batch
from miner.read.ledger import count_states
from miner.store import FOLDERS, Store, StoreChange


class Revision:
    """What a change of a store's files of games leads to."""

    def __init__(self, store: Store, change: StoreChange, contents: Contents) -> None:
        self._store, self._change, self._before = store, change, contents
        self._batches = dict(contents.batches)
        self._digests = dict(contents.digests)
        self._ledger = Counter(contents.ledger)
        self._moves = contents.moves
        for table in FOLDERS:
            (change.folder / table).mkdir()

    def games(self, number: int, columns: list[str] | None = None) -> pa.Table:
        """The rows of `games` of a file. Raises StoreError if it is missing or damaged."""
        return self._store.read_file(names_of(number)["games"], columns)

    def moves(self, number: int, columns: list[str] | None = None) -> pa.Table:
        """The rows of `moves` of a file. Raises StoreError if it is missing or damaged."""
        return self._store.read_file(names_of(number)["moves"], columns)

    def put(self, number: int, games: pa.Table, moves: pa.Table) -> None:
        """Have a file hold these rows; none: have it go."""
        self._ledger -= count_states(self.games(number, ["state"]))
        self._moves += moves.num_rows - self.moves(number, []).num_rows
        if games.num_rows:
            self._ledger += count_states(games)
            self._digests |= write_batch(self._change.folder, number, games, moves)
            return
        del self._batches[number]
        for name in names_of(number).values():
            del self._digests[name]
            self._change.take_out(name)

    def contents(self, sources: tuple[KnownSource, ...], forgotten: str) -> Contents:
        """What the store holds once the change is committed."""
        return replace(
            self._before,
            sources=sources,
            forgotten=forgotten,
            ledger=self._ledger,
            moves=self._moves,
            batches=self._batches,
            digests=self._digests,
        )
