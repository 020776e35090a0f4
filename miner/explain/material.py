"""Material as the reason why a reply loses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from operator import attrgetter

import chess

from miner.board.moves import after, is_forcing
from miner.board.settle import MATED, VALUES, material_balance, settle, settle_answer, taken_value
from miner.explain.evidence import LONGEST, Evidence, exchange, forcing_plies

_TAKEN_BACK_BY = 7  # plies: the reply, the answer, and three moves of the side that erred
_ELSEWHERE_BY = 5  # the same of lines with other defences
_HOLDS_PLIES = 8  # a gain must still be there four moves of each side later, where the line goes on
_TOO_LITTLE = 1  # pawns, for a line of more than `LONGEST` plies
_ENOUGH = 3  # standings of a line among which one may be passed over
_MOST_OF_IT = 0.6  # of what is won in the end, from which it is told
_TAKEN_LATER = 3  # plies by which a line is shown longer so that what is won is taken in it
_MISSED_PLIES = 4  # of the line after a reply that only misses something


class Cost(StrEnum):
    """In which way a reply costs material; the value is how `detail` begins."""

    WINS = "wins"  # the other side takes it
    MISSES = "misses the win of"  # the reply loses nothing, but lets a gain of its own side go
    LEAVES = "does not win back"  # it lets a gain go where its side has just lost something
    GETS = "does not win all it could: it is short of"  # it wins something, and something better wins more


@dataclass(frozen=True, slots=True)
class MaterialLost:
    """What the reply costs, when the captures have settled, counted from the position before it.

    So whoever counts the men on the diagram and those at the end of the moves shown finds `net`.
    """

    pawns: int  # at least 1: what the reply costs beyond what the best line gives up
    net: Mapping[chess.PieceType, int]  # by piece: what the other side is up (positive) and down (negative)
    line: tuple[chess.Move, ...]  # one of the reply's lines: that with the defence which loses least
    plies: int  # moves of that line until the gain is on the board
    cost: Cost = Cost.WINS
    is_back: bool = False  # whoever erred was ahead by that, or by as much
    is_least: bool = False  # other defences, as good as that, lose more

    @property
    def won(self) -> int:
        """Pawns that the other side is up, as men count for `net`."""
        return sum(VALUES[kind] * count for kind, count in self.net.items())

    @property
    def detail(self) -> str:
        """The reason in words, such as `wins at least a knight for a pawn`, or `wins back a pawn`."""
        back, least = " back" if self.is_back else "", " at least" if self.is_least else ""
        return f"{self.cost}{back}{least} {exchange(self.net)}"


def explain_material(evidence: Evidence) -> MaterialLost | None:
    """Material that the reply costs, at the end of the refutation's forcing part.

    In standard values 1-3-3-5-9, captures settled. What is lost is counted from the position before the
    reply, the reply's own capture included, and along the defence that loses least. It is no reason where
    the best line gives up as much. A reply that loses nothing, or less than the best line wins, may still
    miss that. Where a line goes on, a gain must still be there four moves later: what is taken back soon is
    no gain. Where it stops with a threat, every answer is tried. None for less than a pawn, where the
    captures end in mate, and for a pawn that takes too many moves to show.
    """
    # Counted no later with another defence than in the engine's own: far down its line the winner may let go
    # what it has won, since nobody looked deeper.
    alone = [evidence.along(line) for line in evidence.reply_lines]
    forced = list(map(forcing_plies, alone))
    ends = [_end(each, min(plies, forced[0])) for each, plies in zip(alone, forced, strict=True)]
    end = max(ends, key=_balance)
    is_least = min(ends, key=_balance).balance < end.balance
    standings = _standings(evidence, evidence.best_line, end.forced + _HOLDS_PLIES)
    best = _at_depth(standings, end.forced)
    before = material_balance(evidence.board, evidence.errs)
    least_best = min(best, standings[-1], key=_balance)
    if abs(end.balance) == MATED or least_best.balance == -MATED:
        return None
    lost, costs = before - end.balance, min(before, best.balance) - end.balance
    wins = 0 if least_best.balance == MATED else least_best.balance - before
    missed = min(wins, least_best.balance - end.balance)
    if costs >= 1 and lost >= missed:
        end = _at_first(end, before)
        costs = min(costs, before - end.balance)
        plies, board = _on_the_board(evidence, end)
        if plies > LONGEST and costs <= _TOO_LITTLE:
            return None
        net = _net(evidence.board, board, evidence.errs)
        is_back = before >= lost or was_ahead_by(evidence.board, evidence.errs, net)
        return MaterialLost(costs, net, end.line, plies, is_back=is_back, is_least=is_least)
    if missed < 1:
        return None
    plies = min(_MISSED_PLIES, len(end.line))
    won = _when_won(standings, least_best.balance)
    if won.plies > LONGEST:
        return None  # what is won so late, other moves on the way would not win
    if end.balance > before:
        net = _net(won.board, end.board, evidence.errs)
        return MaterialLost(missed, net, end.line, plies, Cost.GETS)
    net = _net(won.board, evidence.board, evidence.errs)
    cost = Cost.LEAVES if least_best.balance <= 0 else Cost.MISSES
    return MaterialLost(missed, net, end.line, plies, cost)


def wins_by_force(evidence: Evidence) -> bool:
    """Whether the best move takes or checks, and its line is ahead in the end, for two moves at least.

    So it is of a sacrifice that wins more than it gives: the move itself takes little.
    """
    board, best = evidence.board, evidence.best_line[0]
    if not is_forcing(board, best):
        return False
    before = material_balance(board, evidence.errs)
    later = _standings(evidence, evidence.best_line, LONGEST)[1:]
    return len(later) > 1 and all(standing.balance > before for standing in later[-2:])


def given_up(evidence: Evidence) -> str:
    """What the answer takes at once, and nobody takes back with the next moves; empty if there is none.

    So in every line, captures settled, and not in the best line. It may come back later, or be worth it.
    """
    board = evidence.after_reply(1)
    if len(evidence.reply_line) < 2 or not board.is_capture(evidence.reply_line[1]):
        return ""
    before = material_balance(evidence.board, evidence.errs)
    lines = [_standings(evidence, evidence.reply_line, _TAKEN_BACK_BY)]
    lines += [_standings(evidence.along(line), line, _ELSEWHERE_BY) for line in evidence.defences]
    best = _standings(evidence, evidence.best_line, _TAKEN_BACK_BY)
    stays_away = all(standing.balance < before for line in lines for standing in line if standing.plies > 1)
    if not stays_away or any(standing.is_quiet and standing.balance < before for standing in best):
        return ""
    if any(_is_taken_back(evidence.along(line)) for line in evidence.reply_lines):
        return ""
    net = _net(evidence.board, evidence.after_reply(2), evidence.errs)
    return exchange(net) if list(net.values()) == [1] else ""


def _is_taken_back(evidence: Evidence) -> bool:
    """Whether as much is taken back where the answer has taken, so that what falls then is something else."""
    line = evidence.reply_line
    if len(line) < 3 or line[2].to_square != line[1].to_square:
        return False
    before = material_balance(evidence.board, evidence.errs)
    is_over = all(move.to_square != line[1].to_square for move in line[3:4])
    return is_over and material_balance(evidence.after_reply(3), evidence.errs) >= before


def left_undefended(evidence: Evidence) -> str:
    """A man that the reply leaves so that the other side takes it at once and nobody can take back.

    Such as `the pawn on e5`; empty if there is none, or if the best move leaves it so as well. What is won
    in return is not said: whoever told it would have to say more than the board shows.
    """
    board, line = evidence.after_reply(1), evidence.reply_line
    if len(line) < 2 or not board.is_capture(line[1]) or board.is_en_passant(line[1]):
        return ""
    square = line[1].to_square
    piece = board.piece_at(square)
    taken = after(board, line[1:2])
    best = after(evidence.board, evidence.best_line[:1])
    same_after_best = best.piece_at(square) == piece and _can_be_taken_freely(best, square)
    if piece is None or square == line[0].to_square or same_after_best or _can_take(taken, square):
        return ""
    answered = [each[2] for each in evidence.reply_lines if each[1:2] == line[1:2] and len(each) > 2]
    if any(taken_value(taken, move) >= VALUES[piece.piece_type] for move in answered):
        return ""  # as much is taken elsewhere, and whoever counts finds nothing lost
    return f"the {chess.piece_name(piece.piece_type)} on {chess.square_name(square)}"


def _can_be_taken_freely(board: chess.Board, square: chess.Square) -> bool:
    takes = [move for move in board.generate_legal_captures() if move.to_square == square]
    return any(not _can_take(after(board, (move,)), square) for move in takes)


def _can_take(board: chess.Board, square: chess.Square) -> bool:
    return any(move.to_square == square for move in board.generate_legal_captures())


@dataclass(frozen=True, slots=True)
class _Standing:
    plies: int  # moves of the line
    balance: int  # of the side that errs, settled
    board: chess.Board  # where the captures have settled
    is_quiet: bool  # they had settled before, and the line goes on without one


@dataclass(frozen=True, slots=True)
class _End(_Standing):
    """Where a line leads, at its best for the side that errs once the forced moves are over."""

    line: tuple[chess.Move, ...]
    forced: int  # plies
    on_the_way: list[_Standing]


_balance = attrgetter("balance")


def _end(evidence: Evidence, forced: int) -> _End:
    standings = _standings(evidence, evidence.reply_line, forced + _HOLDS_PLIES)
    held = [later for later in standings if later.plies >= forced] or standings[-1:]
    quiet = [later for later in held if later.is_quiet]
    # At its best but once: a single standing may lie in the midst of a combination, the more so a loud one.
    from_best = sorted(quiet if len(quiet) >= _ENOUGH else held, key=_balance, reverse=True)
    at = from_best[1 if len(from_best) >= _ENOUGH else 0]
    return _End(at.plies, at.balance, at.board, at.is_quiet, evidence.reply_line, forced, standings)


def _at_first(end: _End, before: int) -> _End:
    """The end as it is where most of it has been won for good: what falls later, falls for want of care.

    Nobody would play on for long in such a position, and a child is to find what is won on the board shown.
    """
    enough = _MOST_OF_IT * (before - end.balance)
    for place, standing in enumerate(end.on_the_way):
        stays = all(later.balance <= standing.balance for later in end.on_the_way[place:])
        is_there = standing.is_quiet and before - standing.balance >= enough
        if is_there and stays and standing.plies < end.plies:
            return replace(end, plies=standing.plies, balance=standing.balance, board=standing.board)
    return end


def _when_won(standings: list[_Standing], balance: int) -> _Standing:
    """Where the best line has won so much for good: later exchanges would change the names."""
    stays = standings[-1]
    for standing in reversed(standings):
        if standing.balance < balance:
            break
        if standing.balance == balance:
            stays = standing
    return stays


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
            goes_on = any(board.is_capture(following) for following in line[plies : plies + 1])
            is_quiet = not goes_on and balance == material_balance(board, evidence.errs)
            standings.append(_Standing(plies, balance, after(board, settled.line), is_quiet))
    return standings


def _at_depth(standings: list[_Standing], plies: int) -> _Standing:
    """The middle one of three at that depth: a single move may stand in the midst of a combination."""
    near = [later for later in standings if later.plies >= plies][:3] or standings[-1:]
    return sorted(near, key=_balance)[(len(near) - 1) // 2]


def _net(before: chess.Board, later: chess.Board, errs: chess.Color) -> dict[chess.PieceType, int]:
    net = {kind: _surplus(before, errs, kind) - _surplus(later, errs, kind) for kind in VALUES}
    # A bishop for a knight is an even trade in standard values: nobody says it to a pupil.
    for gained, given in ((chess.BISHOP, chess.KNIGHT), (chess.KNIGHT, chess.BISHOP)):
        even = max(0, min(net[gained], -net[given]))
        net[gained] -= even
        net[given] += even
    return {kind: count for kind, count in net.items() if count}


def was_ahead_by(board: chess.Board, errs: chess.Color, net: Mapping[chess.PieceType, int]) -> bool:
    """Whether whoever erred had all that is won more than the other side: it was given up for something.

    Knights and bishops count alike: who has a knight more and a bishop less is not ahead by a piece.
    """
    alike = ((chess.PAWN,), (chess.KNIGHT, chess.BISHOP), (chess.ROOK,), (chess.QUEEN,))
    won = {kinds: sum(max(0, net.get(kind, 0)) for kind in kinds) for kinds in alike}
    return any(won.values()) and all(
        sum(_surplus(board, errs, kind) for kind in kinds) >= count for kinds, count in won.items() if count
    )


def _surplus(board: chess.Board, color: chess.Color, kind: chess.PieceType) -> int:
    return len(board.pieces(kind, color)) - len(board.pieces(kind, not color))


def _on_the_board(evidence: Evidence, end: _End) -> tuple[int, chess.Board]:
    """Moves of the line after which the loss has been taken, not merely threatened; and the board then.

    Where the line stops before that, the captures that are left have been made on the board; where it is
    too long to show until then, they have not, as long as something has been won by then.
    """
    decided = max(
        (standing.plies for standing in end.on_the_way if standing.balance > end.balance), default=1
    )
    board = after(evidence.board, end.line[:decided])
    for plies, move in enumerate(end.line[decided:], decided + 1):
        board.push(move)
        goes_on = any(board.is_capture(following) for following in end.line[plies : plies + 1])
        is_there = material_balance(board, evidence.errs) == end.balance
        is_shown = plies <= max(LONGEST, end.plies + _TAKEN_LATER)
        if is_shown and is_there and not goes_on and not settle(board).line:
            return plies, board
    shown = after(evidence.board, end.line[: end.plies])
    before = material_balance(evidence.board, evidence.errs)
    is_won = end.plies < len(end.line) and material_balance(shown, evidence.errs) < before
    return end.plies, shown if is_won else end.board
