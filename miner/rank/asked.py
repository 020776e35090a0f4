"""The findings of a store as somebody asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pyarrow as pa

from miner.rank.stage import ranked
from miner.settings import Taught, settings_of
from miner.store import Store


def asked_findings(
    store: Store, *, side: Taught | None = None, bands: Sequence[str] = (), missed: bool = False
) -> pa.Table:
    """The table of findings, or of missed chances: as they were ranked, or for another side or other bands.

    Raises StoreError if there is none, UsageError for a band that the tally does not have.
    """
    made_with = settings_of({"rank": store.require("rank").settings}).rank
    name = "missed" if missed else "findings"
    wanted = replace(made_with, side=side or made_with.side, bands=tuple(bands) or made_with.bands)
    return store.read_table(name) if wanted == made_with else ranked(store, wanted).tables[name]
