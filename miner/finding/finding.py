"""What joins a finding to the tables about its losing reply."""

from __future__ import annotations

import chess

from miner.board.moves import pack
from miner.finding.words import Finding

Reply = tuple[int, int]
"""The key of the position before a losing reply, and the reply packed, as the tables know it."""


def reply_of(finding: Finding) -> Reply:
    """The losing reply of a finding."""
    return finding["key"], pack(chess.Move.from_uci(finding["losing_reply_uci"]))
