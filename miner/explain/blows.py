"""What a move does on the board, whatever a line shows: what it attacks, pins, forks, shuts in or opens.

The numbers are common practice, no source.
"""

from __future__ import annotations

import chess

from miner.board.moves import after, is_forcing
from miner.board.settle import (
    MATED,
    VALUES,
    material_balance,
    settle,
    settle_answer,
    settled_balance,
    taken_value,
)
from miner.explain.evidence import mates_in_one, rank_of, threat_gain
from miner.explain.pattern import (
    has_no_flight,
    is_pinned,
    is_rook_at_home,
    line_pieces,
    man_behind,
    swap_gain,
    worth_of,
)
from miner.explain.position import doubled, is_bare, isolated

CENTRE = (chess.D4, chess.E4, chess.D5, chess.E5)
_OUTER_CENTRE = (*CENTRE, chess.C4, chess.F4, chess.C5, chess.F5)
THREAT = 2  # pawns: what is threatened is a piece
SOON = 4  # plies after the answer in which a forked man is taken
_CAUGHT = 4  # plies after the answer in which a trapped piece is taken
_LATER = 10  # plies of a line in which a piece that hangs is taken, other things coming first


def free_gain(board: chess.Board, move: chess.Move) -> int:
    """Pawns that a capture wins, on its square and once all captures have settled."""
    gain = swap_gain(board, move) if board.is_capture(move) else 0
    if gain < 1:
        return 0
    return max(0, min(gain, -settle(after(board, (move,))).balance - material_balance(board, board.turn)))


def taken_on(line: tuple[chess.Move, ...]) -> set[chess.Square]:
    """Squares that the side which punishes goes to."""
    return {move.to_square for move in line[1:_LATER:2]}


def flights(start: chess.Board, line: tuple[chess.Move, ...]) -> list[tuple[int, chess.Square]]:
    """The plies of a line at which a king goes away from a check, and whither."""
    board, flights = start.copy(stack=False), []
    for ply, move in enumerate(line[:_LATER]):
        if (
            ply
            and board.turn == start.turn
            and board.is_check()
            and board.king(board.turn) == move.from_square
        ):
            flights.append((ply, move.to_square))
        board.push(move)
    return flights


def sells(before: chess.Board, moves: tuple[chess.Move, ...]) -> bool:
    """Whether a move takes a piece worth as much as its own, and is retaken: that lures nobody.

    Unless a king retakes that could have castled.
    """
    if len(moves) < 2 or moves[0].to_square != moves[1].to_square or not before.is_capture(moves[0]):
        return False
    if before.king(not before.turn) == moves[1].from_square and before.has_castling_rights(not before.turn):
        return False
    taken = taken_value(before, moves[0])
    return taken >= max(VALUES[chess.KNIGHT], VALUES[kind(before, moves[0].from_square)])


def is_retaken(before: chess.Board, line: tuple[chess.Move, ...]) -> bool:
    """Whether the man that makes the first move of a line is taken at once, or after one forcing move."""
    here = line[0].to_square
    if any(move.to_square == here for move in line[1:2]):
        return True
    is_between = len(line) > 3 and is_forcing(after(before, line[:1]), line[1])
    return is_between and line[2].from_square != here and line[3].to_square == here


def threatens_mate(now: chess.Board) -> bool:
    """Whether the side that has just moved would give mate, could it move again."""
    return not now.is_check() and mates_in_one(after(now, (chess.Move.null(),))) is not None


def sacrificed_until(board: chess.Board, line: tuple[chess.Move, ...]) -> int:
    """The ply at which a piece is taken that stays where it has taken something cheaper; 0: it is not.

    Checks and exchanges come first: they make it no better.
    """
    square = line[0].to_square
    if not board.is_capture(line[0]):
        return 0
    given = VALUES[kind(board, line[0].from_square)]
    if given < VALUES[chess.KNIGHT] or given <= taken_value(board, line[0]):
        return 0
    moved = next((ply for ply, move in enumerate(line) if ply and move.from_square == square), len(line))
    taken = next((ply for ply, move in enumerate(line) if ply > 1 and move.to_square == square), 0)
    forced = all(is_forcing(after(board, line[:ply]), line[ply]) for ply in range(1, taken, 2))
    return taken if taken % 2 and taken <= _CAUGHT + 1 and taken < moved and forced else 0


def kind(board: chess.Board, square: chess.Square) -> chess.PieceType:
    """What stands on a square; a pawn where nothing does, as after an en passant capture."""
    return board.piece_type_at(square) or chess.PAWN


def pays(before: chess.Board, capture: chess.Move) -> bool:
    """Whether a capture wins something once all captures have settled."""
    settled = -settle(after(before, (capture,))).balance
    return MATED > settled > material_balance(before, before.turn)


def takeable(board: chess.Board) -> set[chess.Square]:
    """Squares on which the side to move wins something by what happens there alone."""
    return {take.to_square for take in board.generate_legal_captures() if swap_gain(board, take) >= 1}


def newly_takeable(before: chess.Board, now: chess.Board) -> set[chess.Square]:
    """Squares on which the side that has just moved could now win something, and could not before."""
    return takeable(after(now, (chess.Move.null(),))) - takeable(before)


def pieces_hit(before: chess.Board, answer: chess.Move) -> list[chess.Square]:
    """Pieces that the man which moves could now take with gain, and that could not be so taken before."""
    now = after(before, (answer,))
    if now.is_check():
        return []
    hit = newly_takeable(before, now) & set(now.attacks(answer.to_square))
    return [square for square in hit if VALUES[kind(now, square)] >= VALUES[chess.KNIGHT]]


def shut_in(before: chess.Board, answer: chess.Move) -> list[chess.Square]:
    """Those of them that have no square to go to."""
    now = after(before, (answer,))
    hit = pieces_hit(before, answer)
    return [square for square in hit if not is_rook_at_home(now, square) and has_no_flight(now, square)]


def is_opened(before: chess.Board, now: chess.Board, answer: chess.Move, target: chess.Square) -> bool:
    """Whether a line piece attacks `target` now that the man before it has moved away."""
    hunters = now.attackers(before.turn, target) - before.attackers(before.turn, target)
    return any(
        answer.from_square in chess.SquareSet.between(hunter, target)
        for hunter in hunters & line_pieces(now, before.turn)
        if hunter != answer.to_square
    )


def falls(square: chess.Square, moves: tuple[chess.Move, ...]) -> bool:
    """Whether the man on `square`, whose side moves first, is taken by the third answer."""
    for ply, move in enumerate(moves[:_CAUGHT]):
        if ply % 2 and move.to_square == square:
            return True
        if ply % 2 == 0 and move.from_square == square:
            square = move.to_square
    return False


def is_skewered(now: chess.Board, square: chess.Square, front: chess.Square) -> bool:
    """Whether behind a dearer piece on `front` stands another that the line piece on `square` would win."""
    behind = man_behind(now, square, front)
    if behind is None or VALUES[kind(now, behind)] < VALUES[chess.KNIGHT]:
        return False
    is_loose = not now.attackers(now.turn, behind) or worth_of(now, behind) > worth_of(now, square)
    return is_loose and worth_of(now, front) > max(worth_of(now, behind), worth_of(now, square))


def hits_pinned(before: chess.Board, now: chess.Board, answer: chess.Move) -> bool:
    """Whether the man that moves attacks a piece that is pinned, so that it could now be taken with gain."""
    square = answer.to_square
    pays = set() if now.is_check() else takeable(after(now, (chess.Move.null(),)))
    pinners = line_pieces(now, before.turn)
    for target in now.attacks(square) & now.occupied_co[now.turn]:
        worth = worth_of(now, target)
        is_new = target not in before.attacks(answer.from_square)
        held = now.is_pinned(now.turn, target) or is_pinned(now, target, pinners)
        if worth >= VALUES[chess.KNIGHT] and is_new and held and target in pays:
            return True
    return False


def pins(before: chess.Board, now: chess.Board, answer: chess.Move) -> bool:
    """Whether the man that moves newly holds a piece that it threatens before the king or the queen."""
    square = answer.to_square
    front = chess.SquareSet(now.attacks(square) & now.occupied_co[now.turn] & ~now.pawns & ~now.queens)
    held = [target for target in front if target not in before.attacks(answer.from_square)]
    return any(now.is_pinned(now.turn, target) or is_pinned(now, target, (square,)) for target in held)


def forks_with_check(before: chess.Board, line: tuple[chess.Move, ...], wins_material: bool) -> bool:
    """Whether the answer gives check and attacks a loose piece, or a better one.

    It takes it soon, or wins what it wins elsewhere, where that piece is saved.
    """
    now, square = after(before, line[:1]), line[0].to_square
    if not now.is_check():
        return False
    free = now.copy(stack=False)
    free.turn = before.turn
    hit = now.attacks(square) & now.occupied_co[now.turn] & ~now.kings & ~now.pawns
    forked = {
        take.to_square
        for take in free.generate_legal_captures(to_mask=int(hit))
        if swap_gain(free, take) >= 1
    }
    takes = any(move.to_square in forked and move.from_square == square for move in line[2:SOON:2])
    return takes or (wins_material and bool(forked))


def threatens_piece(before: chess.Board, now: chess.Board) -> bool:
    """Whether the answer brings the threat to win a piece, which was not there before."""
    threat = threat_gain(now)
    there = settled_balance(before, before.turn) - material_balance(before, before.turn)
    return threat >= THREAT and threat > there


def falls_there(square: chess.Square, moves: tuple[chess.Move, ...]) -> bool:
    """Whether it is taken where it stands: a pawn that takes and is retaken was exchanged."""
    stays = all(move.from_square != square for move in moves[:_CAUGHT:2])
    return stays and falls(square, moves)


def threatens_fork(now: chess.Board, answer: chess.Move, onto: chess.Bitboard) -> bool:
    """Whether the man that moves threatens to win a piece by its next move, whatever the answer to that.

    `onto`: where that move may go.
    """
    if now.is_check():
        return False
    free = after(now, (chess.Move.null(),))
    level = material_balance(free, free.turn)
    nexts = free.generate_legal_moves(chess.BB_SQUARES[answer.to_square], onto)
    boards = (after(free, (move,)) for move in nexts if attacks_much(free, move))
    return any(-settle_answer(board).balance - level >= THREAT for board in boards)


def attacks_much(board: chess.Board, move: chess.Move) -> bool:
    """Whether a move takes, or attacks two men better than pawns, the king among them.

    Anything else threatens no fork, so that its answers need not be tried.
    """
    if board.is_capture(move):
        return True
    now = after(board, (move,))
    return len(now.attacks(move.to_square) & now.occupied_co[now.turn] & ~now.pawns) > 1


def gains_time(before: chess.Board, moves: tuple[chess.Move, ...]) -> bool:
    """Whether the answer attacks a piece anew, by something cheaper or where nothing defends it, and it goes.

    A check is answered whatever stands there, and who takes something in going has lost no time.
    """
    if len(moves) < 2:
        return False
    answer, goes = moves
    now = after(before, (answer,))
    if now.is_check() or now.is_capture(goes):
        return False
    target = goes.from_square
    hunters = now.attackers(before.turn, target) - before.attackers(before.turn, target)
    if worth_of(now, target) < VALUES[chess.KNIGHT] or not hunters or now.piece_type_at(target) == chess.KING:
        return False
    is_loose = not now.attackers(now.turn, target)
    return is_loose or any(worth_of(now, hunter) < worth_of(now, target) for hunter in hunters)


def breaks_pawns(start: chess.Board, before: chess.Board, moves: tuple[chess.Move, ...]) -> bool:
    """Whether an exchange leaves doubled or isolated pawns, or a bare king, that were not there before."""
    if len(moves) < 2 or moves[0].to_square != moves[1].to_square:
        return False
    if before.piece_type_at(moves[0].to_square) in (None, chess.PAWN):
        return False
    errs, retaken = start.turn, after(before, moves)
    if retaken.piece_type_at(moves[1].to_square) != chess.PAWN:
        return False
    had = {*doubled(start, errs), *(8 + file for file in isolated(start, errs))}
    has = {*doubled(retaken, errs), *(8 + file for file in isolated(retaken, errs))}
    return bool(has - had) or (is_bare(retaken, errs) and not is_bare(start, errs))


def exchanges(start: chess.Board, line: tuple[chess.Move, ...]) -> bool:
    """Whether the answer retakes a piece for a piece, or takes one and is retaken."""
    reply, answer, *rest = line
    now = after(start, line[:1])
    is_piece = now.piece_type_at(answer.to_square) not in (None, chess.PAWN)
    retakes = start.is_capture(reply) and answer.to_square == reply.to_square
    return is_piece and (retakes or any(move.to_square == answer.to_square for move in rest[:1]))


def is_traded(before: chess.Board, moves: tuple[chess.Move, ...]) -> bool:
    """Whether what a pawn takes is retaken by a pawn, or beside the centre: nothing is broken open."""
    if len(moves) < 2 or moves[0].to_square != moves[1].to_square:
        return False
    is_by_pawn = after(before, moves[:1]).piece_type_at(moves[1].from_square) == chess.PAWN
    return is_by_pawn or moves[0].to_square not in CENTRE


def is_break(before: chess.Board, answer: chess.Move) -> bool:
    """Whether a pawn moves to, or takes on, the centre or beside it and meets a pawn of the other side.

    Or it moves beside that and meets one in the centre itself.
    """
    if before.piece_type_at(answer.from_square) != chess.PAWN:
        return False
    now = after(before, (answer,))
    meets = now.attacks(answer.to_square) & now.pawns & now.occupied_co[now.turn]
    if answer.to_square not in _OUTER_CENTRE:
        return bool(meets & chess.SquareSet(CENTRE))
    return bool(meets) or before.is_capture(answer)


def gains_ground(before: chess.Board, answer: chess.Move) -> bool:
    """Whether a pawn moves to the middle of the board, on its side's fifth rank or beyond."""
    is_pawn = before.piece_type_at(answer.from_square) == chess.PAWN
    return is_pawn and answer.to_square in CENTRE and rank_of(answer.to_square, before.turn) >= 4
