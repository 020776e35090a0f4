"""Files of games made again from their sources, as they were."""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from miner.errors import Place, StoreError
from miner.means import USUAL, Means
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import sorted_moves
from miner.pgn.text import values_of
from miner.read.contents import Contents, KnownSource, names_of, write_batch
from miner.read.forgotten import Forgotten
from miner.read.known import unchanged
from miner.read.numbering import Numbering, Seen
from miner.read.workers import Job, read_batches
from miner.settings import settings_of
from miner.store import FOLDERS, Manifest, Store


@dataclass(frozen=True, slots=True)
class _Again:
    """A source that was read again, into a folder of its own."""

    source: KnownSource
    folder: Path

    def rows(self, table: str, first: int, after: int, columns: list[str] | None = None) -> pa.Table:
        """Its rows of a table for the games from `first` up to `after`."""
        files = sorted((self.folder / table).glob("*.parquet"))
        # File by file, since all rows of a source may be more than memory holds.
        wanted = (pc.field("game") >= first) & (pc.field("game") < after)
        return pa.concat_tables([pq.read_table(file, columns=columns, filters=wanted) for file in files])


def mend(store: Store, damaged: Collection[int], means: Means = USUAL) -> tuple[Manifest, list[str]]:
    """Make the files of some batches again, by their numbers, from the sources whose games they hold.

    Each such source is read whole, once; also told is which these are. Which games are repeated is found by
    the games before them, so that the files become what they were, to the byte under the same versions of
    what writes them.

    Raises SourceError for a source that is missing or changed, before anything is touched, StoreError if a
    file that is needed is damaged, too.
    """
    manifest = store.require("read")
    processes = means.processes or os.cpu_count() or 1
    contents = Contents.of(store, manifest)
    bounds = {number: contents.batches[number] for number in sorted(damaged)}
    concerned = [
        source
        for source in contents.sources
        if any(source.first_game < after and first < source.after for first, after in bounds.values())
    ]
    files = [unchanged(source) for source in concerned]
    settings = settings_of({"read": manifest.settings}).read
    sound = [number for number in contents.batches if number not in bounds]
    read: list[_Again] = []
    with store.scratch() as scratch, store.changing() as change:
        for known, source in zip(concerned, files, strict=True):
            again = _Again(known, scratch / str(len(read)))
            for table in FOLDERS:
                (again.folder / table).mkdir(parents=True)
                (change.folder / table).mkdir(exist_ok=True)
            job = Job(
                settings, store.salt, means.reader, again.folder, forgotten=Forgotten.of(store).identities
            )
            before = _signatures_before(store, known.first_game, sound, contents, read)
            numbering = Numbering(known.first_game, Seen(before))
            with means.progress.task("reading games", total=source.size_bytes, unit="B") as task:
                games = sum(
                    outcome.states.total()
                    for outcome in read_batches(
                        cut_batches([source], task.advance), job, processes, numbering
                    )
                )
            if games != known.games:
                raise StoreError(
                    f"the source holds {games:,} games now, and held {known.games:,}",
                    where=Place(known.name),
                    advice="read all sources again into a new store",
                )
            read.append(again)
        digests = dict(contents.digests)
        for number, (first, after) in bounds.items():
            rows = [
                pa.concat_tables([again.rows(table, first, after) for again in read]) for table in FOLDERS
            ]
            digests |= write_batch(
                change.folder, number, rows[0].combine_chunks(), sorted_moves(rows[1]).combine_chunks()
            )
        return change.commit(replace(manifest, digests=digests)), [source.name for source in concerned]


def _signatures_before(
    store: Store, game: int, sound: Sequence[int], contents: Contents, read: Sequence[_Again]
) -> npt.NDArray[np.uint64]:
    """The signatures of all games before one, from sound files and from what was read again, in order."""
    tables = [
        store.read_file(names_of(number)["games"], ["game", "signature"])
        for number in sound
        if contents.batches[number][0] < game
    ]
    tables += [again.rows("games", 0, game, ["game", "signature"]) for again in read]
    parts = [values_of(one.filter(pc.field("game") < game)["signature"]) for one in tables]
    found = np.concatenate([np.empty(0, dtype=np.uint64), *parts])
    found.sort()
    return found
