"""The motif by which a mistake is punished: pattern, striking piece and square, whatever the position.

The terms are those of the textbooks; the numbers beside them are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import chess

from miner.board.moves import after, captured_square
from miner.board.settle import MATED, VALUES, material_balance, settle, settled_balance
from miner.explain.evidence import Evidence, mates_in_one, rank_of, threat_gain
from miner.explain.explanation import Explanation
from miner.explain.king import KingExposed, explain_king
from miner.explain.pattern import Strike
from miner.explain.position import doubled, is_bare, isolated
from miner.reasons import Pattern, Reason

CENTRE = (chess.D4, chess.E4, chess.D5, chess.E5)
_OUTER_CENTRE = (*CENTRE, chess.C4, chess.F4, chess.C5, chess.F5)
_MORE_THAN_ANY = 100  # pawns, for the king
_EVEN_CP = 30  # centipawns from which a side stands better, and what it has won is a gain
_WON = "misses the win"  # of a gain beyond what has been lost
_THREAT = 2  # pawns: what is threatened is a piece
_SOON = 4  # plies after the answer in which a forked man is taken
_CLEVER = (Pattern.DOUBLE_ATTACK, Pattern.PIN, Pattern.REMOVED_DEFENDER)
"""Patterns that are not the point where the answer itself takes a piece that hangs."""


class Theme(StrEnum):
    """What mistakes are punished by besides the patterns of a combination."""

    MATE = "mate in one"
    THREAT_OF_MATE = "threat of mate"
    PROMOTION = "promotion"
    UNSOUND_SACRIFICE = "unsound sacrifice"
    CHEAPER_ATTACKER = "taken by a cheaper piece"
    KING_DRIVEN_OUT = "king driven out"
    CASTLING_LOST = "castling prevented"
    DRIVEN_HOME = "piece driven home"
    CHASED = "piece chased"
    GAIN_OF_TIME = "gain of time"
    ATTACK = "attack on a piece"
    BREAKS_PAWNS = "pawns broken up by an exchange"
    EXCHANGE = "unfavourable exchange"
    PAWN_BREAK = "pawn break in the centre"
    MISSED_RECAPTURE = "recapture missed"
    MISSED_GAIN = "gain not taken"
    DEVELOPMENT = "lead in development"
    WEAK_PAWNS = "weak pawns"
    WEAK_SQUARE = "weak square"
    BARE_KING = "king without cover"
    BISHOPS = "two bishops"
    OUT_OF_PLAY = "piece out of play"
    SPACE = "more space"
    POSITION = "position"


@dataclass(frozen=True, slots=True)
class Motif:
    """By what a mistake is punished."""

    pattern: str  # of `Pattern` or `Theme`
    piece: str = ""  # what strikes: K, Q, R, B, N or P; empty: nothing in particular
    square: str = ""  # where, as seen by the side that punishes, playing as White
    wins: str = ""  # what is won by it, in words

    @property
    def grains(self) -> tuple[tuple[str, str, str], ...]:
        """Pattern, piece and square, from coarse to fine; what a motif has not is left out."""
        pattern, piece, square = self.pattern, self.piece, self.square
        finer = [(pattern, piece, "")] if piece else []
        return (pattern, "", ""), *finer, *([(pattern, piece, square)] if square else [])


def words(pattern: str, piece: str, square: str) -> str:
    """A motif in words.

    >>> words("double attack", "N", "c7"), words("pin", "B", ""), words("mating net", "", "")
    ('double attack: knight on c7', 'pin: bishop', 'mating net')
    """
    if not piece:
        return pattern
    name = chess.piece_name(chess.PIECE_SYMBOLS.index(piece.lower()))
    return f"{pattern}: {name}" + (f" on {square}" if square else "")


def find_motif(evidence: Evidence, explanation: Explanation, came_to: chess.Square | None = None) -> Motif:
    """The motif of a mistake that has been explained.

    `came_to`: where the other side's last move before the mistake went, if that is known.

    1. Mate.
    2. The pattern of the refutation, struck by the move that has it; a piece that hangs to the answer itself
       is no more than that.
    3. A gain of its own that the side that errs does not take, unless it gives away more than that: it is no
       tactic of the other side, so that what strikes is the move that was missed, seen by the side that
       missed it.
    4. What happens to the king, or to a piece that is sent home or chased.
    5. What the answer itself does: it threatens mate, takes, attacks with gain of time, exchanges, or breaks
       open the centre.
    6. What the side that errs is left with.
    """
    if explanation.reason is Reason.MATE and explanation.refutation and not _misses(explanation):
        return _mate(evidence, explanation)
    has_won, _, what = explanation.detail.partition("wins ")
    wins = "" if has_won else what.removeprefix("back ")
    if (strike := explanation.strike) is not None:
        return _struck(_by_hanging(evidence, strike), strike.before, strike.move, wins)
    if (told := _told_by_reason(evidence, explanation)) is not None:
        return told
    best = evidence.best_line[0]
    recaptures = evidence.board.is_capture(best) and best.to_square == came_to
    has_gain = recaptures or evidence.best.as_cp >= (_EVEN_CP if _WON in explanation.detail else -_EVEN_CP)
    misses = _misses(explanation) and has_gain
    # Whoever gives away more than he misses is punished for that.
    gives_more = not misses or evidence.best.as_cp < -evidence.reply.as_cp
    if gives_more and (by_answer := next(_by_answer(evidence, explanation), None)):
        theme, before, move = by_answer
        return _struck(theme, before, move, wins)
    if misses:
        theme = Theme.MISSED_RECAPTURE if recaptures else Theme.MISSED_GAIN
        return _struck(theme, evidence.board, best, "")
    return Motif(_by_detail(explanation.detail), wins=wins)


def _by_hanging(evidence: Evidence, strike: Strike) -> Pattern | Theme:
    """The pattern of a strike, or how the piece hangs that it takes at once."""
    before, move = strike.before, strike.move
    if not before.is_capture(move):
        return strike.pattern
    plain = _plain(before, move)
    if strike.pattern is Pattern.TOO_FEW_DEFENDERS:
        return plain
    is_answer = before.ply() == evidence.board.ply() + 1
    takes_piece = VALUES[_kind(before, captured_square(before, move))] >= VALUES[chess.KNIGHT]
    hangs = plain in (Pattern.UNDEFENDED_PIECE, Theme.CHEAPER_ATTACKER)
    return plain if is_answer and takes_piece and hangs and strike.pattern in _CLEVER else strike.pattern


def _struck(pattern: Pattern | Theme, before: chess.Board, move: chess.Move, wins: str) -> Motif:
    kind = before.piece_type_at(move.from_square) or chess.PAWN
    square = move.to_square if before.turn == chess.WHITE else chess.square_mirror(move.to_square)
    return Motif(pattern.value, chess.piece_symbol(kind).upper(), chess.square_name(square), wins)


def _misses(explanation: Explanation) -> bool:
    if explanation.reason is Reason.MATE:
        return explanation.detail.startswith("misses")
    return explanation.reason is Reason.MATERIAL and explanation.detail.startswith(("misses ", "does not "))


def _mate(evidence: Evidence, explanation: Explanation) -> Motif:
    strike = explanation.strike
    if strike is not None:
        return _struck(strike.pattern, strike.before, strike.move, "mate")
    at_once = len(explanation.refutation) == 1
    pattern = Theme.MATE if at_once else Pattern.MATING_NET
    return _struck(pattern, evidence.after_reply(1), explanation.refutation[0], "mate")


def _told_by_reason(evidence: Evidence, explanation: Explanation) -> Motif | None:
    """What the reason says of a king or of a piece that is chased, and the move that does it."""
    line = evidence.reply_line
    if explanation.reason is Reason.KING and (king := explain_king(evidence)) is not None:
        theme = Theme.KING_DRIVEN_OUT if king.driven else Theme.CASTLING_LOST
        ply = _checks_at(evidence, king)
        return _struck(theme, evidence.after_reply(ply), line[ply], "")
    if explanation.reason is not Reason.TEMPO or len(line) < 2:
        return None
    detail = explanation.detail
    if "is chased" in detail:
        return _struck(Theme.CHASED, evidence.after_reply(1), line[1], "")
    # The move before the last one shown: it is what sends the piece away.
    ply = max(1, min(len(explanation.refutation) + 1, len(line)) - 2)
    goes_home = "must go back" in detail or "goes back" in detail
    theme = Theme.DRIVEN_HOME if goes_home else Theme.GAIN_OF_TIME
    return _struck(theme, evidence.after_reply(ply), line[ply], "")


def _checks_at(evidence: Evidence, king: KingExposed) -> int:
    """The ply of the move that drives the king: the last check before it has happened, else the answer."""
    line = evidence.reply_line
    last = min(king.plies, len(line)) - 2
    for ply in range(last if last % 2 else last - 1, 0, -2):
        if evidence.after_reply(ply).gives_check(line[ply]):
            return ply
    return 1 if len(line) > 1 else 0


def _by_answer(
    evidence: Evidence, explanation: Explanation
) -> Iterator[tuple[Pattern | Theme, chess.Board, chess.Move]]:
    """What the first punishing move does, what weighs most first."""
    lines = [line for line in evidence.reply_lines if len(line) >= 2]
    if not lines:
        return
    before = evidence.after_reply(1)
    answer = lines[0][1]
    now = after(before, (answer,))
    reply = evidence.reply_line[0]
    is_capture = before.is_capture(answer)
    if answer.promotion:
        yield Theme.PROMOTION, before, answer
    if not now.is_check() and mates_in_one(after(now, (chess.Move.null(),))):
        yield Theme.THREAT_OF_MATE, before, answer
    wins_material = explanation.reason is Reason.MATERIAL
    if is_capture and wins_material and answer.to_square == reply.to_square:
        # Whoever took something cheaper there, and is retaken, has sacrificed; equals are exchanged.
        lost = VALUES[_kind(before, answer.to_square)]
        taken = VALUES[_kind(evidence.board, captured_square(evidence.board, reply))]
        if evidence.board.is_capture(reply) and lost >= VALUES[chess.KNIGHT]:
            yield (Theme.UNSOUND_SACRIFICE if taken < lost else Theme.EXCHANGE), before, answer
        yield _plain(before, answer), before, answer
    squares = {reply.to_square, *(line[2].to_square for line in lines if len(line) > 2)}
    is_exchange = answer.to_square in squares
    is_left = explanation.detail.startswith("leaves ")
    if is_capture and (is_left or ((wins_material or not is_exchange) and _pays(before, answer))):
        yield _plain(before, answer), before, answer
    if all(line[1] == answer and _forks_with_check(before, line[1:], wins_material) for line in lines):
        yield Pattern.DOUBLE_ATTACK, before, answer
    if _hits_pinned(before, now, answer):
        yield Pattern.PIN, before, answer
    if all(line[1] == answer and _gains_time(before, line[1:3]) for line in lines):
        yield Theme.GAIN_OF_TIME, before, answer
    if not is_capture and _threatens_piece(before, now):
        yield Theme.ATTACK, before, answer
    if is_capture and all(_breaks_pawns(evidence.board, before, line[1:3], evidence.errs) for line in lines):
        yield Theme.BREAKS_PAWNS, before, answer
    if is_capture and all(_exchanges(evidence.board, line) for line in lines):
        yield Theme.EXCHANGE, before, answer
    if _is_break(before, answer):
        yield Theme.PAWN_BREAK, before, answer


def _kind(board: chess.Board, square: chess.Square) -> chess.PieceType:
    return board.piece_type_at(square) or chess.PAWN


def _value(board: chess.Board, square: chess.Square) -> int:
    kind = board.piece_type_at(square)
    return _MORE_THAN_ANY if kind == chess.KING else VALUES[kind or chess.PAWN]


def _plain(before: chess.Board, answer: chess.Move) -> Pattern | Theme:
    taken = captured_square(before, answer)
    if not before.attackers(not before.turn, taken):
        return Pattern.UNDEFENDED_PIECE
    is_dearer = VALUES[_kind(before, taken)] > VALUES[_kind(before, answer.from_square)]
    # Of a piece that is worth more than what takes it defenders make up for nothing.
    return Theme.CHEAPER_ATTACKER if is_dearer else Pattern.TOO_FEW_DEFENDERS


def _pays(before: chess.Board, capture: chess.Move) -> bool:
    """Whether a capture wins something once all captures have settled."""
    settled = -settle(after(before, (capture,))).balance
    return MATED > settled > material_balance(before, before.turn)


def _hits_pinned(before: chess.Board, now: chess.Board, answer: chess.Move) -> bool:
    """Whether the man that moves attacks a piece that is pinned to its king and worth more, or loose."""
    square = answer.to_square
    for target in now.attacks(square) & now.occupied_co[now.turn]:
        worth = _value(now, target)
        is_new = target not in before.attacks(answer.from_square)
        if worth < VALUES[chess.KNIGHT] or not is_new or not now.is_pinned(now.turn, target):
            continue
        if worth > _value(now, square) or not now.attackers(now.turn, target):
            return True
    return False


def _forks_with_check(before: chess.Board, line: tuple[chess.Move, ...], wins_material: bool) -> bool:
    """Whether the answer gives check and attacks a loose piece, or a better one.

    It takes it soon, or wins what it wins elsewhere, where that piece is saved.
    """
    now, square = after(before, line[:1]), line[0].to_square
    if not now.is_check():
        return False
    forked = {
        target
        for target in now.attacks(square) & now.occupied_co[now.turn]
        if VALUES[chess.KNIGHT] <= _value(now, target) < _MORE_THAN_ANY
        and (not now.attackers(now.turn, target) or _value(now, target) > _value(now, square))
    }
    takes = any(move.to_square in forked and move.from_square == square for move in line[2:_SOON:2])
    return takes or (wins_material and bool(forked))


def _threatens_piece(before: chess.Board, now: chess.Board) -> bool:
    """Whether the answer brings the threat to win a piece, which was not there before."""
    threat = threat_gain(now)
    there = settled_balance(before, before.turn) - material_balance(before, before.turn)
    return threat >= _THREAT and threat > there


def _gains_time(before: chess.Board, moves: tuple[chess.Move, ...]) -> bool:
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
    if _value(now, target) < VALUES[chess.KNIGHT] or not hunters or now.piece_type_at(target) == chess.KING:
        return False
    is_loose = not now.attackers(now.turn, target)
    return is_loose or any(_value(now, hunter) < _value(now, target) for hunter in hunters)


def _breaks_pawns(
    start: chess.Board, before: chess.Board, moves: tuple[chess.Move, ...], errs: chess.Color
) -> bool:
    """Whether an exchange leaves doubled or isolated pawns, or a bare king, that were not there before."""
    if len(moves) < 2 or moves[0].to_square != moves[1].to_square:
        return False
    if before.piece_type_at(moves[0].to_square) in (None, chess.PAWN):
        return False
    retaken = after(before, moves)
    if retaken.piece_type_at(moves[1].to_square) != chess.PAWN:
        return False
    had = {*doubled(start, errs), *(8 + file for file in isolated(start, errs))}
    has = {*doubled(retaken, errs), *(8 + file for file in isolated(retaken, errs))}
    return bool(has - had) or (is_bare(retaken, errs) and not is_bare(start, errs))


def _exchanges(start: chess.Board, line: tuple[chess.Move, ...]) -> bool:
    """Whether the answer retakes a piece for a piece, or takes one and is retaken."""
    reply, answer, *rest = line
    now = after(start, line[:1])
    is_piece = now.piece_type_at(answer.to_square) not in (None, chess.PAWN)
    retakes = start.is_capture(reply) and answer.to_square == reply.to_square
    return is_piece and (retakes or any(move.to_square == answer.to_square for move in rest[:1]))


def _is_break(before: chess.Board, answer: chess.Move) -> bool:
    """Whether a pawn moves to, or takes on, the centre or beside it and meets a pawn of the other side."""
    if before.piece_type_at(answer.from_square) != chess.PAWN or answer.to_square not in _OUTER_CENTRE:
        return False
    now = after(before, (answer,))
    meets = now.attacks(answer.to_square) & now.pawns & now.occupied_co[now.turn]
    gains_ground = answer.to_square in CENTRE and rank_of(answer.to_square, before.turn) >= 4
    return bool(meets) or before.is_capture(answer) or gains_ground


_BY_DETAIL = {
    "behind in development": Theme.DEVELOPMENT,
    "can no longer castle": Theme.CASTLING_LOST,
    "no pawns before it": Theme.BARE_KING,
    "lost the cover": Theme.BARE_KING,
    "out of play": Theme.OUT_OF_PLAY,
    "two bishops": Theme.BISHOPS,
    "isolated": Theme.WEAK_PAWNS,
    "backward": Theme.WEAK_PAWNS,
    "doubled": Theme.WEAK_PAWNS,
    "hole": Theme.WEAK_SQUARE,
    "less space": Theme.SPACE,
}


def _by_detail(detail: str) -> str:
    return next((theme.value for part, theme in _BY_DETAIL.items() if part in detail), Theme.POSITION.value)
