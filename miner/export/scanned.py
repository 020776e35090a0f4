"""What the scan found as lists for other programs: motifs with their numbers, and single mistakes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import chess
import pandas as pd
import pyarrow as pa

from miner.board.moves import after
from miner.export.lists import csv_of, json_rows, parquet_of
from miner.export.xlsx import xlsx_of
from miner.finding.moment import Moment, moment_of
from miner.finding.motifs import Motifs, clearest, of_node, rows_of
from miner.finding.through import Through
from miner.schema import LISTED_MOMENTS, LISTED_MOTIFS
from miner.store import Store
from miner.terms import ALL_BANDS, Side

TABLE_FORMATS: Mapping[str, Callable[[pa.Table], bytes]] = {
    ".csv": csv_of,
    ".parquet": parquet_of,
    ".json": json_rows,
    ".xlsx": xlsx_of,
}
"""How a file's contents are made from a table, by the file's suffix."""

EXAMPLES = 3
"""Examples of each motif."""


def motifs_of(store: Store) -> pa.Table:
    """The motifs that five players or more fell for, by band, the most frequent first; see LISTED_MOTIFS."""
    store.require("scan")
    moments, motifs = (store.read_table(name).to_pandas() for name in ("moments", "motifs"))
    told = motifs[motifs["recurs"] & (motifs["games"] > 0)].reset_index(drop=True)
    order = told.sort_values(["band", "games", "motif"], ascending=[True, False, True]).index
    told = told.loc[order].reset_index(drop=True)
    examples = [
        " | ".join(map(example_words, rows_of(clearest(of_node(moments, node, node["band"]), EXAMPLES))))
        for node in rows_of(told)
    ]
    names = {"costs": "teaching_value", "costs_low": "teaching_value_low"}
    return listed(told.rename(columns=names).assign(examples=examples), LISTED_MOTIFS)


def listed(rows: pd.DataFrame, columns: pa.Schema) -> pa.Table:
    """The columns of a list, as the schema has them, each with what it is."""
    table = pa.Table.from_pandas(rows[columns.names], columns, preserve_index=False)
    return table.replace_schema_metadata()


def example_words(moment: Mapping[str, Any]) -> str:
    """An example in one line, such as `FEN: g6? Qxe5+`."""
    board = chess.Board(moment["fen"])
    now = after(board, (board.parse_uci(moment["losing_reply_uci"]),))
    return f"{moment['fen']}: {moment['losing_reply']}? {now.san(now.parse_uci(moment['answers'][0]))}"


def moments_of(store: Store) -> pa.Table:
    """Every mistake that the scan found, by game and ply; see LISTED_MOMENTS."""
    store.require("scan")
    moments = store.read_table("moments").to_pandas()
    best, answers = [], []
    for fen, reply, best_move, good in moments[
        ["fen", "losing_reply_uci", "best_move", "answers"]
    ].itertuples(index=False, name=None):
        board = chess.Board(fen)
        best.append(board.san(board.parse_uci(best_move)))
        now = after(board, (board.parse_uci(reply),))
        answers.append(" ".join(now.san(now.parse_uci(uci)) for uci in good))
    names = {"losing_reply": "reply", "losing_reply_uci": "reply_uci"}
    return listed(moments.rename(columns=names).assign(best=best, answers=answers), LISTED_MOMENTS)


def example_moments(store: Store) -> list[Moment]:
    """Every mistake that the scan found, by game and ply, as a value. Raises StoreError without a scan."""
    store.require("scan")
    return [moment_of(row) for row in rows_of(store.read_table("moments").to_pandas())]


def read_through(store: Store, motifs: Motifs, band: str = ALL_BANDS, profits: Side | None = None) -> Through:
    """Which motifs players of a band fall for in the scanned games through each position.

    `profits`: only those that this side may punish.
    Raises StoreError if nothing was scanned yet.
    """
    return Through(motifs, motifs.topics(band), store.read_table("scanned").to_pandas(), profits)
