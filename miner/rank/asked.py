"""The findings of a store as somebody asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import chess
import pyarrow as pa
import pyarrow.compute as pc

from miner.board.moves import pack
from miner.rank.stage import ranked
from miner.settings import Taught, settings_of
from miner.store import Store
from miner.terms import Kind


def asked_findings(
    store: Store, *, side: Taught | None = None, bands: Sequence[str] = (), missed: bool = False
) -> pa.Table:
    """The table of findings, or of missed chances: as they were ranked, or for another side or other bands.

    Raises StoreError if there is none, UsageError for a band that the tally does not have.
    """
    made_with = settings_of({"rank": store.require("rank").settings}).rank
    name = "missed" if missed else "findings"
    wanted = replace(made_with, side=side or made_with.side, bands=tuple(bands) or made_with.bands)
    if wanted == made_with:
        return store.read_table(name)
    if made_with.side == "both" and wanted == replace(made_with, side=wanted.side):
        return seen_by(store.read_table(name), wanted.side)
    return ranked(store, wanted).tables[name]


def seen_by(table: pa.Table, side: Taught) -> pa.Table:
    """Findings that were ranked for both sides, as they are ranked for one: see `with_worth`.

    To rank them again would explain every reply again, which takes seconds.
    """
    is_trap = pc.equal(table["side"], side)
    punish, avoid = (
        (table[name], table[f"{name}_low"]) for name in ("punish_value", "avoid_value")
    )  # each with its lower bound
    points = table["punish_points"], table["punish_points_low"]
    columns = {"kind": pc.if_else(is_trap, str(Kind.TRAP), str(Kind.PITFALL))}
    for bound, as_trap, as_pitfall, trap_points in zip(("", "_low"), punish, avoid, points, strict=True):
        columns |= {
            f"teaching_value{bound}": pc.if_else(is_trap, as_trap, as_pitfall),
            f"points_per_100{bound}": pc.if_else(is_trap, trap_points, as_pitfall),
            f"punish_value{bound}": pc.if_else(is_trap, as_trap, None),
            f"avoid_value{bound}": pc.if_else(is_trap, None, as_pitfall),
        }
    for name, values in columns.items():
        at = table.schema.get_field_index(name)
        table = table.set_column(at, table.field(at), values)
    move = pa.array(
        [pack(chess.Move.from_uci(uci)) for uci in table["losing_reply_uci"].to_pylist()], pa.uint16()
    )
    by = [("teaching_value", "descending"), ("key", "ascending"), ("move", "ascending")]
    return table.take(pc.sort_indices(table.append_column("move", move), by))
