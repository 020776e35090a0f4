"""The findings of a store, as the commands that show them open them."""

from __future__ import annotations

import pyarrow as pa
import typer

from miner.store import Store


def open_findings(store: Store) -> pa.Table:
    """The table of findings; says so on standard error if an earlier stage has changed since.

    Raises StoreError if there is none.
    """
    store.require("rank")
    if stale := store.out_of_date():
        typer.echo(
            f"miner: these findings are out of date, since `{stale}` has not been run on what there is now; "
            f"`miner run --store {store.root}` makes them new",
            err=True,
        )
    return store.read_table("findings")
