"""The pattern by which a refutation works."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import chess

from miner.board.moves import after, captured_square, is_home
from miner.board.settle import (
    VALUES,
    material_balance,
    settle,
    settle_answer,
    settled_balance,
    taken_value,
)
from miner.explain.evidence import Evidence, mates_in_one
from miner.reasons import Pattern

_SOON = 4  # plies within which what waits is taken after an in-between move
# A pattern that shows only later explains another mistake than the reply. Common practice, no source.
SEARCHED_PLIES = 6  # of the refutation: three moves of the side that punishes
_MORE_THAN_ANY = 100  # pawns, for the king
_PRIZE_PLIES = 6  # after a strike in which it must pay: checks and exchanges may come first


@dataclass(frozen=True, slots=True)
class Strike:
    """A pattern, and the punishing move that has it."""

    pattern: Pattern
    before: chess.Board
    move: chess.Move
    is_far: bool = False  # it pays so late that what the first moves do says more


def find_pattern(evidence: Evidence, refutation: tuple[chess.Move, ...]) -> Pattern | None:
    """The pattern by which a refutation works, if it follows one; see `find_strike`."""
    strike = find_strike(evidence, refutation)
    return strike.pattern if strike else None


def find_strike(evidence: Evidence, refutation: tuple[chess.Move, ...]) -> Strike | None:
    """The earliest of the first three punishing moves in `refutation` that has a pattern which soon pays.

    If there is none, the earliest that has one at all, and it is far.

    `refutation` holds the moves after the reply.

    A line that ends in mate is a back-rank mate, struck by its last move, or, if it takes more than one move,
    a mating net, begun by its first. Otherwise a pattern counts only if it pays: what it attacks is taken
    later in the line, or when captures settle.
    Where a capture could be retaken and the line avoids that, what would happen then counts, too.
    """
    start = evidence.after_reply(1)
    end = after(start, refutation)
    if is_back_rank_mate(end):
        return Strike(Pattern.BACK_RANK, after(start, refutation[:-1]), refutation[-1])
    if end.is_checkmate():
        return Strike(Pattern.MATING_NET, start, refutation[0]) if len(refutation) > 1 else None
    if refutation and evidence.reply.mate is not None and evidence.reply.mate < 0:
        return Strike(Pattern.MATING_NET, start, refutation[0])
    line = _Line.of(evidence, refutation)
    if not line.prizes or end.is_check():  # the line stops short of what it wins: let the captures settle
        settled = settle_answer(end) if end.turn == evidence.errs else settle(end)
        line = _Line.of(evidence, (*refutation, *settled.line))
    # Of a short line nothing is far.
    horizons = (_PRIZE_PLIES, len(line.moves)) if len(line.moves) > _PRIZE_PLIES + 1 else (_PRIZE_PLIES,)
    for within in horizons:
        for ply in range(0, min(len(line.moves), SEARCHED_PLIES), 2):
            strike = _Strike.of(line, ply, within)
            if found := _found(evidence, line, strike, ply):
                return Strike(found, strike.before, strike.move, within > _PRIZE_PLIES)
    return None


def _found(evidence: Evidence, line: _Line, strike: _Strike, ply: int) -> Pattern | None:
    found = _first(_DETECTORS, strike) or _first(_TIMING, strike)
    if found is None and (retaken := _if_retaken(evidence, line, ply)):
        found = _first(_DETECTORS, retaken)
    return found or _first(_PLAIN, strike)


def _first(detectors: _Detectors, strike: _Strike) -> Pattern | None:
    return next((pattern for pattern, shows in detectors if shows(strike)), None)


def _if_retaken(evidence: Evidence, line: _Line, ply: int) -> _Strike | None:
    """The strike as it would go on if its man were retaken by the cheapest; None where the line does so."""
    strike = _Strike.of(line, ply)
    if strike.takes is None or strike.is_retaken:
        return None
    here = chess.BB_SQUARES[strike.move.to_square]
    retakes = sorted(
        strike.now.generate_legal_captures(to_mask=here),
        key=lambda retake: worth_of(strike.now, retake.from_square),
    )
    if not retakes:
        return None
    then = settle(after(strike.now, retakes[:1]))
    if then.balance <= material_balance(strike.before, strike.before.turn):
        return None  # it could be retaken
    return _Strike.of(_Line.of(evidence, (*line.moves[: ply + 1], retakes[0], *then.line)), ply)


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
    takers: tuple[chess.Square, ...]  # where the man that takes it stands, likewise
    value: int
    is_free: bool  # it has taken nothing itself since the diagram


@dataclass(frozen=True, slots=True)
class _Line:
    """The moves after the reply, and what they win."""

    reply: chess.Move
    reply_takes: int  # value of what the reply takes, in pawns
    boards: tuple[chess.Board, ...]  # before each move, and after the last
    moves: tuple[chess.Move, ...]
    prizes: tuple[_Prize, ...]
    before: int  # balance of the side that punishes on the diagram

    @classmethod
    def of(cls, evidence: Evidence, moves: tuple[chess.Move, ...]) -> _Line:
        reply, board = evidence.reply_line[0], evidence.after_reply(1)
        boards = [board.copy(stack=False)]
        for move in moves:
            board.push(move)
            boards.append(board.copy(stack=False))
        takes = taken_value(evidence.board, reply)
        prizes = tuple(_prizes(boards, moves, {reply.to_square: takes}))
        before = material_balance(evidence.board, not evidence.errs)
        return cls(reply, takes, tuple(boards), moves, prizes, before)

    @property
    def balance(self) -> int:
        """Of the side that punishes, at the end, captures settled."""
        return settled_balance(self.boards[-1], self.boards[0].turn)


def _prizes(
    boards: list[chess.Board], moves: tuple[chess.Move, ...], has_taken: dict[chess.Square, int]
) -> Iterator[_Prize]:
    """`has_taken`: the value of what the man on a square has taken since the diagram."""
    for ply, (board, move) in enumerate(zip(boards, moves, strict=False)):
        takes = taken_value(board, move)
        if ply % 2 == 0 and takes:
            square = captured_square(board, move)
            attacker = VALUES[board.piece_type_at(move.from_square) or chess.PAWN]
            retaken = any(answer.to_square == move.to_square for answer in moves[ply + 1 : ply + 2])
            # A piece that has taken as much as it is worth is exchanged, not won by what came before.
            is_sold = has_taken.get(square, 0) >= takes >= VALUES[chess.KNIGHT]
            if not is_sold and takes - (attacker if retaken else 0) >= 1:
                man, taker = _trace_back(moves[:ply], square), _trace_back(moves[:ply], move.from_square)
                yield _Prize(ply, man, taker, takes, not has_taken.get(square))
        # What retakes has only got back what has just been taken there, and is itself not paid for.
        lost = taken_value(boards[ply - 1], moves[ply - 1]) if ply % 2 else 0
        got = takes - lost if lost and moves[ply - 1].to_square == move.to_square else takes
        has_taken[move.to_square] = has_taken.pop(move.from_square, 0) + max(0, got)


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
    answered: chess.Move  # the move of the side that errs before this one
    was_taken: int  # value of what that move took, unless it took back
    rest: tuple[chess.Move, ...]  # of the line, after the move
    pairs: frozenset[tuple[chess.Square, chess.Square]]  # targets, and where stands now what takes each
    falls: frozenset[chess.Square]  # where those are taken
    takes: chess.Square | None  # where this move itself takes something with gain
    takes_most: bool  # that is the point: it is free, nothing better is taken later, and the gain is kept
    balance: int  # of the side that punishes, at the end of the line

    @classmethod
    def of(cls, line: _Line, ply: int, within: int = _PRIZE_PLIES) -> _Strike:
        """The punishing move at `ply`, and what it wins no more than `within` plies later."""
        own = next((prize for prize in line.prizes if prize.ply == ply), None)
        best = max((prize.value for prize in line.prizes if prize.ply >= ply), default=0)
        # Beside a piece that is won, pawns taken on the way are not what the pattern is about.
        counts = min(best, VALUES[chess.KNIGHT])
        later = [prize for prize in line.prizes if 0 < prize.ply - ply <= within and prize.value >= counts]
        balance = line.balance
        return cls(
            before=line.boards[ply],
            move=line.moves[ply],
            now=line.boards[ply + 1],
            answered=line.moves[ply - 1] if ply else line.reply,
            was_taken=_waits(line, ply),
            rest=line.moves[ply + 1 :],
            pairs=frozenset((prize.squares[ply + 1], prize.takers[ply + 1]) for prize in later),
            falls=frozenset(prize.squares[-1] for prize in later),
            takes=own.squares[ply] if own else None,
            takes_most=(
                own is not None
                and own.is_free
                and own.squares[ply] == own.squares[0]  # it is not put there as a shield
                and own.value >= counts
                and balance > line.before
            ),
            balance=balance,
        )

    @property
    def targets(self) -> frozenset[chess.Square]:
        """Squares of the men that are taken with gain later, where they stand now."""
        return frozenset(target for target, _ in self.pairs)

    @property
    def next_two(self) -> tuple[chess.Move, ...]:
        """The answer and the next punishing move, as far as the line goes."""
        return self.rest[:2]

    @property
    def is_retaken(self) -> bool:
        """Whether the answer goes to the square of this move."""
        return any(answer.to_square == self.move.to_square for answer in self.next_two[:1])


def _waits(line: _Line, ply: int) -> int:
    """The value of what the move before that at `ply` took; what it took back has ended an exchange."""
    if not ply:
        return line.reply_takes
    takes_back = ply > 1 and line.moves[ply - 2].to_square == line.moves[ply - 1].to_square
    return 0 if takes_back else taken_value(line.boards[ply - 1], line.moves[ply - 1])


def _discovered(strike: _Strike) -> bool:
    """A line piece attacks the king, or a piece that it takes, through the square that the move has left."""
    king = strike.now.king(strike.now.turn)
    for square in line_pieces(strike.now, strike.before.turn) - chess.SquareSet([strike.move.to_square]):
        for target in strike.now.attacks(square) - strike.before.attacks(square):
            # A developing move opens lines on pawns all the time; nobody calls that a discovered attack.
            # A dearer piece that flees, and then falls to another man, has fled from it.
            worth = worth_of(strike.now, target)
            is_dearer = target in strike.targets and worth > worth_of(strike.now, square)
            is_taken = (target, square) in strike.pairs or is_dearer
            wins = is_taken and worth >= VALUES[chess.KNIGHT]
            is_won = wins or (target == king and bool(strike.pairs))
            if is_won and strike.move.from_square in chess.SquareSet.between(square, target):
                return True
    return False


def line_pieces(board: chess.Board, color: chess.Color) -> chess.SquareSet:
    """The squares of the bishops, rooks and queens of a side."""
    return chess.SquareSet((board.bishops | board.rooks | board.queens) & board.occupied_co[color])


def _pin(strike: _Strike) -> bool:
    """A target is pinned to its king, or by the moved piece; or all that defends it is pinned.

    A pawn that is a target itself could not have run away anyhow.
    """
    board = strike.now
    for target in strike.targets:
        if worth_of(board, target) >= VALUES[chess.KNIGHT]:
            pinned_by_move = not strike.is_retaken and is_pinned(board, target, (strike.move.to_square,))
            is_held = board.is_pinned(board.turn, target) and _bears_on(strike, target)
            if pinned_by_move or is_held or _hits_pinned(strike, target):
                return True
        guards = board.attackers(board.turn, target)
        if guards and all(is_pinned_away(board, guard, target) for guard in guards):
            return True
    return False


def _bears_on(strike: _Strike, target: chess.Square) -> bool:
    """Whether the move has to do with a pin: it pins the man, or attacks it."""
    is_new = not strike.before.is_pinned(strike.now.turn, target)
    return is_new or target in strike.now.attacks(strike.move.to_square)


def _hits_pinned(strike: _Strike, target: chess.Square) -> bool:
    """Whether the moved man newly attacks a dearer one that another holds before something better."""
    board, hunter = strike.now, strike.move.to_square
    is_new = target in board.attacks(hunter) and target not in strike.before.attacks(strike.move.from_square)
    pinners = line_pieces(board, strike.before.turn) - chess.SquareSet([hunter])
    is_cheaper = worth_of(board, hunter) < worth_of(board, target)
    return is_new and is_cheaper and not strike.is_retaken and is_pinned(board, target, pinners)


def is_pinned(board: chess.Board, square: chess.Square, pinners: Iterable[chess.Square]) -> bool:
    """Whether one of `pinners` attacks something better, or the king, through the man on `square`.

    What is guarded, and worth no more than the pinner, would only be exchanged.
    """
    for pinner in pinners:
        better = man_behind(board, pinner, square)
        if better is None or worth_of(board, better) <= worth_of(board, square):
            continue
        if worth_of(board, better) > worth_of(board, pinner) or not board.attackers(board.turn, better):
            return True
    return False


def is_pinned_away(board: chess.Board, guard: chess.Square, target: chess.Square) -> bool:
    """Whether the man on `guard` is pinned along a line on which `target` does not lie."""
    pinners = line_pieces(board, not board.turn)
    elsewhere = (pinner for pinner in pinners if target not in chess.SquareSet.ray(pinner, guard))
    return board.piece_type_at(guard) != chess.KING and is_pinned(board, guard, elsewhere)


def if_taken_back(before: chess.Board, capture: chess.Move) -> Pattern | None:
    """The fork or the pin by which a capture pays, whatever takes back: the guards only seem to guard."""
    level, found = material_balance(before, before.turn), None
    now = after(before, (capture,))
    for retake in now.generate_legal_captures(to_mask=chess.BB_SQUARES[capture.to_square]):
        free = after(now, (retake,))
        tricks = ((_trick(free, move, retake.to_square), move) for move in free.legal_moves)
        wins = (
            trick for trick, move in tricks if trick and -settle_answer(after(free, (move,))).balance > level
        )
        if (found := next(wins, None)) is None:
            return None
    return found


def _trick(board: chess.Board, move: chess.Move, target: chess.Square) -> Pattern | None:
    """Whether a quiet move forks with check, or pins the man on `target`."""
    now = after(board, (move,))
    if board.is_capture(move):
        return None
    if now.is_check() and len(now.attacks(move.to_square) & now.occupied_co[now.turn] & ~now.pawns) > 1:
        return Pattern.DOUBLE_ATTACK
    return Pattern.PIN if is_pinned(now, target, (move.to_square,)) else None


def man_behind(board: chess.Board, square: chess.Square, front: chess.Square) -> chess.Square | None:
    """The man of the side to move that the line piece on `square` attacks through `front`."""
    if square not in line_pieces(board, not board.turn) or front not in board.attacks(square):
        return None
    through = board.copy(stack=False)
    through.remove_piece_at(front)
    for behind in (through.attacks(square) - board.attacks(square)) & chess.SquareSet.ray(square, front):
        if board.color_at(behind) == board.turn:
            return behind
    return None


def worth_of(board: chess.Board, square: chess.Square) -> int:
    """What the man on a square is worth, in pawns, the king more than all else."""
    kind = board.piece_type_at(square)
    return _MORE_THAN_ANY if kind == chess.KING else VALUES[kind or chess.PAWN]


def _skewer(strike: _Strike) -> bool:
    """The moved line piece attacks a better piece, or the king, and through it a target piece."""
    board, square = strike.now, strike.move.to_square
    if strike.is_retaken:
        return False
    for front in board.attacks(square) & board.occupied_co[board.turn]:
        behind = man_behind(board, square, front)
        if behind is None or behind not in strike.targets:
            continue
        if worth_of(board, front) > worth_of(board, behind) >= VALUES[chess.KNIGHT]:
            return True
    return False


def _double_attack(strike: _Strike) -> bool:
    """The move makes two new threats, one of them on a target; mate and check count.

    A man that a pawn retakes threatens nothing any more; a piece that it threatens may sell itself for it.
    """
    if not strike.targets:
        return False
    if strike.is_retaken and strike.now.piece_type_at(strike.next_two[0].from_square) == chess.PAWN:
        return False
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
        if not board.attackers(board.turn, target) or worth_of(board, target) > worth_of(board, square)
    }


def _new_threats(strike: _Strike) -> set[chess.Square]:
    """Squares on which the side could now take with gain or give mate, were it to move again."""
    free = strike.now.copy(stack=False)
    free.push(chess.Move.null())
    pays = _paying_squares(free) - _paying_squares(strike.before)
    threats = {square for square in pays if _attacks_anew(strike, square)}
    mate = mates_in_one(free)
    return threats | ({mate.to_square} if mate is not None else set())


def _attacks_anew(strike: _Strike, target: chess.Square) -> bool:
    """Whether the man that has moved attacks a square, or another whose line it has opened.

    What could be taken all along, and pays only now that a guard is chased or a pin is shaken off, is another
    move's work.
    """
    attackers = strike.now.attackers(strike.before.turn, target)
    opened = attackers - strike.before.attackers(strike.before.turn, target)
    return strike.move.to_square in attackers or bool(opened)


def _paying_squares(board: chess.Board) -> set[chess.Square]:
    level = material_balance(board, board.turn)
    return {
        move.to_square
        for move in board.generate_legal_captures()
        if settled_balance(after(board, (move,)), not board.turn) < -level
    }


def _trapped(strike: _Strike) -> bool:
    """A target piece is newly attacked and is taken wherever it goes, or goes and is taken all the same.

    A pawn that attacks another piece as well has forked them: neither would be lost alone.
    """
    if is_pawn_fork(strike.now, strike.move.to_square):
        return False
    return _catches(strike, [target for target in strike.targets if not is_rook_at_home(strike.now, target)])


def _trapped_at_home(strike: _Strike) -> bool:
    """The same of a rook in its corner, where it is the only thing that is attacked."""
    return _catches(strike, [target for target in strike.targets if is_rook_at_home(strike.now, target)])


def is_rook_at_home(board: chess.Board, square: chess.Square) -> bool:
    """Whether a rook stands where it has stood from the start: nobody has shut it in."""
    man = board.piece_at(square)
    return man is not None and man.piece_type == chess.ROOK and is_home(man, square)


def _catches(strike: _Strike, targets: Iterable[chess.Square]) -> bool:
    board = strike.now
    return any(
        worth_of(board, target) >= VALUES[chess.KNIGHT]
        and board.attackers(not board.turn, target) - strike.before.attackers(not board.turn, target)
        and not board.is_check()
        and (_flees_in_vain(strike, target) or has_no_flight(board, target))
        for target in targets
    )


def _flees_in_vain(strike: _Strike, target: chess.Square) -> bool:
    if len(strike.next_two) < 2:
        return False
    board, (flight, then) = strike.now, strike.next_two
    if flight.from_square != target or then.to_square != flight.to_square:
        return False
    if not board.is_capture(flight):
        return True
    # A piece that takes as much as it is worth is exchanged, not caught; and where two are attacked, the one
    # that sells itself may have had squares.
    is_less = worth_of(board, captured_square(board, flight)) < worth_of(board, target)
    return is_less and not _double_attack(strike)


def swap_gain(before: chess.Board, capture: chess.Move) -> int:
    """Pawns that a capture wins if nobody does anything but take back on its square, the cheapest first."""
    takes = taken_value(before, capture)
    now = after(before, (capture,))
    retakes = now.generate_legal_captures(to_mask=chess.BB_SQUARES[capture.to_square])
    cheapest = min(retakes, key=lambda move: (worth_of(now, move.from_square), move.uci()), default=None)
    return takes - (max(0, swap_gain(now, cheapest)) if cheapest else 0)


def has_no_flight(board: chess.Board, target: chess.Square) -> bool:
    """Whether a man of the side to move is taken with gain wherever it goes; one that is pinned is held."""
    if board.is_pinned(board.turn, target):
        return False
    level = material_balance(board, board.turn)
    for flight in board.generate_legal_moves(chess.BB_SQUARES[target]):
        settled = settle(after(board, (flight,)))
        taken = any(move.to_square == flight.to_square for move in settled.line[::2])
        if -settled.balance >= level or not taken or _may_be_traded(board, flight):
            return False
    return True


def _may_be_traded(board: chess.Board, flight: chess.Move) -> bool:
    """Whether whatever takes a man where it goes is itself taken for as much: it is not lost, then."""
    here = chess.BB_SQUARES[flight.to_square]
    now = after(board, (flight,))
    gains = [swap_gain(now, take) for take in now.generate_legal_captures(to_mask=here)]
    return max(gains, default=0) <= taken_value(board, flight)


def is_pawn_fork(board: chess.Board, square: chess.Square) -> bool:
    """Whether a pawn that has just moved to `square` attacks two pieces; the king counts."""
    if board.piece_type_at(square) != chess.PAWN:
        return False
    forked = board.attacks(square) & board.occupied_co[board.turn] & ~board.pawns
    return len(forked) > 1


def _overloaded(strike: _Strike) -> bool:
    """The answer draws away the only man that defends a target, which is taken at once."""
    if not strike.is_retaken or not (strike.before.is_capture(strike.move) or strike.now.is_check()):
        return False
    drawn_away = chess.SquareSet([strike.next_two[0].from_square])
    taken = {move.to_square for move in strike.next_two[1:]}
    # What a fork wins only after that is the fork's.
    return any(
        strike.before.attackers(strike.now.turn, target) == drawn_away for target in strike.targets & taken
    )


def _removed_defender(strike: _Strike) -> bool:
    """The move takes a man that defends a target and is retaken, or is worth less than the target."""
    if not strike.before.is_capture(strike.move):
        return False
    taken = strike.move.to_square
    stands = {square for square in strike.falls if strike.before.color_at(square) == strike.now.turn}
    for target in (strike.targets | stands) - {taken}:
        is_less = worth_of(strike.before, taken) < worth_of(strike.now, target)
        defends = taken in strike.before.attackers(strike.now.turn, target)
        if defends and (_leaves_alone(strike, target) if strike.is_retaken else is_less):
            return True
    return False


def _leaves_alone(strike: _Strike, target: chess.Square) -> bool:
    """Whether what retakes is not the target itself, and does not defend it from there."""
    retakes = strike.next_two[0]
    then = after(strike.now, (retakes,))
    return retakes.from_square != target and target not in then.attacks(retakes.to_square)


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


def _in_between(strike: _Strike) -> bool:
    """Something waits to be retaken; a check or another capture first brings more, and then it is taken."""
    here = strike.answered.to_square
    waits = worth_of(strike.before, here) >= VALUES[chess.KNIGHT]
    is_forcing = strike.now.is_check() or strike.before.is_capture(strike.move)
    if not strike.was_taken or not waits or strike.move.to_square == here or not is_forcing:
        return False
    at_once = [
        -settle(after(strike.before, (retake,))).balance
        for retake in strike.before.generate_legal_captures(to_mask=chess.BB_SQUARES[here])
    ]
    if not at_once or max(at_once) >= strike.balance:
        return False
    for ply, move in enumerate(strike.rest[:_SOON]):
        if ply % 2 == 1 and move.to_square == here:
            return True
        if move.from_square == here:
            here = move.to_square
    return False


def _desperado(strike: _Strike) -> bool:
    """A piece that is lost where it stands takes something first, though it is retaken."""
    before, here = strike.before, strike.move.from_square
    if not before.is_capture(strike.move) or not strike.is_retaken or before.is_check():
        return False
    is_piece = VALUES[before.piece_type_at(here) or chess.PAWN] >= VALUES[chess.KNIGHT]
    pays = worth_of(before, here) <= worth_of(before, captured_square(before, strike.move))
    level = material_balance(before, before.turn)
    if not is_piece or pays or strike.balance <= level:
        return False
    if any(worth_of(strike.now, target) > worth_of(before, here) for target in strike.targets):
        return False  # it is given up for something better, whatever attacks it
    attackers = before.attackers(not before.turn, here)
    is_cheaper = any(worth_of(before, attacker) < worth_of(before, here) for attacker in attackers)
    is_lost = bool(attackers) and (is_cheaper or not before.attackers(before.turn, here))
    return is_lost and not _has_refuge(before, here)


def _has_refuge(board: chess.Board, square: chess.Square) -> bool:
    """Whether a man of the side to move has a square to go to, taking nothing, and no piece is lost then.

    Where a piece of the other side hangs as well, going away would let that go.
    """
    level, here = material_balance(board, board.turn), chess.BB_SQUARES[square]
    if any(_takes_loose(board, take) for take in board.generate_legal_captures(chess.BB_ALL & ~here)):
        return False
    flights = board.generate_legal_moves(here, chess.BB_ALL & ~board.occupied)
    least = level - VALUES[chess.PAWN]
    return any(settled_balance(after(board, (flight,)), board.turn) >= least for flight in flights)


def _takes_loose(board: chess.Board, take: chess.Move) -> bool:
    """Whether a capture takes a piece that is undefended, or worth more than what takes it."""
    taken = captured_square(board, take)
    is_loose = not board.attackers(not board.turn, taken)
    is_dearer = worth_of(board, taken) > worth_of(board, take.from_square)
    return worth_of(board, taken) >= VALUES[chess.KNIGHT] and (is_loose or is_dearer)


def _undefended(strike: _Strike) -> bool:
    """The move takes, for good, what nothing defends."""
    takes = strike.takes
    return takes is not None and strike.takes_most and not strike.before.attackers(strike.now.turn, takes)


def _too_few_defenders(strike: _Strike) -> bool:
    """The move takes what is attacked more often than it is defended, or by something cheaper."""
    if strike.takes is None or not strike.takes_most:
        return False
    before, target = strike.before, strike.takes
    attackers, defenders = (before.attackers(side, target) for side in (before.turn, strike.now.turn))
    cheaper = worth_of(before, strike.move.from_square) < worth_of(before, target)
    return cheaper or len(attackers) > len(defenders)


_Detectors = tuple[tuple[Pattern, Callable[[_Strike], bool]], ...]

_DETECTORS: _Detectors = (
    (Pattern.DISCOVERED_ATTACK, _discovered),
    (Pattern.PIN, _pin),
    (Pattern.SKEWER, _skewer),
    (Pattern.TRAPPED_PIECE, _trapped),
    (Pattern.DOUBLE_ATTACK, _double_attack),
    (Pattern.TRAPPED_PIECE, _trapped_at_home),
    (Pattern.OVERLOADED_DEFENDER, _overloaded),
    (Pattern.REMOVED_DEFENDER, _removed_defender),
    (Pattern.BACK_RANK, _back_rank),
)

_TIMING: _Detectors = (
    (Pattern.IN_BETWEEN_MOVE, _in_between),
    (Pattern.DESPERADO, _desperado),
)

_PLAIN: _Detectors = (
    (Pattern.UNDEFENDED_PIECE, _undefended),
    (Pattern.TOO_FEW_DEFENDERS, _too_few_defenders),
)
"""What is seen at a glance: only where nothing else explains the capture."""
