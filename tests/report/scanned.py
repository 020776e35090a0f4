"""A page with motifs, made of moments that are made up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import chess
import chess.polyglot
import pandas as pd
import pyarrow as pa

from miner.board.moves import pack
from miner.finding.through import Through
from miner.report.contents import Details, contents
from miner.report.motifs import Scanned
from miner.report.opening_map import RepliesByPosition
from miner.report.page import TITLE, page_bytes
from miner.schema import REPLIES
from miner.terms import ALL_BANDS
from tests.finding.moments import HIGH, LOW, known_motifs, moment_row
from tests.report.stores import club_findings, replies_for

QUEEN = "double attack: queen on e5"
FIRST = ("a3", "a4", "b3", "c3", "d3", "g3", "h3", "h4")


def raid_path(game: int) -> str:
    """The way to the mistake of a game."""
    return f"e4 e5 {FIRST[game]} a6 Qh5"


def raid(game: int, **changes: Any) -> dict[str, Any]:
    """A rook falls to Qxe5+, in another position for each game; in most games it was missed."""
    usual: dict[str, Any] = {"game": game, "found": game == 0, "played": "h5e5" if game == 0 else "h5d1"}
    return moment_row(raid_path(game), "g6", "Qxe5+", "Be7 Qxh8", **(usual | changes))


def played_in(paths: Sequence[str]) -> pd.DataFrame:
    """All moves of games, as `scanned_moves` gives them."""
    rows = []
    for game, path in enumerate(paths):
        board = chess.Board()
        for ply, san in enumerate(path.split()):
            key, move = chess.polyglot.zobrist_hash(board), board.push_san(san)
            rows.append({"game": game, "ply": ply, "key": key, "move": pack(move)})
    return pd.DataFrame(rows).astype({"key": "uint64"})


def scanned_raids() -> Scanned:
    """Eight games of the weak band, in each of which a rook falls; and two without a mistake."""
    motifs = known_motifs([*map(raid, range(8))], 10)
    paths = [f"{raid_path(game)} g6 Qd1 d6" for game in range(8)] + ["e4 e5 Nf3 Nc6", "d4 d5 c4 e6"]
    played = played_in(paths)
    return Scanned(motifs, played, Through(motifs, motifs.topics(), played))


def motif_page(folder: Path) -> Path:
    """The page of `club_findings` with the motifs of `scanned_raids`."""
    by_band = club_findings()
    findings = [replace(one, band=ALL_BANDS) for one in by_band]
    page = folder / "motifs.html"
    bands = [LOW, "800-999", "1000-1199", "1200-1399", HIGH]
    replies = RepliesByPosition(pa.Table.from_pylist(list(replies_for(by_band)), REPLIES), bands)
    told = contents(findings, by_band, Details(), replies, bands, MINED, scanned_raids())
    page.write_bytes(page_bytes(TITLE, told))
    return page


MINED = {
    "sources": 1, "games": 10, "ledger": [["kept", 10]], "first": "", "last": "", "stale": False,
    "positions": 10, "engines": ["An Engine 1"], "nodes": 100_000,
}  # fmt: skip
