"""Evidence from moves as they are printed in books."""

from __future__ import annotations

import chess

from miner.explain import Evidence
from miner.terms import Score, Side


def evidence(
    moves: str,
    *,
    reply: str,
    best: str,
    best_cp: int = 0,
    reply_cp: int = -150,
    reply_mate: int | None = None,
    retreat: str = "",
    retreat_loss: float | None = None,
) -> Evidence:
    """Evidence after `moves` from the start position, or in the position of a FEN."""
    board = board_of(moves)
    side = Side.of(board.turn)
    reply_line = san_line(board, reply)
    punished = board.copy()
    for move in reply_line[:2]:
        punished.push(move)
    return Evidence(
        board=board,
        best_line=san_line(board, best),
        reply_line=reply_line,
        best=Score(side, cp=best_cp),
        reply=Score(side, cp=reply_cp) if reply_mate is None else Score(side, mate=reply_mate),
        retreat=punished.parse_san(retreat) if retreat else None,
        retreat_loss=retreat_loss,
    )


def board_of(moves: str) -> chess.Board:
    """The board after SAN moves from the start position, or of a FEN."""
    if "/" in moves:
        return chess.Board(moves)
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board


def san_line(board: chess.Board, line: str) -> tuple[chess.Move, ...]:
    """The moves of a line in SAN."""
    board = board.copy()
    return tuple(board.push_san(san) for san in line.split())
