"""The pattern by which a refutation works."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import chess

from miner.board.moves import after, captured_square
from miner.board.settle import VALUES, material_balance, settle, settle_answer, settled_balance
from miner.explain.evidence import Evidence, mates_in_one
from miner.reasons import Pattern

# A pattern that shows only later explains another mistake than the reply. Common practice, no source.
SEARCHED_PLIES = 6  # of the refutation: three moves of the side that punishes


def find_pattern(evidence: Evidence, refutation: tuple[chess.Move, ...]) -> Pattern | None:
    """The pattern of the earliest of the first three punishing moves in `refutation` that has one.

    `refutation` holds the moves after the reply.

    A line that ends in mate is a back-rank mate or, if it takes more than one move, a mating net. Otherwise
    a pattern counts only if it pays: what it attacks is taken later in the line, or when captures settle.
    """
    start = evidence.after_reply(1)
    end = after(start, refutation)
    if is_back_rank_mate(end):
        return Pattern.BACK_RANK
    if end.is_checkmate():
        return Pattern.MATING_NET if len(refutation) > 1 else None
    if evidence.reply.mate is not None and evidence.reply.mate < 0:
        return Pattern.MATING_NET
    line, prizes = refutation, tuple(_prizes(start, refutation))
    if not prizes or end.is_check():  # the line stops short of what it wins: let the captures settle
        settled = settle_answer(end) if end.turn == evidence.errs else settle(end)
        line = (*refutation, *settled.line)
        prizes = tuple(_prizes(start, line))
    for ply in range(0, min(len(line), SEARCHED_PLIES), 2):
        strike = _Strike.of(after(start, line[:ply]), line, ply, prizes)
        for pattern, shows in _DETECTORS:
            if (strike.targets or strike.takes is not None) and shows(strike):
                return pattern
    return None


def is_back_rank_mate(board: chess.Board) -> bool:
    """Whether a rook or queen mates along the king's back rank, its own men blocking the way out."""
    king = board.king(board.turn)
    if king is None or not board.is_checkmate():
        return False
    back, second = (0, 1) if board.turn == chess.WHITE else (7, 6)
    heavy = chess.SquareSet(chess.BB_RANKS[back] & (board.rooks | board.queens))
    front = chess.SquareSet(chess.BB_RANKS[second] & chess.BB_KING_ATTACKS[king])
    blocked = front.issubset(board.occupied_co[board.turn])
    return chess.square_rank(king) == back and board.checkers().issubset(heavy) and blocked


@dataclass(frozen=True, slots=True)
class _Prize:
    """A man that is taken with gain."""

    ply: int  # index of the capture in the line
    squares: tuple[chess.Square, ...]  # where it stands before each move of the line, up to the capture
    value: int


def _prizes(start: chess.Board, line: tuple[chess.Move, ...]) -> Iterator[_Prize]:
    board = start.copy(stack=False)
    for ply, move in enumerate(line):
        if ply % 2 == 0 and board.is_capture(move):
            square = captured_square(board, move)
            victim = VALUES[board.piece_type_at(square) or chess.PAWN]
            attacker = VALUES[board.piece_type_at(move.from_square) or chess.PAWN]
            retaken = any(answer.to_square == move.to_square for answer in line[ply + 1 : ply + 2])
            if victim - (attacker if retaken else 0) >= 1:
                yield _Prize(ply, _trace_back(line[:ply], square), victim)
        board.push(move)


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
    before: chess.Board
    move: chess.Move
    now: chess.Board  # after the move
    next_two: tuple[chess.Move, ...]  # the answer and the next punishing move, as far as the line goes
    targets: frozenset[chess.Square]  # of the men that are taken with gain later, where they stand now
    takes: chess.Square | None  # where this move itself takes something with gain

    @classmethod
    def of(
        cls, board: chess.Board, line: tuple[chess.Move, ...], ply: int, prizes: tuple[_Prize, ...]
    ) -> _Strike:
        later = [prize for prize in prizes if prize.ply > ply]
        best = max((prize.value for prize in prizes if prize.ply >= ply), default=0)
        return cls(
            before=board,
            move=line[ply],
            now=after(board, (line[ply],)),
            next_two=line[ply + 1 : ply + 3],
            # Beside a piece that is won, pawns taken on the way are not what the pattern is about.
            targets=frozenset(prize.squares[ply + 1] for prize in later if prize.value >= min(best, 3)),
            takes=next((prize.squares[ply] for prize in prizes if prize.ply == ply), None),
        )

    @property
    def is_retaken(self) -> bool:
        """Whether the answer goes to the square of this move."""
        return any(answer.to_square == self.move.to_square for answer in self.next_two[:1])


def _discovered(strike: _Strike) -> bool:
    """A line piece attacks a target piece or the king through the square that the move has left."""
    # A developing move opens lines on pawns all the time; nobody calls that a discovered attack.
    pieces = {target for target in strike.targets if _value(strike.now, target) >= VALUES[chess.KNIGHT]}
    wanted = {*pieces, strike.now.king(strike.now.turn)}
    for square in _line_pieces(strike.now, strike.before.turn) - chess.SquareSet([strike.move.to_square]):
        for target in strike.now.attacks(square) - strike.before.attacks(square):
            if target in wanted and strike.move.from_square in chess.SquareSet.between(square, target):
                return True
    return False


def _line_pieces(board: chess.Board, color: chess.Color) -> chess.SquareSet:
    return chess.SquareSet((board.bishops | board.rooks | board.queens) & board.occupied_co[color])


def _pin(strike: _Strike) -> bool:
    """A target is pinned to its king, or a piece by the moved one; or all that defends it is pinned."""
    board = strike.now
    for target in strike.targets:
        is_piece = _value(board, target) >= VALUES[chess.KNIGHT]
        pinned_by_move = is_piece and _is_pinned(board, target, (strike.move.to_square,))
        if pinned_by_move or board.is_pinned(board.turn, target):
            return True
        guards = board.attackers(board.turn, target)
        if guards and all(_is_pinned_away(board, guard, target) for guard in guards):
            return True
    return False


def _is_pinned(board: chess.Board, square: chess.Square, pinners: Iterable[chess.Square]) -> bool:
    """Whether one of `pinners` attacks something better, or the king, through the man on `square`."""
    behind = (_behind(board, pinner, square) for pinner in pinners)
    return any(better is not None and _value(board, better) > _value(board, square) for better in behind)


def _is_pinned_away(board: chess.Board, guard: chess.Square, target: chess.Square) -> bool:
    """Whether the man on `guard` is pinned along a line on which `target` does not lie."""
    line_pieces = _line_pieces(board, not board.turn)
    elsewhere = (pinner for pinner in line_pieces if target not in chess.SquareSet.ray(pinner, guard))
    return board.piece_type_at(guard) != chess.KING and _is_pinned(board, guard, elsewhere)


def _behind(board: chess.Board, square: chess.Square, front: chess.Square) -> chess.Square | None:
    """The man of the side to move that the line piece on `square` attacks through `front`."""
    if square not in _line_pieces(board, not board.turn) or front not in board.attacks(square):
        return None
    through = board.copy(stack=False)
    through.remove_piece_at(front)
    for behind in (through.attacks(square) - board.attacks(square)) & chess.SquareSet.ray(square, front):
        if board.color_at(behind) == board.turn:
            return behind
    return None


def _value(board: chess.Board, square: chess.Square) -> int:
    kind = board.piece_type_at(square)
    return 100 if kind == chess.KING else VALUES[kind or chess.PAWN]


def _skewer(strike: _Strike) -> bool:
    """The moved line piece attacks a better piece, or the king, and through it the target."""
    board, square = strike.now, strike.move.to_square
    for front in board.attacks(square) & board.occupied_co[board.turn]:
        behind = _behind(board, square, front)
        if behind is not None and behind in strike.targets and _value(board, front) > _value(board, behind):
            return True
    return False


def _double_attack(strike: _Strike) -> bool:
    """The move makes two new threats, one of them on a target; mate and check count."""
    threats = _threats_with_check(strike) if strike.now.is_check() else _new_threats(strike)
    return len(threats) >= 2 and bool(threats & strike.targets)


def _threats_with_check(strike: _Strike) -> set[chess.Square]:
    """The king, and what the moved piece attacks that is better than itself or undefended."""
    board, square = strike.now, strike.move.to_square
    attacked = board.attacks(square) & board.occupied_co[board.turn]
    king = chess.SquareSet(board.kings & board.occupied_co[board.turn])
    return set(king) | {
        target
        for target in attacked
        if not board.attackers(board.turn, target) or _value(board, target) > _value(board, square)
    }


def _new_threats(strike: _Strike) -> set[chess.Square]:
    """Squares on which the side could now take with gain or give mate, were it to move again."""
    free = strike.now.copy(stack=False)
    free.push(chess.Move.null())
    threats = _paying_squares(free) - _paying_squares(strike.before)
    mate = mates_in_one(free)
    return threats | ({mate.to_square} if mate is not None else set())


def _paying_squares(board: chess.Board) -> set[chess.Square]:
    level = material_balance(board, board.turn)
    return {
        move.to_square
        for move in board.generate_legal_captures()
        if settled_balance(after(board, (move,)), not board.turn) < -level
    }


def _trapped(strike: _Strike) -> bool:
    """A target piece is newly attacked and is taken wherever it goes, or goes and is taken all the same."""
    board = strike.now
    return any(
        _value(board, target) >= VALUES[chess.KNIGHT]
        and board.attackers(not board.turn, target) - strike.before.attackers(not board.turn, target)
        and not board.is_check()
        and (_flees_in_vain(strike, target) or _has_no_flight(board, target))
        for target in strike.targets
    )


def _flees_in_vain(strike: _Strike, target: chess.Square) -> bool:
    if len(strike.next_two) < 2:
        return False
    board, (flight, then) = strike.now, strike.next_two
    if flight.from_square != target or then.to_square != flight.to_square:
        return False
    if not board.is_capture(flight):
        return True
    # A piece that takes as much as it is worth is exchanged, not caught.
    return _value(board, captured_square(board, flight)) < _value(board, target)


def _has_no_flight(board: chess.Board, target: chess.Square) -> bool:
    level = material_balance(board, board.turn)
    for flight in board.generate_legal_moves(chess.BB_SQUARES[target]):
        settled = settle(after(board, (flight,)))
        taken = any(move.to_square == flight.to_square for move in settled.line[::2])
        if -settled.balance >= level or not taken:
            return False
    return True


def _overloaded(strike: _Strike) -> bool:
    """The answer draws away the only man that defends a target."""
    if not strike.is_retaken or not (strike.before.is_capture(strike.move) or strike.now.is_check()):
        return False
    drawn_away = chess.SquareSet([strike.next_two[0].from_square])
    return any(strike.before.attackers(strike.now.turn, target) == drawn_away for target in strike.targets)


def _removed_defender(strike: _Strike) -> bool:
    """The move takes a man that defends a target and is retaken, or is worth less than the target."""
    if not strike.before.is_capture(strike.move):
        return False
    taken = strike.move.to_square
    for target in strike.targets - {taken}:
        is_less = _value(strike.before, taken) < _value(strike.now, target)
        defends = taken in strike.before.attackers(strike.now.turn, target)
        if defends and (strike.is_retaken or is_less):
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
