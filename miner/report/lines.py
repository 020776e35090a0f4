"""Lines of moves as the page steps through them."""

from __future__ import annotations

from collections.abc import Sequence

import chess

from miner.board.moves import parse_san_line


def line_of(board: chess.Board, sans: Sequence[str]) -> dict[str, str]:
    """A line that begins at a board, as the page steps through it: SAN to read, UCI to make the moves."""
    moves = parse_san_line(board, sans)
    return {"san": " ".join(sans), "uci": " ".join(move.uci() for move in moves)}
