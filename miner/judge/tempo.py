"""Whether a developed piece is driven home by force after a reply."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

import chess

from miner.board.homes import goes_home
from miner.board.lines import after, parse_uci_line
from miner.judge.verdicts import Answer, Request, Verdict

MOST_DETOURS = 4
"""Moves that only put off the way home which are set aside before the rest is compared."""


@dataclass(frozen=True, slots=True)
class Retreat:
    """The move home, and what every other way costs the mover in expected score (0 to 1)."""

    move: str  # UCI
    loss: float


def ask_retreat(
    board: chess.Board, reply_pv: tuple[str, ...], nodes: int
) -> Generator[list[Request], list[Answer], Retreat | None]:
    """An inquiry: the move home that is best after the reply and its answer, while every other one is worse.

    A move after which the same piece goes home next all the same is no way out, and is set aside.
    None if there is no such retreat, or an engine could not say.
    """
    board = after(board, parse_uci_line(board, reply_pv[:2]))
    legal = list(board.legal_moves)
    others = [move for move in legal if not goes_home(board, move)]
    if len(reply_pv) < 2 or len(others) == len(legal):
        return None
    [best] = yield [Request.of(board, nodes)]
    if not isinstance(best, Verdict) or not goes_home(board, chess.Move.from_uci(best.move)):
        return None
    piece_from = chess.Move.from_uci(best.move).from_square
    expected_otherwise = 0.0
    for _ in range(MOST_DETOURS + 1):
        if not others:
            break
        [other] = yield [Request.of(board, nodes, tuple(others))]
        if not isinstance(other, Verdict):
            return None
        expected_otherwise = other.score.expected
        if not _is_detour(board, other.pv, piece_from):
            break
        others.remove(chess.Move.from_uci(other.move))
    if not others:  # there is nothing but going home
        expected_otherwise = 0.0
    return Retreat(best.move, max(0.0, best.score.expected - expected_otherwise))


def _is_detour(board: chess.Board, pv: tuple[str, ...], piece_from: chess.Square) -> bool:
    """Whether the piece on `piece_from` goes home with the mover's second move of the line."""
    if len(pv) < 3:
        return False
    home = chess.Move.from_uci(pv[2])
    return home.from_square == piece_from and goes_home(after(board, parse_uci_line(board, pv[:2])), home)
