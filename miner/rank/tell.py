"""What the engine's lines say of a losing reply, in SAN and words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.moves import parse_uci_line, sans_of, unpack_move
from miner.explain import Evidence, explain
from miner.reasons import Pattern, Reason
from miner.settings import RankSettings
from miner.terms import Score, Side

_BEST_LINE_PLIES = 8  # of the best line as it is shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the engine's lines say of a losing reply, in SAN and words."""

    losing_reply: str
    losing_reply_uci: str
    best_move: str
    best_line: tuple[str, ...]
    reason: Reason
    reason_detail: str
    pattern: Pattern | None
    refutation: tuple[str, ...]


def tell(row: Any, settings: RankSettings) -> Told:
    """The explanation of one losing row of `judged`."""
    board = chess.Board(row.fen)
    reply = unpack_move(int(row.move))
    best_line = parse_uci_line(board, row.pv_best)
    reply_line = parse_uci_line(board, row.pv_reply)
    assert reply_line[0] == reply, f"the line {row.pv_reply} does not begin with {reply.uci()}"
    after_answer = board.copy(stack=False)
    for move in reply_line[:2]:
        after_answer.push(move)
    explanation = explain(
        Evidence(
            board=board,
            best_line=best_line,
            reply_line=reply_line,
            best=Score.from_cp(Side.of(board.turn), int(row.cp_best)),
            reply=Score.from_cp(Side.of(board.turn), int(row.cp_reply)),
            retreat=after_answer.parse_uci(row.retreat) if row.retreat else None,
            retreat_loss=None if pd.isna(row.retreat_loss) else float(row.retreat_loss),
        ),
        forced_loss=settings.loss_threshold,
    )
    board_after = board.copy(stack=False)
    board_after.push(reply)
    return Told(
        losing_reply=board.san(reply),
        losing_reply_uci=reply.uci(),
        best_move=board.san(best_line[0]),
        best_line=sans_of(board, best_line[:_BEST_LINE_PLIES]),
        reason=explanation.reason,
        reason_detail=explanation.detail,
        pattern=explanation.pattern,
        refutation=sans_of(board_after, explanation.refutation),
    )
