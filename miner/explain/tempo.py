"""Lost time as the reason why a reply loses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import chess

from miner.board.moves import after, develops, goes_home, is_developed
from miner.explain.evidence import Evidence

_CHASE_MOVES = 4  # moves of the side that errs, the reply included
_CHASED_AT_LEAST = 3  # of them, by one piece
_DRIVEN_BY = 3  # moves of the side that errs after the reply in which the piece must have left

How = Literal["must go back", "goes back", "is chased", "is driven back", "is driven from", "leaves"]


@dataclass(frozen=True, slots=True)
class TempoLost:
    """A piece that must go home, that is chased from square to square, or that is driven back or off."""

    piece: chess.PieceType
    path: tuple[chess.Square, ...]  # squares it goes through, as far as they are the same with every defence
    plies: int  # moves of the reply's line until it has happened
    how: How
    verified: bool = False  # an engine has found every other move to be worse

    @property
    def detail(self) -> str:
        """The reason in words, such as `the knight must go back from f6 to g8`.

        It must only where an engine has looked at all else: lines show what happens, not that it has to.
        """
        piece, squares = chess.piece_name(self.piece), [chess.square_name(square) for square in self.path]
        if self.how == "is chased":
            return f"the {piece} is chased: {'-'.join(squares)}"
        if self.how == "is driven from":
            return f"the {piece} is driven from {squares[-1]}"
        if self.how == "leaves":
            return f"the {piece} leaves {squares[-1]} again"
        return f"the {piece} {self.how} from {squares[-2]} to {squares[-1]}"


def explain_tempo(evidence: Evidence, *, forced_loss: float = 0.10) -> TempoLost | None:
    """A tempo lost by force.

    Either a retreat that the engine has verified: after the first punishing move a developed piece goes
    home, and every move that takes no piece home costs `forced_loss` of expected score or more. Or what the
    reply's line shows, and every line with another defence: the piece that has made the reply goes home; or
    it makes three of its side's next four moves, hunted each time; or a single hunter drives it off. A
    hunter is a pawn, or a piece that leaves its home. Who takes something on the way has not lost the move.
    """
    return (
        _verified_retreat(evidence, forced_loss)
        or _way_home(evidence)
        or _chase(evidence)
        or _driven(evidence)
    )


def _verified_retreat(evidence: Evidence, forced_loss: float) -> TempoLost | None:
    move, loss = evidence.retreat, evidence.retreat_loss
    if move is None or loss is None or loss < forced_loss or len(evidence.reply_line) < 2:
        return None
    board = evidence.after_reply(2)
    piece = board.piece_type_at(move.from_square)
    if piece is None or not board.is_legal(move) or not goes_home(board, move):
        return None
    # Where the line puts the retreat off by a move or two, it is shown up to there.
    line = evidence.reply_line[: 2 * _CHASE_MOVES - 1]
    plies = line.index(move) + 1 if move in line[2::2] else min(3, len(line))
    return TempoLost(piece, (move.from_square, move.to_square), plies, "must go back", verified=True)


@dataclass(frozen=True, slots=True)
class _Step:
    """A move, after the reply, of the piece that has made it."""

    move: chess.Move
    plies: int  # moves of the line, this one included
    hunted: bool  # the move before brought a new attack on it, by a pawn or a developing piece
    goes_home: bool


def _steps(start: chess.Board, line: tuple[chess.Move, ...]) -> Iterator[_Step]:
    """The steps of the piece that has replied, while it takes nothing and is not taken."""
    board, square = after(start, line[:1]), line[0].to_square
    if not is_developed(board, square) or start.is_capture(line[0]):
        return
    line = line[: 2 * _CHASE_MOVES - 1]
    for plies, (hunting, moving) in enumerate(zip(line[1::2], line[2::2], strict=False), 1):
        if hunting.to_square == square:
            return
        hunted = _attacks_with_tempo(board, hunting, square)
        board.push(hunting)
        if moving.from_square == square:
            if board.is_capture(moving):
                return
            yield _Step(moving, 2 * plies + 1, hunted, goes_home(board, moving))
            square = moving.to_square
        board.push(moving)


def _way_home(evidence: Evidence) -> TempoLost | None:
    ways = [_last_home(evidence.board, line) for line in evidence.reply_lines]
    if _last_home(evidence.board, evidence.best_line):
        return None
    first = ways[0]
    if first is None or any(way is None or way.move != first.move for way in ways):
        return None
    piece = evidence.board.piece_type_at(evidence.reply_line[0].from_square)
    assert piece is not None
    return TempoLost(piece, (first.move.from_square, first.move.to_square), first.plies, "goes back")


def _last_home(start: chess.Board, line: tuple[chess.Move, ...]) -> _Step | None:
    return next((step for step in _steps(start, line) if step.goes_home), None)


def _chase(evidence: Evidence) -> TempoLost | None:
    chases = {_chased(evidence.board, line) for line in evidence.reply_lines}
    piece = evidence.after_reply(1).piece_type_at(evidence.reply_line[0].to_square)
    if len(chases) > 1 or piece is None:
        return None
    [(path, plies)] = chases
    return TempoLost(piece, path, plies, "is chased") if path else None


def _chased(start: chess.Board, line: tuple[chess.Move, ...]) -> tuple[tuple[chess.Square, ...], int]:
    """The squares of a piece that is hunted at each of its steps, and the plies; none if it is not."""
    path = [line[0].from_square, line[0].to_square]
    for step in _steps(start, line):
        path.append(step.move.to_square)
        if not step.hunted:
            break
        if len(path) > _CHASED_AT_LEAST:
            return tuple(path), step.plies
    return (), 0


def _driven(evidence: Evidence) -> TempoLost | None:
    steps = [_driven_off(evidence.board, line) for line in evidence.reply_lines]
    best = _driven_off(evidence.board, evidence.best_line)
    if None in steps:
        return None
    found = [step for step in steps if step is not None]
    first = found[0]
    if best is not None and best.plies <= first.plies:  # no sooner than after the best move
        return None
    piece = evidence.after_reply(1).piece_type_at(first.move.from_square)
    assert piece is not None
    is_hunted = all(step.hunted for step in found)
    same = all(step.move == first.move for step in found)
    if is_hunted and same and _is_back(first.move, evidence.errs):
        return TempoLost(piece, (first.move.from_square, first.move.to_square), first.plies, "is driven back")
    how: How = "is driven from" if is_hunted else "leaves"
    return TempoLost(piece, (first.move.from_square,), first.plies, how)


def _driven_off(start: chess.Board, line: tuple[chess.Move, ...]) -> _Step | None:
    step = next(_steps(start, line), None)
    if step is None or step.plies > 2 * _DRIVEN_BY + 1:
        return None
    is_driven = step.hunted or step.goes_home or _takes_back(start, line, step)
    return step if is_driven else None


def _takes_back(start: chess.Board, line: tuple[chess.Move, ...], step: _Step) -> bool:
    """Whether a piece goes back where it came from, and a pawn has gone forward against it meanwhile.

    After a check, or an attack that was merely met, it has asked a question first.
    """
    if step.move.to_square != line[0].from_square or start.gives_check(line[0]):
        return False
    between = (
        after(start, line[:ply]).piece_type_at(line[ply].from_square) for ply in range(1, step.plies, 2)
    )
    return chess.PAWN in between


def _is_back(move: chess.Move, color: chess.Color) -> bool:
    step = chess.square_rank(move.to_square) - chess.square_rank(move.from_square)
    return step < 0 if color == chess.WHITE else step > 0


def _attacks_with_tempo(board: chess.Board, move: chess.Move, square: chess.Square) -> bool:
    """Whether a pawn move, or a piece that leaves its home, brings a new attack on `square`."""
    if board.piece_type_at(move.from_square) != chess.PAWN and not develops(board, move):
        return False
    attackers = after(board, (move,)).attackers(board.turn, square)
    return bool(attackers - board.attackers(board.turn, square) - chess.SquareSet([move.from_square]))
