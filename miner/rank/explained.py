"""What the engine's lines say of a losing reply, in SAN and words."""

from __future__ import annotations

from typing import Any

import chess
import pandas as pd

from miner.board.moves import after, line_san, parse_uci_line, unpack_move
from miner.explain.evidence import Evidence
from miner.explain.explanation import explain
from miner.settings import RankSettings
from miner.terms import Score, Side

_BEST_LINE_PLIES = 8  # of the best line as it is shown

EXPLAINED = [
    *("losing_reply", "losing_reply_uci", "best_move", "best_line", "refutation"),
    *("reason", "reason_detail", "pattern"),
]
"""Columns of FINDINGS that `explanation` fills."""


def explanation(row: Any, settings: RankSettings) -> tuple[str, ...]:
    """The columns EXPLAINED of a losing row of `judged`."""
    board = chess.Board(row.fen)
    reply = unpack_move(int(row.move))
    best_line = parse_uci_line(board, row.pv_best)
    reply_line = parse_uci_line(board, row.pv_reply)
    assert reply_line[0] == reply, f"the line {row.pv_reply} does not begin with {reply.uci()}"
    evidence = Evidence(
        board=board,
        best_line=best_line,
        reply_line=reply_line,
        best=Score.from_cp(Side.of(board.turn), int(row.cp_best)),
        reply=Score.from_cp(Side.of(board.turn), int(row.cp_reply)),
        retreat=after(board, reply_line[:2]).parse_uci(row.retreat) if row.retreat else None,
        retreat_loss=None if pd.isna(row.retreat_loss) else float(row.retreat_loss),
    )
    found = explain(evidence, forced_loss=settings.loss_threshold)
    return (
        board.san(reply),
        reply.uci(),
        board.san(best_line[0]),
        line_san(board, best_line[:_BEST_LINE_PLIES]),
        line_san(evidence.after_reply(1), found.refutation),
        found.reason,
        found.detail,
        found.pattern or "",
    )
