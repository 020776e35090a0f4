"""Files of games made again from their sources, as they were."""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from miner.arrays import Hashes
from miner.errors import Place, StoreError
from miner.means import USUAL, Means
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import LedgerRows, Numbering, Seen, sorted_moves
from miner.pgn.text import values_of
from miner.read.contents import Contents, Forgotten, file_of, make_folders, write_batch
from miner.read.known import unchanged
from miner.read.workers import BatchJob, read_batches
from miner.settings import settings_of
from miner.store import Manifest, Store


def mend(store: Store, damaged: Collection[int], means: Means = USUAL) -> tuple[Manifest, list[str]]:
    """Make the files of some batches again, by their numbers, from the sources whose games they hold.

    Each such source is read whole, once; their names are given, too. Which games are repeated is found by
    the games before them, so that the files become what they were, to the byte under the same versions of
    what writes them.

    Raises SourceError for a source that is missing or changed, before anything is touched, StoreError if a
    file that is needed is damaged, too.
    """
    manifest = store.require("read")
    processes = means.processes or os.cpu_count() or 1
    contents = Contents.of(store, manifest)
    bounds = {number: contents.batches[number] for number in sorted(damaged)}
    concerned = [source for source in contents.sources if contents.touched_by([source]) & bounds.keys()]
    files = [unchanged(source) for source in concerned]
    settings = settings_of({"read": manifest.settings}).read
    forgotten = Forgotten.of(store).identities
    read: list[Path] = []  # the folders that the sources so far were read into
    with store.scratch() as scratch, store.changing() as change:
        make_folders(change.folder)
        for known, source in zip(concerned, files, strict=True):
            folder = scratch / str(len(read))
            make_folders(folder)
            job = BatchJob(settings, store.salt, means.reader, folder, forgotten=forgotten)
            before = _signatures_before(store, known.first_game, bounds, contents, read)
            numbering = Numbering(known.first_game, Seen(before))
            with means.progress.task("reading games", total=source.size_bytes, unit="B") as task:
                outcomes = read_batches(cut_batches([source], task.advance), job, processes, numbering)
                games = sum(outcome.states.total() for outcome in outcomes)
            if games != known.games:
                raise StoreError(
                    f"the source holds {games:,} games now, and held {known.games:,}",
                    where=Place(known.name),
                    advice="read all sources again into a new store",
                )
            read.append(folder)
        digests = dict(contents.digests)
        for number, (first, after) in bounds.items():
            ledger, moves = (
                pa.concat_tables(_rows_in(read, table, first, after)) for table in ("games", "moves")
            )
            rows = LedgerRows(ledger.combine_chunks(), sorted_moves(moves).combine_chunks())
            digests |= write_batch(change.folder, number, rows)
        return change.commit(replace(manifest, digests=digests)), [source.name for source in concerned]


def _signatures_before(
    store: Store, game: int, damaged: Collection[int], contents: Contents, read: Sequence[Path]
) -> Hashes:
    """The signatures of all games before one, from sound files and from what was read again, in order."""
    columns = ["game", "signature"]
    tables = [
        store.read_file(file_of("games", number), columns)
        for number, (first, _) in contents.batches.items()
        if first < game and number not in damaged
    ]
    tables += _rows_in(read, "games", 0, game, columns)
    parts = [values_of(table.filter(pc.field("game") < game)["signature"]) for table in tables]
    found = np.concatenate([np.empty(0, dtype=np.uint64), *parts])
    found.sort()
    return found


def _rows_in(
    folders: Sequence[Path], table: str, first: int, after: int, columns: list[str] | None = None
) -> list[pa.Table]:
    """The rows of a table for the games from `first` up to `after`, of sources that were read again."""
    wanted = (pc.field("game") >= first) & (pc.field("game") < after)
    # File by file, since all rows of a source may be more than memory holds.
    return [
        pq.read_table(file, columns=columns, filters=wanted)
        for folder in folders
        for file in sorted((folder / table).glob("*.parquet"))
    ]
