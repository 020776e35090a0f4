"""The motif by which a mistake is punished: pattern, striking piece and square, whatever the position.

The terms are those of the textbooks; the numbers beside them are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import chess

from miner.board.moves import after, captured_square, is_forcing
from miner.board.settle import (
    VALUES,
    material_balance,
    settle_answer,
    settled_balance,
    taken_value,
)
from miner.explain import blows
from miner.explain.evidence import Evidence, threat_gain
from miner.explain.explanation import Explanation
from miner.explain.king import WINGS, KingExposed, explain_king
from miner.explain.material import wins_by_force
from miner.explain.pattern import (
    SEARCHED_PLIES,
    Strike,
    find_strike,
    has_no_flight,
    if_taken_back,
    is_pawn_fork,
    is_pinned_away,
    man_behind,
    swap_gain,
    worth_of,
)
from miner.reasons import Pattern, Reason

_EVEN_CP = 30  # centipawns from which a side stands better, and what it has won is a gain
_CLEAR_CP = 100  # centipawns that a gain is worth which is told before what is lost
_MORE = 1.5  # times that what is punished outweighs what is missed, where only that is material
_WON = "misses the win"  # of a gain beyond what has been lost
_LEFT = "does not win back"  # of one that makes up for it
_LONGEST_NET = 5  # moves of a mate that is told where a piece simply hangs
_SHOWN_AT_ONCE = 4  # plies of a refutation that leaves a weak square: in a long line there is always one
_CLEVER = (
    Pattern.DOUBLE_ATTACK,
    Pattern.PIN,
    Pattern.REMOVED_DEFENDER,
    Pattern.TRAPPED_PIECE,
    Pattern.IN_BETWEEN_MOVE,
)
"""Patterns that are not the point where the answer itself takes a piece that hangs."""

_COMBINED = (
    Pattern.DOUBLE_ATTACK,
    Pattern.PIN,
    Pattern.SKEWER,
    Pattern.DISCOVERED_ATTACK,
    Pattern.TRAPPED_PIECE,
)
"""Patterns that are told though nothing is won by them that is easy to count."""

_AT_A_GLANCE = (Pattern.UNDEFENDED_PIECE, Pattern.TOO_FEW_DEFENDERS)


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
    PAWN_ATTACK = "attack on a pawn"
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


def find_motif(evidence: Evidence, explanation: Explanation, taken_on: chess.Square | None = None) -> Motif:
    """The motif of a mistake that has been explained.

    `taken_on`: where the other side's last move before the mistake has taken something, if it has.

    1. Mate; else a piece that could be taken for nothing, or any gain that far outweighs what is lost.
    2. The pattern of the refutation, struck by the move that has it; a piece that hangs to the answer itself
       is no more than that.
    3. A gain of its own that the side that errs does not take, unless it gives away more than that: it is no
       tactic of the other side, so that what strikes is the move that was missed, seen by the side that
       missed it.
    4. What happens to the king, or to a piece that is sent home or chased.
    5. What the answer itself does: it threatens mate, takes, attacks with gain of time, exchanges, or breaks
       open the centre.
    6. A pattern that pays only later; else what the side that errs is soon left with.
    """
    if explanation.reason is Reason.MATE and explanation.refutation and not _misses(explanation):
        return _mate(evidence, explanation)
    if (missed := _missed_first(evidence, explanation.won, taken_on)) is not None:
        return _struck(missed, evidence.board, evidence.best_line[0], "")
    has_won, _, what = explanation.detail.partition("wins ")
    wins = "" if has_won else what.removeprefix("back ").removeprefix("at least ")
    strike = _played(evidence, explanation.strike)
    if strike is not None and not strike.is_far and not _on_the_way(evidence, explanation.reason, strike):
        simple = _simpler(evidence, strike, explanation.won)
        if simple is not None:
            return _struck(*simple, wins)
        if strike.pattern in _AT_A_GLANCE and (came := _came_by(evidence, strike.before, strike.move)):
            return _struck(*came, wins)
        return _struck(_by_hanging(evidence, strike, explanation.won), strike.before, strike.move, wins)
    if forks := _fork_trick(evidence):
        return _struck(*forks, wins)
    is_punished_so = not evidence.answers or evidence.reply_line[1:2] == evidence.answers[:1]
    if not is_punished_so and (other := _by_another(evidence)):
        return _struck(*other, wins)
    if (told := _told_by_reason(evidence, explanation)) is not None:
        return told
    best = evidence.best_line[0]
    takes = evidence.board.is_capture(best)
    recaptures = takes and best.to_square == taken_on != evidence.reply_line[0].to_square
    leaves = is_forcing(evidence.board, best) and _LEFT in explanation.detail
    least = _EVEN_CP if _WON in explanation.detail else -_EVEN_CP
    has_gain = recaptures or leaves or evidence.best.as_cp >= least
    misses = _misses(explanation) and has_gain and _is_a_gain(evidence, explanation.detail)
    # Whoever gives away more than he misses is punished for that; a piece left to be taken counts double.
    weight = 2 if _answer_wins(evidence, blows.THREAT) and not _is_paid_for(evidence, explanation.won) else 1
    gives_more = not misses or _MORE * evidence.best.as_cp < -evidence.reply.as_cp * weight
    by_answer = next(_by_answer(evidence, explanation), None) if gives_more else None
    if by_answer and by_answer[0] in (Theme.EXCHANGE, Theme.SPACE) and (misses or _forgoes(evidence)):
        return _struck(Theme.MISSED_GAIN, evidence.board, best, "")
    is_pattern = by_answer is not None and by_answer[0] in _COMBINED
    if gives_more and not is_pattern and _misses(explanation) and (combined := _combination(evidence)):
        return _struck(*combined, "")
    is_piece = explanation.won >= VALUES[chess.KNIGHT] and not is_pattern
    if is_piece and by_answer and by_answer[0] in _LEADS_UP and (elsewhere := _if_otherwise_met(evidence)):
        return _struck(*elsewhere, wins)
    if by_answer is not None:
        return _struck(*by_answer, wins)
    if misses:
        theme = Theme.MISSED_RECAPTURE if recaptures else Theme.MISSED_GAIN
        return _struck(theme, evidence.board, best, "")
    if strike is not None and strike.move not in evidence.best_line[1:2]:
        return _struck(strike.pattern, strike.before, strike.move, wins)
    if explanation.won and (elsewhere := _if_otherwise_met(evidence)):
        return _struck(*elsewhere, wins)
    if last := _at_last(evidence) or _by_another(evidence):
        return _struck(*last, wins)
    if bars := _bars_castling(evidence):
        return _struck(*bars, wins)
    left_with = _by_detail(explanation.detail)
    is_vague = left_with in (Theme.WEAK_SQUARE, Theme.OUT_OF_PLAY)
    plies = _SHOWN_AT_ONCE if is_vague else SEARCHED_PLIES + 1
    is_soon = left_with is Theme.DEVELOPMENT or len(explanation.refutation) <= plies
    if is_soon and left_with is not Theme.POSITION:
        return Motif(left_with.value, wins=wins)
    line, before = evidence.reply_line, evidence.after_reply(1)
    is_retaken = any(move.to_square == line[1].to_square for move in line[2:3])
    if len(line) > 1 and not is_retaken and _forks_king(evidence, before):
        return _struck(Pattern.DOUBLE_ATTACK, before, line[1], wins)
    if threatens := _threat_of_fork(evidence):
        return _struck(*threatens, wins)
    if explanation.won and (taken := _first_taken(evidence, explanation)):
        return _struck(*(_came_by(evidence, *taken[1:]) or taken), wins)
    if len(line) > 1 and blows.exchanges(evidence.board, line):
        return _struck(Theme.EXCHANGE, before, line[1], wins)
    return Motif(Theme.POSITION.value, wins=wins)


def _played(evidence: Evidence, strike: Strike | None) -> Strike | None:
    """A strike, if it comes in one of the lines: what is only thought of, after their end, plays no part."""
    ply = strike.before.ply() - evidence.board.ply() if strike is not None else 0
    lines = evidence.reply_lines
    return strike if strike and any(strike.move in line[ply : ply + 1] for line in lines) else None


_LEADS_UP = (Theme.GAIN_OF_TIME, Theme.ATTACK, Theme.PAWN_ATTACK, Theme.PAWN_BREAK, Theme.EXCHANGE)
"""What leads up to the combination by which a piece is won."""

_Found = tuple[Pattern | Theme, chess.Board, chess.Move]
"""A motif, and the punishing move on its board."""


def _missed_first(evidence: Evidence, won: int, taken_on: chess.Square | None) -> Theme | None:
    """Whether the point is what the mistake leaves, whatever comes of it: a piece that stands to be taken.

    Unless it takes as much itself, or more is won by what follows. Of anything else that the best move wins
    the engine must think more than twice as much as of what the mistake loses.
    """
    board, best, reply = evidence.board, evidence.best_line[0], evidence.reply_line[0]
    if board.is_capture(reply) and reply.to_square == best.to_square:
        return None
    gain = blows.free_gain(board, best)
    # Of a piece each side leaves the engine's score tells which matters more.
    least = gain + 1 if evidence.best.as_cp >= -evidence.reply.as_cp else gain
    # That a pawn comes off elsewhere for it makes a piece no less.
    whole = swap_gain(board, best) if gain >= blows.THREAT else gain
    is_piece = whole - taken_value(board, reply) >= VALUES[chess.KNIGHT]
    is_piece = is_piece and won <= gain and not _answer_wins(evidence, least)
    outweighs = evidence.best.as_cp >= max(_CLEAR_CP, -2 * evidence.reply.as_cp)
    if not is_piece and not (outweighs and (gain >= 1 or wins_by_force(evidence))):
        return None
    return Theme.MISSED_RECAPTURE if best.to_square == taken_on else Theme.MISSED_GAIN


def _simpler(evidence: Evidence, strike: Strike, won: int) -> _Found | None:
    """What a coach would see before a pattern: a piece that hangs, a fork, a piece with no square."""
    before = evidence.after_reply(1)
    hanging = _left_hanging(evidence, won)
    if hanging is not None and hanging.to_square != evidence.reply_line[1].to_square:
        return _plain(before, hanging), before, hanging
    answer = evidence.reply_line[1]
    now = after(before, (answer,))
    is_later = strike.before.ply() > before.ply()
    gain = _gain_there(evidence, before, answer)
    is_retaken = any(line[2].to_square == answer.to_square for line in evidence.reply_lines if line[2:])
    hits_two = is_pawn_fork(now, answer.to_square) or len(blows.pieces_hit(before, answer)) > 1
    forks = hits_two and not is_retaken and gain < VALUES[chess.KNIGHT]
    if forks and (is_later or strike.pattern not in _COMBINED):
        return Pattern.DOUBLE_ATTACK, before, answer
    if is_later and strike.pattern in _AT_A_GLANCE and _takes_sacrifice(evidence, before, answer):
        return Theme.UNSOUND_SACRIFICE, before, answer
    if is_later and won and not is_retaken and _forks_king(evidence, before):
        return Pattern.DOUBLE_ATTACK, before, answer
    if is_later and strike.pattern is Pattern.REMOVED_DEFENDER and gain >= 1:
        return _plain(before, answer), before, answer
    if is_later and won and _skewers(evidence, now):
        return Pattern.SKEWER, before, answer
    if is_later and won >= 1 and not before.is_capture(answer) and blows.shut_in(before, answer):
        return Pattern.TRAPPED_PIECE, before, answer
    if is_later and strike.pattern in _AT_A_GLANCE and blows.threatens_mate(now):
        return _mate_threat(before, answer, (strike.move,)), before, answer
    if is_later and strike.pattern in _AT_A_GLANCE and (attack := _attacks_first(evidence, strike, won)):
        return attack, before, answer
    return None


def _skewers(evidence: Evidence, now: chess.Board) -> bool:
    """Whether the answer attacks a dearer piece, and takes what stood behind when that has gone away."""
    if len(evidence.reply_line) < 3:
        return False
    hunter, goes = evidence.reply_line[1].to_square, evidence.reply_line[2].from_square
    behind = man_behind(now, hunter, goes)
    if (
        behind is None
        or now.is_check()
        or worth_of(now, goes) <= max(worth_of(now, hunter), worth_of(now, behind))
    ):
        return False
    return any((then.from_square, then.to_square) == (hunter, behind) for then in evidence.reply_line[3:7:2])


def _came_by(evidence: Evidence, before: chess.Board, take: chess.Move) -> _Found | None:
    """The move by which the man came that takes something: a capture that won something, or a check.

    The check counts if it looked at what is taken, be it through another man.
    """
    line, at = evidence.reply_line, before.ply() - evidence.board.ply()
    ply = next((ply for ply in range(at - 2, 0, -2) if line[ply].to_square == take.from_square), 0)
    if not ply or line[at : at + 1] != (take,):
        return None
    start, came, taken = evidence.after_reply(ply), line[ply], captured_square(before, take)
    if start.is_capture(came):
        wins = came.to_square != line[ply - 1].to_square and swap_gain(start, came) >= 1
        return (_plain(start, came), start, came) if wins else None
    now = after(start, (came,))
    sees = {man_behind(now, came.to_square, front) for front in now.attacks(came.to_square)}
    return (Pattern.DOUBLE_ATTACK, start, came) if now.is_check() and taken in sees else None


def _takes_sacrifice(evidence: Evidence, before: chess.Board, answer: chess.Move) -> bool:
    """Whether the answer takes a piece that has just taken something cheaper, and keeps what that wins."""
    return _takes_given(evidence, before, answer) and _gain_there(evidence, before, answer) >= blows.THREAT


def _takes_given(evidence: Evidence, before: chess.Board, take: chess.Move) -> bool:
    """Whether a capture takes a piece that the mistake has given for something cheaper."""
    got, given = _taken_there(evidence, take.to_square), taken_value(before, take)
    return 1 <= got < given >= VALUES[chess.KNIGHT]


def _forks_king(evidence: Evidence, before: chess.Board) -> bool:
    """Whether a quiet check attacks a loose piece as well, however that is saved."""
    line = evidence.reply_line
    return not before.is_capture(line[1]) and blows.forks_with_check(before, line[1:], wins_material=True)


def _attacks_first(evidence: Evidence, strike: Strike, won: int) -> Pattern | Theme | None:
    """What a quiet answer attacks, where the strike only takes what then hangs."""
    lines = [line for line in evidence.reply_lines if len(line) >= 2]
    answer = _Answer.of(evidence, Reason.MATERIAL, lines)
    if answer.is_capture:
        return None
    if found := _by_attack(answer, won):
        return found
    taken = captured_square(strike.before, strike.move)
    is_hunter = strike.move.from_square == answer.move.to_square
    guards = answer.before.attackers(not answer.before.turn, taken)
    driven = [line[2].from_square for line in lines if blows.gains_time(answer.before, line[1:3])]
    if len(driven) == len(lines) and guards.issuperset(driven):
        return Theme.GAIN_OF_TIME
    if answer.now.is_check() or not is_hunter or taken not in blows.newly_takeable(answer.before, answer.now):
        return None
    is_pawn = answer.now.piece_type_at(taken) == chess.PAWN
    return Theme.PAWN_ATTACK if is_pawn else Theme.ATTACK


def _left_hanging(evidence: Evidence, won: int) -> chess.Move | None:
    """The capture of a piece that the mistake leaves to be taken, and that is most of what is won.

    It is taken in each line, though something may come first.
    """
    before, best = evidence.after_reply(1), after(evidence.board, evidence.best_line[:1])
    hung_anyhow = {
        take.to_square for take in best.generate_legal_captures() if swap_gain(best, take) >= blows.THREAT
    }
    takes = [
        (gain, take)
        for take in before.generate_legal_captures()
        if (gain := _gain_there(evidence, before, take)) >= VALUES[chess.KNIGHT]
        and 2 * gain >= won
        and take.to_square not in hung_anyhow
        and all(take.to_square in blows.taken_on(line) for line in evidence.reply_lines)
    ]
    return max(takes, key=lambda found: (found[0], found[1].uci()))[1] if takes else None


def _is_a_gain(evidence: Evidence, detail: str) -> bool:
    """Whether what is missed was there to be taken.

    What the mistake itself takes is not left; and a pawn that is won by and by, by a best move that neither
    takes nor checks nor threatens anything, is no gain yet.
    """
    board, best, reply = evidence.board, evidence.best_line[0], evidence.reply_line[0]
    if _LEFT in detail and board.is_capture(reply) and reply.to_square == best.to_square:
        return False
    if _needs_help(evidence):
        return False
    if is_forcing(board, best) or not detail.endswith(("of a pawn", "back a pawn")):
        return True
    gain_there = settled_balance(board, board.turn) - material_balance(board, board.turn)
    return threat_gain(after(board, (best,))) > gain_there and not _answer_wins(evidence, 1)


def _needs_help(evidence: Evidence) -> bool:
    """Whether the best move is taken back, and the quiet move then would win nothing had another taken."""
    board, line = evidence.board, evidence.best_line
    if len(line) < 3 or not board.is_capture(line[0]) or line[1].to_square != line[0].to_square:
        return False
    if is_forcing(after(board, line[:2]), line[2]) or swap_gain(board, line[0]) >= 1:
        return False
    now, level = after(board, line[:1]), material_balance(board, board.turn)
    ends = [
        after(now, (retake, line[2]))
        for retake in now.generate_legal_captures(to_mask=chess.BB_SQUARES[line[0].to_square])
        if line[2] in after(now, (retake,)).legal_moves
    ]
    return any(-settle_answer(end).balance <= level for end in ends)


def _answer_wins(evidence: Evidence, least: int) -> bool:
    """Whether the answer simply takes so many pawns' worth, beyond what the mistake has taken."""
    if len(evidence.reply_line) < 2:
        return False
    return _gain_there(evidence, evidence.after_reply(1), evidence.reply_line[1]) >= least


def _at_last(evidence: Evidence) -> _Found | None:
    """Where nothing else is to be said: a king that is driven, a man that was not taken, a later pattern."""
    line, board, best = evidence.reply_line, evidence.board, evidence.best_line[0]
    king = explain_king(evidence)
    if king is not None and king.driven:
        ply = _checks_at(evidence, king)
        return Theme.KING_DRIVEN_OUT, evidence.after_reply(ply), line[ply]
    if _forgoes(evidence):
        return Theme.MISSED_GAIN, board, best
    if chases := _king_chased(evidence):
        return chases
    later = _combined_strike(evidence)
    if later is None:
        return None
    is_soon = later.before.ply() <= board.ply() + blows.SOON
    is_new = later.move not in evidence.best_line[1:2]
    # At the same place of each line: with another defence it would come to nothing.
    ply = later.before.ply() - board.ply()
    if is_soon and is_new and all(later.move in other[ply : ply + 1] for other in evidence.defences):
        return later.pattern, later.before, later.move
    return None


def _forgoes(evidence: Evidence) -> bool:
    """Whether the best move takes a man that stands free, or that the engine's line does not pay for."""
    board, (best, *then) = evidence.board, evidence.best_line
    if not board.is_capture(best) or taken_value(board, evidence.reply_line[0]) >= taken_value(board, best):
        return False
    is_retaken = any(move.to_square == best.to_square for move in then[:1])
    is_late = any(move.to_square == best.to_square for move in then[2:3])
    least = _CLEAR_CP if is_late else _EVEN_CP
    return blows.free_gain(board, best) >= 1 or (not is_retaken and evidence.best.as_cp >= least)


def _king_chased(evidence: Evidence) -> _Found | None:
    """The first of two checks that a king goes out of the way of, not into a corner, in each line."""
    found = [blows.flights(evidence.board, line) for line in evidence.reply_lines]
    if any(len(flights) < 2 or chess.square_file(flights[-1][1]) in WINGS for flights in found):
        return None
    ply = found[0][0][0] - 1
    return Theme.KING_DRIVEN_OUT, evidence.after_reply(ply), evidence.reply_line[ply]


def _bars_castling(evidence: Evidence) -> _Found | None:
    """An answer that keeps a king from castling which could have castled, or was best to."""
    board, line = evidence.board, evidence.reply_line
    if len(line) < 2:
        return None
    before, now = evidence.after_reply(1), evidence.after_reply(2)
    walks = now.is_check() and any(move.from_square == now.king(now.turn) for move in line[2:3])
    if walks and before.has_castling_rights(evidence.errs):
        return Theme.CASTLING_LOST, before, line[1]
    could = board.is_castling(evidence.best_line[0]) and before.has_castling_rights(evidence.errs)
    bars = could and not now.is_check() and not any(map(now.is_castling, now.generate_legal_moves()))
    return (Theme.CASTLING_LOST, before, line[1]) if bars else None


def _by_another(evidence: Evidence) -> _Found | None:
    """What another punishing move than the line's does at once."""
    before = evidence.after_reply(1)
    for move in evidence.answers:
        if move in (*evidence.reply_line[1:2], *evidence.best_line[1:2]):
            continue
        now = after(before, (move,))
        if before.is_capture(move):
            if _gain_there(evidence, before, move) >= VALUES[chess.KNIGHT]:
                return _plain(before, move), before, move
        elif blows.hits_pinned(before, now, move):
            return Pattern.PIN, before, move
        elif found := _hits(before, [], move, 0):
            return found, before, move
        elif blows.threatens_mate(now):
            return Theme.THREAT_OF_MATE, before, move
    return None


def _combination(evidence: Evidence) -> _Found | None:
    """The combination that follows a mistake which misses something as well, in the first two answers."""
    strike = _combined_strike(evidence)
    if strike is None:
        return None
    is_soon = strike.before.ply() <= evidence.board.ply() + blows.SOON
    is_new = strike.move not in evidence.best_line[1:]
    return (strike.pattern, strike.before, strike.move) if is_soon and is_new else None


def _if_otherwise_met(evidence: Evidence) -> _Found | None:
    """The pattern with another defence, where that one shows why the answer wins what it wins."""
    for line in evidence.reply_lines:
        is_met = line[1:2] == evidence.reply_line[1:2]
        if is_met and (strike := _combined_strike(evidence.along(line))) is not None:
            return strike.pattern, strike.before, strike.move
    return None


def _combined_strike(evidence: Evidence) -> Strike | None:
    """The strike of the line after the mistake, if it is a combination and near."""
    strike = find_strike(evidence, evidence.reply_line[1 : SEARCHED_PLIES + 1])
    is_one = strike is not None and not strike.is_far and strike.pattern in _COMBINED
    return strike if is_one else None


def _on_the_way(evidence: Evidence, reason: Reason, strike: Strike) -> bool:
    """Whether a king is driven, and what hangs is a pawn, or is taken only after that."""
    if reason is not Reason.KING or strike.pattern not in _AT_A_GLANCE:
        return False
    takes = taken_value(strike.before, strike.move)
    gain = takes - _taken_there(evidence, strike.move.to_square)
    return strike.before.ply() > evidence.board.ply() + 1 or gain < VALUES[chess.KNIGHT]


def _taken_there(evidence: Evidence, square: chess.Square) -> int:
    """The value of what the mistake has taken on a square: who retakes there has only got it back."""
    board, reply = evidence.board, evidence.reply_line[0]
    return taken_value(board, reply) if reply.to_square == square else 0


def _gain_there(evidence: Evidence, before: chess.Board, take: chess.Move) -> int:
    """Pawns that a capture wins, all retaken that pays, beyond what the mistake has taken on that square."""
    return swap_gain(before, take) - _taken_there(evidence, take.to_square)


def _by_hanging(evidence: Evidence, strike: Strike, won: int) -> Pattern | Theme:
    """The pattern of a strike, or how the man hangs that it takes at once, if that is the point.

    That is so of a piece that hangs, and of anything that is as much as is won altogether.
    """
    before, move = strike.before, strike.move
    if not before.is_capture(move):
        return strike.pattern
    plain = _plain(before, move)
    if strike.pattern is Pattern.TOO_FEW_DEFENDERS:
        return plain
    is_answer = before.ply() == evidence.board.ply() + 1
    takes = taken_value(before, move)
    hangs = plain in (Pattern.UNDEFENDED_PIECE, Theme.CHEAPER_ATTACKER)
    gain = takes - _taken_there(evidence, move.to_square)
    is_all = _gain_there(evidence, before, move) >= max(won, 1)
    is_point = is_all or (hangs and gain >= blows.THREAT and takes >= VALUES[chess.KNIGHT])
    is_due = is_answer or (is_all and strike.pattern is Pattern.TRAPPED_PIECE)
    if not (is_due and is_point and strike.pattern in _CLEVER):
        return strike.pattern
    is_given = plain is Pattern.TOO_FEW_DEFENDERS and _takes_given(evidence, before, move)
    return Theme.UNSOUND_SACRIFICE if is_given else plain


def _struck(pattern: Pattern | Theme, before: chess.Board, move: chess.Move, wins: str) -> Motif:
    kind = before.piece_type_at(move.from_square) or chess.PAWN
    if before.is_castling(move):
        return Motif(pattern.value, wins=wins)  # nothing strikes
    square = move.to_square if before.turn == chess.WHITE else chess.square_mirror(move.to_square)
    return Motif(pattern.value, chess.piece_symbol(kind).upper(), chess.square_name(square), wins)


def _misses(explanation: Explanation) -> bool:
    if explanation.reason is Reason.MATE:
        return explanation.detail.startswith("misses")
    return explanation.reason is Reason.MATERIAL and explanation.detail.startswith(("misses ", "does not "))


def _mate(evidence: Evidence, explanation: Explanation) -> Motif:
    strike = explanation.strike
    mate = evidence.reply.mate
    if mate is not None and mate < -_LONGEST_NET and _takes_piece(evidence):
        before, take = evidence.after_reply(1), evidence.reply_line[1]
        taken = chess.piece_name(blows.kind(before, captured_square(before, take)))
        return _struck(_plain(before, take), before, take, f"a {taken}")
    if strike is not None:
        return _struck(strike.pattern, strike.before, strike.move, "mate")
    at_once = len(explanation.refutation) == 1
    pattern = Theme.MATE if at_once else Pattern.MATING_NET
    return _struck(pattern, evidence.after_reply(1), explanation.refutation[0], "mate")


def _told_by_reason(evidence: Evidence, explanation: Explanation) -> Motif | None:
    """What the reason says of a king or of a piece that is chased, and the move that does it."""
    line = evidence.reply_line
    if explanation.reason is Reason.KING and (king := explain_king(evidence)) is not None:
        before = evidence.after_reply(1)
        if _takes_piece(evidence):
            return _struck(_plain(before, line[1]), before, line[1], "")
        if not king.driven and evidence.board.piece_type_at(line[0].from_square) == chess.KING:
            return None  # it has gone by itself: nothing keeps it from castling
        theme = Theme.KING_DRIVEN_OUT if king.driven else Theme.CASTLING_LOST
        ply = _checks_at(evidence, king)
        before = evidence.after_reply(ply)
        return None if blows.sells(before, line[ply : ply + 2]) else _struck(theme, before, line[ply], "")
    if explanation.reason is not Reason.TEMPO or len(line) < 2:
        return None
    detail = explanation.detail
    if "is chased" in detail:
        hunts = next(ply for ply in range(1, len(line), 2) if line[ply + 1].from_square == line[0].to_square)
        return _struck(Theme.CHASED, evidence.after_reply(hunts), line[hunts], "")
    ply = max(1, min(len(explanation.refutation) + 1, len(line)) - 2)
    # The last move shown that attacks the piece sends it away, else one that is about to.
    came, goes = line[0].to_square, line[ply + 1].from_square if line[ply + 1 :] else line[0].to_square
    plies = [(tells, at) for tells in (_hunts, _may_hunt) for at in range(ply, 0, -2)]
    hunts = next((at for tells, at in plies if tells(evidence, at, came) or tells(evidence, at, goes)), 0)
    if not hunts:
        return None
    goes_home = "must go back" in detail or "goes back" in detail
    theme = Theme.DRIVEN_HOME if goes_home else Theme.GAIN_OF_TIME
    return _struck(theme, evidence.after_reply(hunts), line[hunts], "")


def _takes_piece(evidence: Evidence) -> bool:
    """Whether the answer takes a piece for nothing, in each line: the king is driven besides."""
    lines = evidence.reply_lines
    is_same = len(evidence.reply_line) > 1 and all(line[1:2] == evidence.reply_line[1:2] for line in lines)
    if not is_same or not _answer_wins(evidence, VALUES[chess.KNIGHT]):
        return False
    return all(line[2].to_square != line[1].to_square for line in lines if line[2:])


def _hunts(evidence: Evidence, ply: int, square: chess.Square) -> bool:
    """Whether a punishing move newly attacks the piece on a square."""
    before, move = evidence.after_reply(ply), evidence.reply_line[ply]
    attackers = after(before, (move,)).attackers(before.turn, square)
    return bool(attackers - before.attackers(before.turn, square))


def _may_hunt(evidence: Evidence, ply: int, square: chess.Square) -> bool:
    """Whether it is brought to where its next move attacks that piece."""
    now = evidence.after_reply(ply + 1)
    if now.is_check():
        return False
    free, hunter = after(now, (chess.Move.null(),)), evidence.reply_line[ply].to_square
    nexts = free.generate_legal_moves(chess.BB_SQUARES[hunter])
    return any(square in after(free, (move,)).attacks(move.to_square) for move in nexts)


def _checks_at(evidence: Evidence, king: KingExposed) -> int:
    """The ply of the move that drives the king: the last check before it has happened, else the answer.

    It is the answer, too, if that is a check which wins something.
    """
    line = evidence.reply_line
    is_kept = line[2:] and line[2].to_square != line[1].to_square
    if is_kept and evidence.after_reply(2).is_check() and _answer_wins(evidence, 1):
        return 1
    last = min(king.plies, len(line)) - 2
    for ply in range(last if last % 2 else last - 1, 0, -2):
        before = evidence.after_reply(ply)
        if before.gives_check(line[ply]) and not blows.sells(before, line[ply : ply + 2]):
            return ply
    return 1 if len(line) > 1 else 0


@dataclass(frozen=True, slots=True)
class _Answer:
    """The first punishing move, and how it is met."""

    start: chess.Board
    before: chess.Board
    move: chess.Move
    now: chess.Board
    lines: list[tuple[chess.Move, ...]]
    wins_material: bool  # that is the reason, be it lost or missed
    is_capture: bool
    takes_back: bool  # on the square where the mistake has taken something
    is_retaken: bool  # in one of the lines
    is_same: bool  # in all of them

    @classmethod
    def of(cls, evidence: Evidence, reason: Reason, lines: list[tuple[chess.Move, ...]]) -> _Answer:
        before, (reply, move) = evidence.after_reply(1), lines[0][:2]
        return cls(
            start=evidence.board,
            before=before,
            move=move,
            now=after(before, (move,)),
            lines=lines,
            wins_material=reason is Reason.MATERIAL,
            is_capture=before.is_capture(move),
            takes_back=evidence.board.is_capture(reply) and move.to_square == reply.to_square,
            is_retaken=any(blows.is_retaken(before, line[1:]) for line in lines),
            is_same=all(line[1] == move for line in lines),
        )


def _by_answer(evidence: Evidence, explanation: Explanation) -> Iterator[_Found]:
    """What the first punishing move does, what weighs most first."""
    lines = [line for line in evidence.reply_lines if len(line) >= 2]
    if not lines:
        return
    answer = _Answer.of(evidence, explanation.reason, lines)
    before, move, now = answer.before, answer.move, answer.now
    if move.promotion:
        yield Theme.PROMOTION, before, move
    wins_by_taking = answer.is_capture and explanation.won > 0
    if wins_by_taking and explanation.won > _gain_there(evidence, before, move) and _takes_and_forks(answer):
        yield Pattern.DOUBLE_ATTACK, before, move
    if wins_by_taking:
        yield from _by_capture(evidence, explanation, answer)
    if blows.threatens_mate(now):
        yield _mate_threat(before, move, lines[0][3:4]), before, move
    if answer.is_capture and not wins_by_taking:
        yield from _by_capture(evidence, explanation, answer)
    if found := _by_attack(answer, explanation.won):
        yield found, before, move
    given_up = [blows.sacrificed_until(evidence.board, line) for line in lines]
    if all(given_up):
        yield Theme.UNSOUND_SACRIFICE, evidence.after_reply(given_up[0]), lines[0][given_up[0]]
    if explanation.won and (forks := _forks_next(evidence)):
        yield forks
    # What answers the best move as well is not what the mistake is punished by.
    is_new = move not in evidence.best_line[1:2]
    if is_new and answer.is_same and all(blows.gains_time(before, line[1:3]) for line in lines):
        yield Theme.GAIN_OF_TIME, before, move
    stays = set(blows.pieces_hit(before, move)) - {goes.from_square for goes in lines[0][2:3]}
    falls = any(takes.to_square in stays for takes in lines[0][3:4])
    is_new_threat = is_new or falls or not _threatens_in_best(evidence)
    if is_new_threat and not answer.is_capture and (threat := _threat(answer)):
        yield threat, before, move
    if answer.is_capture and all(blows.breaks_pawns(answer.start, before, line[1:3]) for line in lines):
        yield Theme.BREAKS_PAWNS, before, move
    taken_next = [_takes_next(evidence.along(line)) for line in evidence.reply_lines]
    if not answer.takes_back and taken_next[0]:
        if _removes_guard(evidence):
            yield Pattern.REMOVED_DEFENDER, before, move
        if all(taken_next):
            yield taken_next[0]
    if answer.is_capture and (forks := _forks_after(evidence)):
        yield forks
    if answer.is_capture and all(blows.exchanges(answer.start, line) for line in lines):
        given, taken = taken_value(before, move), taken_value(answer.start, lines[0][0])
        is_given = answer.takes_back and not answer.is_retaken and given > taken
        yield (Theme.UNSOUND_SACRIFICE if is_given else Theme.EXCHANGE), before, move
    takes_mover = answer.is_capture and captured_square(before, move) == lines[0][0].to_square
    is_traded = answer.is_capture and all(blows.is_traded(before, line[1:3]) for line in lines)
    opens = not (takes_mover or is_traded or wins_by_taking or _is_paid_for(evidence, explanation.won))
    if opens and blows.is_break(before, move):
        yield Theme.PAWN_BREAK, before, move
    if not is_new or answer.is_capture:
        return
    if blows.threatens_fork(now, move, now.occupied & ~now.pawns):
        yield Theme.ATTACK, before, move
    if blows.threatens_fork(now, move, now.pawns) or _threatens_pawn(answer, explanation.won):
        yield Theme.PAWN_ATTACK, before, move
    if blows.gains_ground(before, move):
        yield Theme.SPACE, before, move


def _mate_threat(before: chess.Board, answer: chess.Move, then: tuple[chess.Move, ...]) -> Pattern | Theme:
    """A threat of mate, or a double attack if the same piece then takes another that it has hit."""
    hit = blows.pieces_hit(before, answer)
    takes = any(move.from_square == answer.to_square and move.to_square in hit for move in then)
    return Pattern.DOUBLE_ATTACK if takes else Theme.THREAT_OF_MATE


def _takes_and_forks(answer: _Answer) -> bool:
    """Whether the answer takes something, is not retaken, and attacks two pieces from there."""
    return not answer.is_retaken and len(blows.pieces_hit(answer.before, answer.move)) > 1


def _by_capture(evidence: Evidence, explanation: Explanation, answer: _Answer) -> Iterator[_Found]:
    """How what the answer takes has stood there, or what it takes next."""
    before, move, reply = answer.before, answer.move, answer.lines[0][0]
    if _is_paid_for(evidence, explanation.won):
        return
    plain = _plain(before, move)
    # What is taken back without loss had defenders enough: if it pays, it does so elsewhere.
    is_guarded = plain is Pattern.TOO_FEW_DEFENDERS and swap_gain(before, move) < 1
    is_traded = is_guarded and answer.is_retaken
    if answer.wins_material and move.to_square == reply.to_square:
        # Whoever took something cheaper there, and is retaken, has sacrificed; equals are exchanged.
        lost = VALUES[blows.kind(before, move.to_square)]
        taken = taken_value(answer.start, reply)
        if answer.takes_back and lost >= VALUES[chess.KNIGHT]:
            yield (Theme.UNSOUND_SACRIFICE if taken < lost else Theme.EXCHANGE), before, move
        if not is_traded:
            yield plain, before, move
    wins_it = not answer.takes_back and swap_gain(before, move) >= 1
    if answer.wins_material and answer.is_retaken and not wins_it and (taken_next := _takes_next(evidence)):
        yield taken_next
    is_kept = explanation.won > 0 and not answer.is_retaken
    # Of what is retaken counts what is won there, unless material is the reason: else the point is another.
    counts = (answer.wins_material or not answer.is_retaken) and not answer.takes_back
    is_left = explanation.detail.startswith(("leaves ", "gives up ")) and not is_guarded
    if is_left or is_kept or wins_it or (counts and not is_traded and blows.pays(before, move)):
        yield plain, before, move


def _by_attack(answer: _Answer, won: int) -> Pattern | None:
    """The pattern by which the answer attacks a piece or two, whether or not it wins one."""
    before, move, now = answer.before, answer.move, answer.now
    checks = (blows.forks_with_check(before, line[1:], answer.wins_material) for line in answer.lines)
    if answer.is_same and not answer.is_retaken and all(checks):
        return Pattern.DOUBLE_ATTACK
    if blows.hits_pinned(before, now, move):
        return Pattern.PIN
    if answer.is_capture:
        is_fork = len(blows.pieces_hit(before, move)) > 1 and not answer.is_retaken
        return Pattern.DOUBLE_ATTACK if is_fork else None
    return _hits(before, answer.lines, move, won)


def _is_paid_for(evidence: Evidence, won: int) -> bool:
    """Whether a piece is at once taken elsewhere for what the answer takes: nothing is won by that."""
    lines = [line for line in evidence.reply_lines if len(line) > 2]
    takes = [[taken_value(after(evidence.board, line[:ply]), line[ply]) for ply in (1, 2)] for line in lines]
    elsewhere = all(line[1].to_square != line[2].to_square for line in lines)
    return won < 1 and bool(lines) and elsewhere and all(back >= got >= blows.THREAT for got, back in takes)


def _takes_next(evidence: Evidence) -> _Found | None:
    """What the second punishing move takes, once a first capture has been retaken."""
    if len(evidence.reply_line) < 4 or evidence.reply_line[2].to_square != evidence.reply_line[1].to_square:
        return None
    before, move = evidence.after_reply(3), evidence.reply_line[3]
    is_other = before.is_capture(move) and move.to_square != evidence.reply_line[2].to_square
    return (_plain(before, move), before, move) if is_other and swap_gain(before, move) >= 1 else None


def _removes_guard(evidence: Evidence) -> bool:
    """Whether the answer takes what guards a man that falls next; with any defence something falls."""
    before, answer, falls = evidence.after_reply(1), *(evidence.reply_line[ply].to_square for ply in (1, 3))
    if falls in blows.takeable(before) or answer not in before.attackers(evidence.errs, falls):
        return False
    lines = [line for line in evidence.defences if len(line) > 3]
    return all(line[3].to_square in blows.takeable(evidence.along(line).after_reply(3)) for line in lines)


def _plain(before: chess.Board, answer: chess.Move) -> Pattern | Theme:
    taken = captured_square(before, answer)
    guards = before.attackers(not before.turn, taken)
    if not guards:
        return Pattern.UNDEFENDED_PIECE
    is_dearer = VALUES[blows.kind(before, taken)] > VALUES[blows.kind(before, answer.from_square)]
    now = after(before, (answer,))
    if not is_dearer and all(is_pinned_away(now, guard, answer.to_square) for guard in guards):
        return Pattern.PIN
    if not is_dearer and swap_gain(before, answer) < 1 and (trick := if_taken_back(before, answer)):
        return trick
    # Of a piece that is worth more than what takes it defenders make up for nothing.
    return Theme.CHEAPER_ATTACKER if is_dearer else Pattern.TOO_FEW_DEFENDERS


def _hits(
    before: chess.Board, lines: list[tuple[chess.Move, ...]], answer: chess.Move, won: int
) -> Pattern | None:
    """What a quiet move attacks: a piece that cannot get away and falls, two, or one from behind it."""
    now = after(before, (answer,))
    if now.is_check():
        return None
    hit = blows.pieces_hit(before, answer)
    # With one defence or another it may take something before it falls.
    if any(
        won or blows.falls(square, line[2:]) for square in blows.shut_in(before, answer) for line in lines
    ):
        return Pattern.TRAPPED_PIECE
    if any(blows.is_skewered(now, answer.to_square, square) for square in hit):
        return Pattern.SKEWER
    opened = [
        square for square in blows.newly_takeable(before, now) if blows.is_opened(before, now, answer, square)
    ]
    if any(VALUES[blows.kind(now, square)] >= VALUES[chess.KNIGHT] for square in opened):
        return Pattern.DISCOVERED_ATTACK
    return Pattern.DOUBLE_ATTACK if len(hit) > 1 else None


def _forks_next(evidence: Evidence) -> _Found | None:
    """A quiet second punishing move that attacks two pieces, after a first that has not been retaken."""
    line = evidence.reply_line
    if len(line) < 4 or line[2].to_square == line[1].to_square:
        return None
    before, move = evidence.after_reply(3), line[3]
    forks = not before.is_capture(move) and is_pawn_fork(after(before, (move,)), move.to_square)
    return (Pattern.DOUBLE_ATTACK, before, move) if forks else None


def _forks_after(evidence: Evidence) -> _Found | None:
    """A quiet move after an exchange that attacks a piece and something else, and takes one of them."""
    line = evidence.reply_line
    if len(line) < 6 or line[2].to_square != line[1].to_square:
        return None
    before, move, then = evidence.after_reply(3), line[3], line[5]
    hit = blows.newly_takeable(before, after(before, (move,))) & set(
        after(before, (move,)).attacks(move.to_square)
    )
    takes = then.from_square == move.to_square and then.to_square in hit and len(hit) > 1
    is_fork = takes and not before.is_capture(move) and bool(blows.pieces_hit(before, move))
    return (Pattern.DOUBLE_ATTACK, before, move) if is_fork else None


def _fork_trick(evidence: Evidence) -> _Found | None:
    """A piece is given for a pawn, and a pawn then forks what has retaken it and another piece.

    One of them falls to it, so that the piece comes back.
    """
    line = evidence.reply_line
    if len(line) < 6 or line[2].to_square != line[1].to_square:
        return None
    gives, before, forks = evidence.after_reply(1), evidence.after_reply(3), line[3]
    is_given = VALUES[blows.kind(gives, line[1].from_square)] > taken_value(gives, line[1]) >= 1
    if not is_given or before.is_capture(forks):
        return None
    now, square = after(before, (forks,)), forks.to_square
    forked = now.attacks(square) & now.occupied_co[now.turn]
    is_taken = line[5].from_square == square and evidence.after_reply(5).is_capture(line[5])
    has_both = is_pawn_fork(now, square) and line[1].to_square in forked
    return (Pattern.DOUBLE_ATTACK, before, forks) if has_both and is_taken else None


def _threat(answer: _Answer) -> Pattern | Theme | None:
    """The pattern by which a quiet answer threatens to win a piece, if it has to do with that piece.

    Something newly attacks it, or it has no square left.
    """
    before, move, now = answer.before, answer.move, answer.now
    if not blows.threatens_piece(before, now):
        return None
    if blows.pins(before, now, move):
        return Pattern.PIN
    if now.is_check():
        return Theme.ATTACK
    takeable = blows.takeable(after(now, (chess.Move.null(),)))
    hit = {at for at in takeable if now.attackers(before.turn, at) - before.attackers(before.turn, at)}
    taken = {then.to_square for line in answer.lines for then in line[3::2]}
    if len(hit & taken & set(now.attacks(move.to_square))) > 1:
        return Pattern.DOUBLE_ATTACK
    if hit:
        is_piece = any(now.piece_type_at(at) != chess.PAWN for at in hit)
        return Theme.ATTACK if is_piece else Theme.PAWN_ATTACK
    pieces = [at for at in takeable if VALUES[blows.kind(now, at)] >= VALUES[chess.KNIGHT]]
    return Pattern.TRAPPED_PIECE if any(has_no_flight(now, at) for at in pieces) else None


def _threatens_in_best(evidence: Evidence) -> bool:
    """Whether the second move of the best line threatens a piece: there the same answer is no punishment."""
    board = after(evidence.board, evidence.best_line[:1])
    return len(evidence.best_line) > 1 and blows.threatens_piece(board, after(board, evidence.best_line[1:2]))


def _threatens_pawn(answer: _Answer, won: int) -> bool:
    """Whether the answer attacks a pawn that could not be won before, and that soon falls.

    With one defence or another, or later, if the pawn is what is won.
    """
    if answer.before.is_check() or answer.now.is_check():
        return False
    hit = blows.newly_takeable(answer.before, answer.now)
    pawns = [square for square in hit if answer.now.piece_type_at(square) == chess.PAWN]
    return any(won or any(blows.falls_there(pawn, line[2:]) for line in answer.lines) for pawn in pawns)


def _first_taken(evidence: Evidence, explanation: Explanation) -> _Found | None:
    """The first capture shown that wins something by itself and does not merely retake."""
    for ply in range(1, 1 + len(explanation.refutation), 2):
        before, move = evidence.after_reply(ply), evidence.reply_line[ply]
        retakes = move.to_square == evidence.reply_line[ply - 1].to_square
        if before.is_capture(move) and not retakes and swap_gain(before, move) >= 1:
            return _plain(before, move), before, move
    return None


def _threat_of_fork(evidence: Evidence) -> _Found | None:
    """A quiet answer that brings a man to where it threatens to win a piece by its next move."""
    line, best = evidence.reply_line, evidence.best_line
    if len(line) < 2:
        return None
    before, now = evidence.after_reply(1), evidence.after_reply(2)
    if line[1] in best[1:2] and blows.threatens_fork(after(evidence.board, best[:2]), line[1], chess.BB_ALL):
        return None
    threatens = not before.is_capture(line[1]) and blows.threatens_fork(now, line[1], chess.BB_ALL)
    return (Theme.ATTACK, before, line[1]) if threatens else None


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


def _by_detail(detail: str) -> Theme:
    return next((theme for part, theme in _BY_DETAIL.items() if part in detail), Theme.POSITION)
