"""Games that pupils know already, since they are their own: by the positions that are met in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from miner.arrays import Keys
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import BatchReader, Numbering
from miner.pgn.readers import make_reader
from miner.pgn.sources import check_readable, find_sources
from miner.settings import ReadSettings
from miner.store import Store


def positions_in(store: Store, sources: Sequence[str]) -> Keys:
    """The keys of all positions of the games in some sources, as far as the store keeps its own games.

    Nothing is written. Raises StoreError if nothing was read yet, SourceError if a source is missing, unknown
    or unreadable from its beginning.
    """
    found = find_sources(sources)
    for source in found:
        check_readable(source)
    settings = ReadSettings(plies=store.require("read").settings["plies"])
    reader, numbering = BatchReader(settings, store.salt, make_reader("auto")), Numbering()
    keys = [np.zeros(0, dtype=np.uint64)]
    for batch in cut_batches(found, lambda _: None):
        pending = reader.read(batch)
        keys.append(np.unique(pending.rows(numbering.answer(pending.report)).moves["key"].to_numpy()))
    return np.unique(np.concatenate(keys))
