"""Why a losing reply loses: the reason, and how the refutation works, from what the board shows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import chess

from miner.board.settle import VALUES
from miner.finding.finding import Finding
from miner.finding.words import joined, numbered_sans, reason_sentence
from miner.reasons import PATTERNS, REASONS, Pattern

_MOST = 9  # more than any piece but the king is worth


def why(finding: Finding) -> str:
    """One or two sentences: the reason in full, then how it works, as exactly as the board shows it."""
    return joined(reason_sentence(finding), how_sentence(finding))


def how_sentence(finding: Finding) -> str:
    """How the refutation works: by its pattern, with men and squares where they can be named.

    A finding without a pattern gets what its reason means for the game.
    """
    if finding.pattern is None:
        return REASONS[finding.reason].meaning
    say = _EXACT.get(finding.pattern)
    exact = (say(strike) for strike in _strikes(finding)) if say else ()
    return next(filter(None, exact), PATTERNS[finding.pattern].meaning)


@dataclass(frozen=True, slots=True)
class _Strike:
    words: str  # with its number
    move: chess.Move
    before: chess.Board
    now: chess.Board
    taken_later: frozenset[chess.Square]  # where it takes something with one of its next moves


def _strikes(finding: Finding) -> Iterator[_Strike]:
    board = finding.board_after
    boards, moves = [board.copy(stack=False)], []
    for san in finding.refutation:
        moves.append(board.push_san(san))
        boards.append(board.copy(stack=False))
    for at in range(0, len(moves), 2):
        later = range(at + 2, len(moves), 2)
        yield _Strike(
            words=numbered_sans([finding.refutation[at]], finding.ply + 1 + at),
            move=moves[at],
            before=boards[at],
            now=boards[at + 1],
            taken_later=frozenset(moves[i].to_square for i in later if boards[i].is_capture(moves[i])),
        )


def _double_attack(strike: _Strike) -> str:
    board, square = strike.now, strike.move.to_square
    hit = [target for target in board.attacks(square) if _is_hit(board, target, square)]
    if len(hit) < 2 or not strike.taken_later & set(hit):
        return ""
    *first, last = (_man(board, target) for target in sorted(hit, key=lambda target: -_value(board, target)))
    return f"{strike.words} attacks {', '.join(first)} and {last} at the same time."


def _is_hit(board: chess.Board, target: chess.Square, by: chess.Square) -> bool:
    """Whether the man on `target` is the king, undefended, or worth more than what attacks it."""
    if board.color_at(target) != board.turn:
        return False
    value = _value(board, target)
    is_loose = not board.attackers(board.turn, target) and value >= VALUES[chess.KNIGHT]
    return value > _MOST or is_loose or value > _value(board, by)


def _trapped_piece(strike: _Strike) -> str:
    if strike.before.is_capture(strike.move):
        return ""
    for target in strike.now.attacks(strike.move.to_square) & chess.SquareSet(strike.taken_later):
        if strike.now.color_at(target) == strike.now.turn and _value(strike.now, target) >= 3:
            return f"After {strike.words} {_man(strike.now, target)} has no safe square to go to."
    return ""


def _pin(strike: _Strike) -> str:
    board = strike.now
    for target in chess.SquareSet(strike.taken_later) & board.occupied_co[board.turn]:
        if board.is_pinned(board.turn, target):
            return f"After {strike.words} {_man(board, target)} is pinned to the king."
    return ""


def _discovered_attack(strike: _Strike) -> str:
    board = strike.now
    wanted = strike.taken_later | {board.king(board.turn)}
    line_pieces = (board.bishops | board.rooks | board.queens) & board.occupied_co[not board.turn]
    for square in chess.SquareSet(line_pieces & ~chess.BB_SQUARES[strike.move.to_square]):
        for target in board.attacks(square) - strike.before.attacks(square):
            opened = strike.move.from_square in chess.SquareSet.between(square, target)
            if opened and target in wanted and board.color_at(target) == board.turn:
                return f"{strike.words} opens the line of {_man(board, square)} to {_man(board, target)}."
    return ""


def _removed_defender(strike: _Strike) -> str:
    before, taken, errs = strike.before, strike.move.to_square, strike.now.turn
    if before.color_at(taken) != errs:
        return ""
    for target in strike.taken_later - {taken}:
        if before.color_at(target) == errs and taken in before.attackers(errs, target):
            return f"{strike.words} takes {_man(before, taken)}, which defended {_man(before, target)}."
    return ""


_EXACT: Mapping[Pattern, Callable[[_Strike], str]] = {
    Pattern.DISCOVERED_ATTACK: _discovered_attack,
    Pattern.REMOVED_DEFENDER: _removed_defender,
    Pattern.DOUBLE_ATTACK: _double_attack,
    Pattern.TRAPPED_PIECE: _trapped_piece,
    Pattern.PIN: _pin,
}


def _man(board: chess.Board, square: chess.Square) -> str:
    kind = board.piece_type_at(square)
    return f"the {chess.piece_name(kind or chess.PAWN)} on {chess.square_name(square)}"


def _value(board: chess.Board, square: chess.Square) -> int:
    kind = board.piece_type_at(square)
    return _MOST + 1 if kind == chess.KING else VALUES[kind or chess.PAWN]
