"""Material as the reason why a reply loses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter

import chess

from miner.board.moves import after
from miner.board.settle import MATED, VALUES, material_balance, settle, settle_answer
from miner.explain.evidence import Evidence, exchange, forcing_plies

_HOLDS_PLIES = 4  # a gain must still be there two moves of each side later, where the line goes on


class Cost(StrEnum):
    """In which way a reply costs material; the value is how `detail` begins."""

    WINS = "wins"  # the other side takes it
    MISSES = "misses the win of"  # the reply loses nothing, but lets a gain of its own side go
    LEAVES = "does not win back"  # it lets a gain go where its side has just lost something


@dataclass(frozen=True, slots=True)
class MaterialLost:
    """The cost of the reply against the best line at the same depth, when the captures have settled."""

    pawns: int  # at least 1
    net: Mapping[chess.PieceType, int]  # by piece: what the other side is up (positive) and down (negative)
    plies: int  # moves of the reply's line until the gain is on the board
    cost: Cost = Cost.WINS

    @property
    def detail(self) -> str:
        """The reason in words, such as `wins a knight for a pawn`."""
        return f"{self.cost} {exchange(self.net)}"


def explain_material(evidence: Evidence) -> MaterialLost | None:
    """Material that the reply costs, at the end of the refutation's forcing part.

    It is measured in standard values 1-3-3-5-9, captures settled, against what the side that errs has before
    the reply (with the captures it may make at once) or against the best line at the same depth, whichever
    is less: a pawn that the best line gives up is not lost by the reply. A reply that loses nothing may
    still miss what the best line wins. Where the line goes on, a gain must still be there two moves later:
    what is taken back soon is no gain. Where the line stops with a threat, every answer is tried.
    None for less than a pawn, and where the captures end in mate.
    """
    forced = forcing_plies(evidence)
    line = _standings(evidence, evidence.reply_line, forced + _HOLDS_PLIES)
    reply = max((later for later in line if later.plies >= forced), default=line[-1], key=_balance)
    best = _at_depth(_standings(evidence, evidence.best_line, forced + _HOLDS_PLIES), forced)
    start = _start(evidence)
    had = min(start, best, key=_balance) if reply.balance < start.balance else best
    pawns = had.balance - reply.balance
    if pawns < 1 or MATED in (abs(had.balance), abs(reply.balance)):
        return None
    net = _net(had.board, reply.board, evidence.errs)
    plies = _on_the_board(evidence, line, reply.balance, forced)
    return MaterialLost(pawns, net, plies, _cost(evidence, reply, best))


@dataclass(frozen=True, slots=True)
class _Standing:
    plies: int  # moves of the line
    balance: int  # of the side that errs, settled
    board: chess.Board  # where the captures have settled


_balance = attrgetter("balance")


def _start(evidence: Evidence) -> _Standing:
    board = evidence.board
    settled = settle(board)
    if abs(settled.balance) == MATED:  # mate is no material: what stands on the board counts
        return _Standing(0, material_balance(board, evidence.errs), board)
    return _Standing(0, settled.balance, after(board, settled.line))


def _standings(evidence: Evidence, line: tuple[chess.Move, ...], limit: int) -> list[_Standing]:
    """The line's balance each time the other side is to move, and at its end."""
    board = evidence.board.copy(stack=False)
    standings: list[_Standing] = []
    for plies, move in enumerate(line[:limit], 1):
        board.push(move)
        they_move = board.turn != evidence.errs
        if they_move or plies == len(line):
            settled = settle(board) if they_move else settle_answer(board)
            balance = -settled.balance if they_move else settled.balance
            standings.append(_Standing(plies, balance, after(board, settled.line)))
    return standings


def _at_depth(standings: list[_Standing], plies: int) -> _Standing:
    """The middle one of three at that depth: a single move may stand in the midst of a combination."""
    near = [later for later in standings if later.plies >= plies][:3] or standings[-1:]
    return sorted(near, key=_balance)[(len(near) - 1) // 2]


def _net(best: chess.Board, reply: chess.Board, errs: chess.Color) -> dict[chess.PieceType, int]:
    net = {kind: _surplus(best, errs, kind) - _surplus(reply, errs, kind) for kind in VALUES}
    # A bishop for a knight is an even trade in standard values: nobody says it to a pupil.
    for gained, given in ((chess.BISHOP, chess.KNIGHT), (chess.KNIGHT, chess.BISHOP)):
        even = max(0, min(net[gained], -net[given]))
        net[gained] -= even
        net[given] += even
    return {kind: count for kind, count in net.items() if count}


def _surplus(board: chess.Board, color: chess.Color, kind: chess.PieceType) -> int:
    return len(board.pieces(kind, color)) - len(board.pieces(kind, not color))


def _on_the_board(evidence: Evidence, standings: list[_Standing], balance: int, forced: int) -> int:
    """Moves of the reply's line after which the loss has been taken, not merely threatened."""
    decided = max((standing.plies for standing in standings if standing.balance > balance), default=1)
    board = evidence.after_reply(decided)
    for plies, move in enumerate(evidence.reply_line[decided:], decided + 1):
        board.push(move)
        if material_balance(board, evidence.errs) == balance and not settle(board).line:
            return plies
    return max(decided, min(forced, len(evidence.reply_line)))


def _cost(evidence: Evidence, reply: _Standing, best: _Standing) -> Cost:
    if reply.balance < material_balance(evidence.board, evidence.errs):
        return Cost.WINS
    return Cost.LEAVES if best.balance <= 0 else Cost.MISSES
