"""What joins a finding to the tables."""

from __future__ import annotations

import chess

from miner.board.moves import pack
from miner.finding.finding import reply_of
from tests.export.examples import finding


def test_promotion_is_a_reply_like_any_other() -> None:
    """The move of the tables and that of the findings are the same one."""
    path = "e4 d5 exd5 c6 dxc6 Nf6 cxb7 Nbd7"
    found = finding(path, "bxa8=N", "Qc7", "bxc8=Q Qxc8")

    assert reply_of(found)[1] == pack(chess.Move.from_uci("b7a8n"))
