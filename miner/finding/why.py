"""Why a losing reply loses: the reason, and how the refutation works, from what the board shows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import chess

from miner.board.settle import VALUES
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.words import capital, joined, numbered_sans, reason_sentence
from miner.reasons import PATTERNS, REASONS, Pattern

_SOON = 4  # plies within which what waits is taken after an in-between move
_MOST = 9  # more than any piece but the king is worth


def why(finding: Finding) -> str:
    """One or two sentences: the reason in full, then how it works, as exactly as the board shows it."""
    return joined(reason_sentence(finding), how_sentence(finding))


def how_sentence(finding: Finding) -> str:
    """How the refutation works: by its pattern, with men and squares where they can be named.

    A mistake without a pattern gets what its reason means for the game.
    """
    if finding.pattern is None:
        return REASONS[finding.reason].meaning
    return exact_sentence(finding) or PATTERNS[finding.pattern].meaning


def exact_sentence(finding: Mistake) -> str:
    """How the refutation works, with men and squares; empty where they cannot be named."""
    say = _EXACT.get(finding.pattern) if finding.pattern else None
    return next(filter(None, map(say, _strikes(finding))), "") if say else ""


@dataclass(frozen=True, slots=True)
class _Strike:
    words: str  # with its number
    move: chess.Move
    before: chess.Board
    now: chess.Board
    waits: chess.Square | None  # where the answer before has taken something, if that is taken back soon
    taken_later: frozenset[chess.Square]  # where it takes something with one of its next moves


def _strikes(finding: Mistake) -> Iterator[_Strike]:
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
            waits=_waits(boards, moves, at),
            taken_later=frozenset(moves[i].to_square for i in later if boards[i].is_capture(moves[i])),
        )


def _waits(boards: list[chess.Board], moves: list[chess.Move], at: int) -> chess.Square | None:
    if at == 0 or not boards[at - 1].is_capture(moves[at - 1]):
        return None
    waits = square = moves[at - 1].to_square
    for later, move in enumerate(moves[at + 1 : at + 1 + _SOON]):
        if later % 2 == 1 and move.to_square == square:
            return waits
        if move.from_square == square:
            square = move.to_square
    return None


def _double_attack(strike: _Strike) -> str:
    board, square = strike.now, strike.move.to_square
    hit = [target for target in board.attacks(square) if _is_hit(board, target, square)]
    if len(hit) < 2 or not strike.taken_later & set(hit):
        return ""
    *first, last = (_man(board, target) for target in sorted(hit, key=lambda target: -_value(board, target)))
    if board.piece_type_at(square) == chess.PAWN:
        return f"{strike.words} forks {', '.join(first)} and {last} with a pawn."
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


def _undefended_piece(strike: _Strike) -> str:
    before, taken = strike.before, strike.move.to_square
    if before.color_at(taken) != strike.now.turn or before.attackers(strike.now.turn, taken):
        return ""
    return f"{strike.words} takes {_man(before, taken)}, which nothing defends."


def _too_few_defenders(strike: _Strike) -> str:
    before, taken, by = strike.before, strike.move.to_square, strike.move.from_square
    if before.color_at(taken) != strike.now.turn:
        return ""
    if _value(before, by) < _value(before, taken):
        return f"{strike.words} takes {_man(before, taken)}, which is worth more than {_man(before, by)}."
    attackers, defenders = (len(before.attackers(side, taken)) for side in (before.turn, strike.now.turn))
    if attackers <= defenders:
        return ""
    counts = f"attacked {_times(attackers)} and defended {_times(defenders)}"
    return f"{strike.words} takes {_man(before, taken)}, which is {counts}."


def _times(count: int) -> str:
    return {0: "by nothing", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _desperado(strike: _Strike) -> str:
    before, here = strike.before, strike.move.from_square
    if not before.is_capture(strike.move) or not before.attackers(strike.now.turn, here):
        return ""
    return (
        f"{capital(_man(before, here))} is attacked: with {strike.words} it takes what it can before it goes."
    )


def _in_between_move(strike: _Strike) -> str:
    if strike.waits is None or strike.move.to_square == strike.waits:
        return ""
    return f"{strike.words} comes first; {_man(strike.before, strike.waits)} is taken after that."


_EXACT: Mapping[str, Callable[[_Strike], str]] = {
    Pattern.DISCOVERED_ATTACK: _discovered_attack,
    Pattern.REMOVED_DEFENDER: _removed_defender,
    Pattern.DOUBLE_ATTACK: _double_attack,
    Pattern.TRAPPED_PIECE: _trapped_piece,
    Pattern.PIN: _pin,
    Pattern.UNDEFENDED_PIECE: _undefended_piece,
    Pattern.TOO_FEW_DEFENDERS: _too_few_defenders,
    Pattern.DESPERADO: _desperado,
    Pattern.IN_BETWEEN_MOVE: _in_between_move,
}


def _man(board: chess.Board, square: chess.Square) -> str:
    kind = board.piece_type_at(square)
    return f"the {chess.piece_name(kind or chess.PAWN)} on {chess.square_name(square)}"


def _value(board: chess.Board, square: chess.Square) -> int:
    kind = board.piece_type_at(square)
    return _MOST + 1 if kind == chess.KING else VALUES[kind or chess.PAWN]
