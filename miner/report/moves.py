"""Lines of moves as the page steps through them: SAN to read, UCI to make them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import chess

Line = dict[str, str]
"""`san` and `uci`: the same moves, each space-separated."""


def line_of_sans(board: chess.Board, sans: Iterable[str]) -> Line:
    """A line that is given in SAN and begins at `board`, which stays as it is."""
    board = board.copy(stack=False)
    read, moves = [], []
    for san in sans:
        move = board.push_san(san)
        read.append(san)
        moves.append(move.uci())
    return {"san": " ".join(read), "uci": " ".join(moves)}


def line_of_ucis(board: chess.Board, ucis: Sequence[str]) -> Line:
    """A line that is given in UCI and begins at `board`, which stays as it is."""
    board = board.copy(stack=False)
    sans = [board.san_and_push(board.parse_uci(uci)) for uci in ucis]
    return {"san": " ".join(sans), "uci": " ".join(ucis)}
