"""The pattern by which a refutation works."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

import chess

from miner.board.lines import after
from miner.board.settle import VALUES, material_balance, settle, settled_balance
from miner.explain.evidence import Evidence
from miner.explain.forcing import mates_in_one


class Pattern(StrEnum):
    """The tactical pattern of a refutation."""

    DOUBLE_ATTACK = "double attack"
    PIN = "pin"
    SKEWER = "skewer"
    DISCOVERED_ATTACK = "discovered attack"
    TRAPPED_PIECE = "trapped piece"
    REMOVED_DEFENDER = "removed defender"
    OVERLOADED_DEFENDER = "overloaded defender"
    BACK_RANK = "back rank"
    MATING_NET = "mating net"


def find_pattern(evidence: Evidence, refutation: tuple[chess.Move, ...]) -> Pattern | None:
    """The pattern of the earliest move in `refutation` (the moves after the reply) that has one.

    A line that ends in mate is a back-rank mate or, if it takes more than one move, a mating net. Otherwise
    a pattern counts only if it pays: what it attacks is taken later in the line, or when captures settle.
    """
    start = evidence.after_reply(1)
    end = after(start, refutation)
    if end.is_checkmate():
        return _mating_pattern(end, len(refutation))
    if evidence.reply.mate is not None and evidence.reply.mate < 0:
        return Pattern.MATING_NET
    line = (*refutation, *settle(end).line)
    prizes = tuple(_prizes(start, line))
    board = start
    for ply, move in enumerate(line):
        if ply % 2 == 0:
            strike = _Strike.of(board, line, ply, prizes)
            for pattern, shows in _DETECTORS:
                if strike.targets and shows(strike):
                    return pattern
        board = after(board, (move,))
    return None


def _mating_pattern(board: chess.Board, plies: int) -> Pattern | None:
    if is_back_rank_mate(board):
        return Pattern.BACK_RANK
    return Pattern.MATING_NET if plies > 1 else None


def is_back_rank_mate(board: chess.Board) -> bool:
    """Whether a rook or queen mates along the king's back rank, its own men blocking the way out."""
    king = board.king(board.turn)
    if king is None or not board.is_checkmate():
        return False
    rank = 0 if board.turn == chess.WHITE else 7
    along = chess.SquareSet(chess.BB_RANKS[rank])
    front = chess.SquareSet(chess.BB_RANKS[1 if rank == 0 else 6]) & chess.SquareSet(
        chess.BB_KING_ATTACKS[king]
    )
    heavy = board.rooks | board.queens
    return (
        king in along
        and all(square in along and heavy & chess.BB_SQUARES[square] for square in board.checkers())
        and all(board.color_at(square) == board.turn for square in front)
    )


@dataclass(frozen=True, slots=True)
class _Prize:
    """A man that is taken with gain."""

    ply: int  # index of the capture in the line
    squares: tuple[chess.Square, ...]  # where it stands before each move of the line, up to the capture
    value: int


def _prizes(start: chess.Board, line: tuple[chess.Move, ...]) -> Iterator[_Prize]:
    board = start.copy(stack=False)
    boards = [start]
    for ply, move in enumerate(line):
        if ply % 2 == 0 and board.is_capture(move):
            gain = _gain(board, move, line[ply + 1] if ply + 1 < len(line) else None)
            victim = _victim_square(board, move)
            if gain >= 1:
                yield _Prize(
                    ply, _trace_back(line[:ply], victim), VALUES[board.piece_type_at(victim) or chess.PAWN]
                )
        board.push(move)
        boards.append(board.copy(stack=False))


def _gain(board: chess.Board, move: chess.Move, answer: chess.Move | None) -> int:
    victim = board.piece_type_at(_victim_square(board, move)) or chess.PAWN
    retaken = answer is not None and answer.to_square == move.to_square
    attacker = board.piece_type_at(move.from_square) or chess.PAWN
    return VALUES[victim] - (VALUES[attacker] if retaken else 0)


def _victim_square(board: chess.Board, move: chess.Move) -> chess.Square:
    if board.is_en_passant(move):
        return chess.square(chess.square_file(move.to_square), chess.square_rank(move.from_square))
    return move.to_square


def _trace_back(moves: tuple[chess.Move, ...], square: chess.Square) -> tuple[chess.Square, ...]:
    """The squares a man that ends on `square` stood on before each of `moves`, and after the last."""
    path = [square]
    for move in reversed(moves):
        if move.to_square == square:
            square = move.from_square
        path.append(square)
    return tuple(reversed(path))


@dataclass(frozen=True, slots=True)
class _Strike:
    """A punishing move with what comes of it."""

    before: chess.Board
    move: chess.Move
    now: chess.Board  # after the move
    answer: chess.Move | None
    targets: frozenset[chess.Square]  # of the men that are taken with gain later, where they stand now
    takes: chess.Square | None  # where this move itself takes something with gain

    @classmethod
    def of(
        cls, board: chess.Board, line: tuple[chess.Move, ...], ply: int, prizes: tuple[_Prize, ...]
    ) -> _Strike:
        later = [prize for prize in prizes if prize.ply > ply]
        best = max((prize.value for prize in later), default=0)
        return cls(
            before=board,
            move=line[ply],
            now=after(board, (line[ply],)),
            answer=line[ply + 1] if ply + 1 < len(line) else None,
            # Beside a piece that is won, pawns taken on the way are not what the pattern is about.
            targets=frozenset(prize.squares[ply + 1] for prize in later if prize.value >= min(best, 3)),
            takes=next((prize.squares[ply] for prize in prizes if prize.ply == ply), None),
        )

    @property
    def color(self) -> chess.Color:
        """The side that strikes."""
        return self.before.turn

    @property
    def piece(self) -> chess.PieceType:
        """What moves, after a promotion if there is one."""
        return self.now.piece_type_at(self.move.to_square) or chess.PAWN


def _discovered(strike: _Strike) -> bool:
    """A line piece attacks a target or the king through the square that the move has left."""
    wanted = {*strike.targets, strike.now.king(strike.now.turn)}
    for square in _line_pieces(strike.now, strike.color):
        if square == strike.move.to_square:
            continue
        for target in strike.now.attacks(square) - strike.before.attacks(square):
            if target in wanted and strike.move.from_square in chess.SquareSet.between(square, target):
                return True
    return False


def _line_pieces(board: chess.Board, color: chess.Color) -> chess.SquareSet:
    return chess.SquareSet((board.bishops | board.rooks | board.queens) & board.occupied_co[color])


def _pin(strike: _Strike) -> bool:
    """A target is pinned to its king or a better piece, or what seems to defend it is pinned to the king."""
    return any(
        _is_pinned_to_king(strike, target) or _is_pinned_by(strike, target) for target in strike.targets
    )


def _is_pinned_to_king(strike: _Strike, target: chess.Square) -> bool:
    board = strike.now
    if not board.is_pinned(board.turn, target):
        return False
    pinners = board.attackers(strike.color, target) & board.pin(board.turn, target)
    return bool(pinners)


def _is_pinned_by(strike: _Strike, target: chess.Square) -> bool:
    behind = _behind(strike, target)
    if behind is None:
        return False
    return _value(strike.now, behind) > _value(strike.now, target)


def _behind(strike: _Strike, front: chess.Square) -> chess.Square | None:
    """The man of the other side that the moved line piece attacks through `front`."""
    board, square = strike.now, strike.move.to_square
    if square not in _line_pieces(board, strike.color) or front not in board.attacks(square):
        return None
    through = board.copy(stack=False)
    through.remove_piece_at(front)
    ray = chess.SquareSet(chess.ray(square, front))
    for behind in (through.attacks(square) - board.attacks(square)) & ray:
        if board.color_at(behind) == board.turn:
            return behind
    return None


def _value(board: chess.Board, square: chess.Square) -> int:
    kind = board.piece_type_at(square)
    return 100 if kind == chess.KING else VALUES[kind or chess.PAWN]


def _skewer(strike: _Strike) -> bool:
    """The moved line piece attacks a better piece, or the king, and through it the target."""
    for front in strike.now.attacks(strike.move.to_square) & strike.now.occupied_co[strike.now.turn]:
        behind = _behind(strike, front)
        if behind in strike.targets and _value(strike.now, front) > _value(strike.now, behind):
            return True
    return False


def _double_attack(strike: _Strike) -> bool:
    """The moved piece threatens two things at once, one of them a target; mate and check count."""
    board, square = strike.now, strike.move.to_square
    attacked = board.attacks(square) & board.occupied_co[board.turn]
    threatened = {target for target in attacked if _threatens(strike, target)}
    return len(threatened) >= 2 and bool(threatened & strike.targets)


def _threatens(strike: _Strike, target: chess.Square) -> bool:
    board, square = strike.now, strike.move.to_square
    if board.piece_type_at(target) == chess.KING:
        return True
    if board.is_check():
        return not board.attackers(board.turn, target) or _value(board, target) > _value(board, square)
    board = board.copy(stack=False)
    board.push(chess.Move.null())
    capture = board.find_move(square, target) if _can_move(board, square, target) else None
    if capture is None:
        return False
    return settled_balance(after(board, (capture,)), strike.color) > material_balance(board, strike.color)


def _can_move(board: chess.Board, start: chess.Square, to: chess.Square) -> bool:
    return any(board.generate_legal_moves(chess.BB_SQUARES[start], chess.BB_SQUARES[to]))


def _trapped(strike: _Strike) -> bool:
    """A target piece is attacked and loses material wherever it goes."""
    board = strike.now
    if board.is_check():
        return False
    level = material_balance(board, board.turn)
    for target in strike.targets:
        if _value(board, target) < VALUES[chess.KNIGHT] or not board.attackers(strike.color, target):
            continue
        flights = board.generate_legal_moves(chess.BB_SQUARES[target])
        if all(settled_balance(after(board, (flight,)), board.turn) < level for flight in flights):
            return True
    return False


def _overloaded(strike: _Strike) -> bool:
    """The answer draws away the only man that defends a target."""
    if strike.answer is None or not (strike.before.is_capture(strike.move) or strike.now.is_check()):
        return False
    if strike.answer.to_square != strike.move.to_square:
        return False
    return any(
        strike.before.attackers(strike.now.turn, target) == chess.SquareSet([strike.answer.from_square])
        for target in strike.targets
    )


def _removed_defender(strike: _Strike) -> bool:
    """The move takes a man that defends a target and is retaken, or is worth less than the target."""
    if not strike.before.is_capture(strike.move):
        return False
    taken = strike.move.to_square
    for target in strike.targets - {taken}:
        defends = taken in strike.before.attackers(strike.now.turn, target)
        retaken = strike.answer is not None and strike.answer.to_square == taken
        if defends and (retaken or _value(strike.before, taken) < _value(strike.now, target)):
            return True
    return False


def _back_rank(strike: _Strike) -> bool:
    """Whoever retakes is mated on the back rank."""
    if strike.takes is None:
        return False
    board = strike.now
    for retake in board.generate_legal_captures(to_mask=chess.BB_SQUARES[strike.move.to_square]):
        retaken = after(board, (retake,))
        mate = mates_in_one(retaken)
        if mate is not None and is_back_rank_mate(after(retaken, (mate,))):
            return True
    return False


_DETECTORS: tuple[tuple[Pattern, Callable[[_Strike], bool]], ...] = (
    (Pattern.DISCOVERED_ATTACK, _discovered),
    (Pattern.PIN, _pin),
    (Pattern.SKEWER, _skewer),
    (Pattern.DOUBLE_ATTACK, _double_attack),
    (Pattern.TRAPPED_PIECE, _trapped),
    (Pattern.OVERLOADED_DEFENDER, _overloaded),
    (Pattern.REMOVED_DEFENDER, _removed_defender),
    (Pattern.BACK_RANK, _back_rank),
)
