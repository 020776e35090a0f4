"""Material as the reason why a reply loses."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

import chess

from miner.board.lines import after
from miner.board.settle import MATED, VALUES, Settled, material_balance, settle
from miner.explain.evidence import Evidence
from miner.explain.forcing import forcing_plies
from miner.explain.words import exchange

_HOLDS_PLIES = 4  # a gain must still be there two moves of each side later, where the line goes on


class Cost(StrEnum):
    """In which way a reply costs material; the value is how `detail` begins."""

    WINS = "wins"  # the other side takes it
    MISSES = "misses the win of"  # the reply loses nothing, but lets a gain of its own side go
    LEAVES = "does not win back"  # the same, where that side has just lost something


@dataclass(frozen=True, slots=True)
class MaterialLost:
    """What the reply costs against the best line at the same depth, when the captures have settled."""

    pawns: int  # at least 1
    net: Mapping[chess.PieceType, int]  # by piece: what the other side is up (positive) and down (negative)
    plies: int  # moves of the reply's line until the gain is on the board
    cost: Cost = Cost.WINS

    @property
    def detail(self) -> str:
        """In plain English."""
        return f"{self.cost} {exchange(self.net)}"


def explain_material(evidence: Evidence) -> MaterialLost | None:
    """Material that the reply costs against the best line, at the end of the refutation's forcing part.

    Both lines are taken at the same depth, their captures settled, in standard values 1-3-3-5-9. Where the
    line goes on, the gain must still be there two moves later: what is taken back soon is no gain. At the
    end of a line that stops with a threat, every answer is tried. None for less than a pawn, or for mate.
    """
    forced = forcing_plies(evidence)
    reply = _standings(evidence, evidence.reply_line, forced + _HOLDS_PLIES)
    held = max((one for one in reply if one.plies >= forced), default=reply[-1], key=lambda one: one.balance)
    best = _at_depth(_standings(evidence, evidence.best_line, forced + _HOLDS_PLIES), forced)
    pawns = best.balance - held.balance
    if pawns < 1 or MATED in (abs(best.balance), abs(held.balance)):
        return None
    return MaterialLost(
        pawns=pawns,
        net=_net(best.board, held.board, evidence.errs),
        plies=_on_the_board(evidence, reply, held.balance, forced),
        cost=_cost(evidence, held.balance),
    )


@dataclass(frozen=True, slots=True)
class _Standing:
    plies: int  # moves of the line
    balance: int  # of the side that errs, settled
    board: chess.Board  # where the captures have settled


def _standings(evidence: Evidence, line: tuple[chess.Move, ...], limit: int) -> list[_Standing]:
    """The line's balance each time the other side is to move, and at its end."""
    board = evidence.board.copy(stack=False)
    standings: list[_Standing] = []
    for plies, move in enumerate(line[:limit], 1):
        board.push(move)
        if board.turn != evidence.errs:
            settled = settle(board)
            standings.append(_Standing(plies, -settled.balance, after(board, settled.line)))
        elif plies == len(line):
            settled = _best_answer(board)
            standings.append(_Standing(plies, settled.balance, after(board, settled.line)))
    return standings


def _best_answer(board: chess.Board) -> Settled:
    """What the side to move is left with if it may first make any move, not only a capture."""
    best: Settled | None = None
    for move in board.generate_legal_moves():
        settled = settle(after(board, (move,)))
        if best is None or -settled.balance > best.balance:
            best = Settled(-settled.balance, (move, *settled.line))
    return best or settle(board)


def _at_depth(standings: list[_Standing], plies: int) -> _Standing:
    """The middle one of three at that depth: a single move may stand in the midst of a combination."""
    near = [one for one in standings if one.plies >= plies][:3] or standings[-1:]
    return sorted(near, key=lambda one: one.balance)[(len(near) - 1) // 2]


def _net(best: chess.Board, reply: chess.Board, errs: chess.Color) -> dict[chess.PieceType, int]:
    net = {kind: _surplus(best, errs, kind) - _surplus(reply, errs, kind) for kind in VALUES}
    # A bishop for a knight is an even trade in standard values: nobody says it to a pupil.
    for one, other in ((chess.BISHOP, chess.KNIGHT), (chess.KNIGHT, chess.BISHOP)):
        even = max(0, min(net[one], -net[other]))
        net[one] -= even
        net[other] += even
    return {kind: count for kind, count in net.items() if count}


def _surplus(board: chess.Board, color: chess.Color, kind: chess.PieceType) -> int:
    return len(board.pieces(kind, color)) - len(board.pieces(kind, not color))


def _on_the_board(evidence: Evidence, standings: list[_Standing], balance: int, forced: int) -> int:
    """Moves of the reply's line after which the loss has been taken, not merely threatened."""
    decided = 1
    for one in reversed(standings):
        if one.balance > balance:
            decided = one.plies
            break
    for plies, board in _boards(evidence):
        if plies > decided and material_balance(board, evidence.errs) <= balance:
            return plies
    return max(decided, min(forced, len(evidence.reply_line)))


def _boards(evidence: Evidence) -> Iterator[tuple[int, chess.Board]]:
    board = evidence.board.copy(stack=False)
    for plies, move in enumerate(evidence.reply_line, 1):
        board.push(move)
        yield plies, board


def _cost(evidence: Evidence, balance: int) -> Cost:
    before = material_balance(evidence.board, evidence.errs)
    if balance < before:
        return Cost.WINS
    return Cost.LEAVES if before < 0 else Cost.MISSES
