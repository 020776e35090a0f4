"""A game that everybody knows, searched by a real engine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess

from miner.board.moves import parse_san_line
from miner.game.choose import annotate
from miner.game.inquiry import GivenGame
from miner.game.notes import Told
from miner.means import Means

OPERA = (
    "e4 e5 Nf3 d6 d4 Bg4 dxe5 Bxf3 Qxf3 dxe5 Bc4 Nf6 Qb3 Qe7 Nc3 c6 Bg5 b5 Nxb5 cxb5 Bxb5+ Nbd7 O-O-O Rd8 "
    "Rxd7 Rxd7 Rd1 Qe6 Bxd7+ Nxd7 Qb8+ Nxb8 Rd8#"
)
"""Black errs with 9...b5, and is mated by a sacrifice of the queen. Paris 1858, from memory."""
NODES = 10_000


def given(sans: str = OPERA, **changes: Any) -> GivenGame:
    """A game in SAN; in OPERA it is 9...b5 that is punished."""
    values: dict[str, Any] = {"number": 7, "reply_ply": 17, "result": "1-0"} | changes
    return GivenGame(moves=tuple(parse_san_line(chess.Board(), sans.split())), **values)


def told_by(engine: Path, cache: Path, game: GivenGame) -> Told:
    """The game as a real engine sees it."""
    means = Means(engine=engine, engines=1, cache=cache)
    [told] = annotate([game], NODES, means, 16)
    return told
