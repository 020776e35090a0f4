"""Losing replies that nobody has played yet in the store's games, but that are likely by players' habits."""

from __future__ import annotations

import chess
import pandas as pd
import pyarrow as pa

from miner.board.moves import line_san, parse_uci_line
from miner.export.scanned import listed
from miner.finding.finding import is_losing
from miner.schema import LISTED_UNPLAYED
from miner.settings import settings_of
from miner.store import Store

_REFUTATION_PLIES = 6


def unplayed_of(store: Store) -> pa.Table:
    """A row for each such reply and band, those first that should cost most points; see LISTED_UNPLAYED.

    Raises StoreError if nothing was ranked yet.
    """
    judged, replies, foreseen, reach, positions = (
        store.read_table(name).to_pandas() for name in ("judged", "replies", "foreseen", "reach", "positions")
    )
    losing = judged[is_losing(judged, settings_of({"rank": store.require("rank").settings}).rank)]
    played = pd.MultiIndex.from_frame(replies[["key", "move"]])
    losing = losing[~pd.MultiIndex.from_frame(losing[["key", "move"]]).isin(played)]
    rows = losing.merge(foreseen, on=["key", "move"]).merge(reach, on=["key", "band"])
    rows = rows.merge(positions[["key", "path"]], on="key")
    costs = 100.0 * rows["steered_reach"] * rows["pick_rate"] * rows["loss"]
    rows = rows.assign(games=0, costs=costs).sort_values(
        ["costs", "key", "move", "band"], ascending=[False, True, True, True], ignore_index=True
    )
    words = [_words(*row) for row in rows[["fen", "path", "pv_best", "pv_reply"]].itertuples(index=False)]
    told = pd.DataFrame(
        words, columns=["path", "best_move", "losing_reply", "losing_reply_uci", "refutation"]
    )
    return listed(rows.assign(**told), LISTED_UNPLAYED)


def _words(fen: str, path: str, pv_best: list[str], pv_reply: list[str]) -> tuple[str, str, str, str, str]:
    board, start = chess.Board(fen), chess.Board()
    reply, *refutation = parse_uci_line(board, pv_reply[: 1 + _REFUTATION_PLIES])
    san = board.san(reply)
    best = board.san(board.parse_uci(pv_best[0]))
    board.push(reply)
    way = line_san(start, parse_uci_line(start, path.split()))
    return way, best, san, reply.uci(), line_san(board, refutation)
