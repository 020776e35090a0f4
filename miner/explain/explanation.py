"""The one reason that a coach would give."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest

import chess

from miner.board.moves import is_forcing
from miner.board.settle import material_balance, settled_balance
from miner.explain.evidence import LONGEST, Evidence
from miner.explain.king import KingExposed, explain_king
from miner.explain.material import Cost, MaterialLost, explain_material, given_up, left_undefended
from miner.explain.pattern import Strike, find_strike
from miner.explain.position import explain_position
from miner.explain.tempo import explain_tempo
from miner.reasons import REASONS, Pattern, Reason

_SHOWN_PLIES = 4  # of a line whose point is not on the board: the reply, the answer and a move of each side
_DECISIVE_PAWNS = 2
_LEAST_CP_A_PAWN = 40  # that the engine must see in each: what it calls worth much less will not last
_LEAST_CP_OF_A_ROOK = 50  # in each where a rook falls: mostly in the corner, and its taker after it
_MOST_SEEN = 6  # pawns, since it sees the less in each the more are won
_ATTACK_PLIES = 11  # of a king hunt that are shown, if it goes on so long
NO_SIMPLE_REASON = "no simple reason"
"""The detail of a reply that loses nothing in particular."""
LETS_GO, GIVES_AWAY = "lets the advantage go", "gives away more than it had to"
"""The same of one that leaves its player no worse: who stood better, and who did not."""
ADVANTAGE = 0.58
"""Expected score from which a player stood better: as far above one half as a mistake leaves him below."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a reply loses, and how it is shown."""

    reason: Reason
    detail: str  # plain English, from computed facts only
    pattern: Pattern | None
    refutation: tuple[chess.Move, ...]  # moves after the reply, as long as they are forced or needed
    is_forced: bool = False  # the lines themselves show the harm: mate, two pawns or more, a verified retreat
    strike: Strike | None = None  # the punishing move that has the pattern
    won: int = 0  # pawns that the refutation wins, counted from the diagram; 0: that is not the reason


def explain(evidence: Evidence, *, forced_loss: float = 0.10) -> Explanation:
    """The reason that weighs most, as a coach would name it.

    1. Mate that the reply allows.
    2. Material worth two pawns or more that the reply loses; or that it misses, if it still stands no worse.
    3. A verified retreat: the engine has looked for a way out and found none, so that a pawn that falls
       later in the line is the consequence and not the point.
    4. The king driven out or kept from castling: here, too, a pawn taken on the way is not the point.
    5. Any other material.
    6. A piece that is sent home, chased or driven off, which only the lines show.
    7. A mate that the reply misses.
    8. Otherwise the position, by what it is left with.

    A pawn that is taken at once, and not at once taken back, is told behind other material; what can merely
    be taken, behind lost time, but before what is only missed.
    Where other defences are not known, only the first two.

    Each must hold with every defence that is as good as the engine's own (`Evidence.defences`). What is only
    missed follows no pattern: it is no tactic of the other side.
    `forced_loss` is the expected score that every other move must lose for a retreat to be forced.
    """
    told = next(_reasons(evidence, forced_loss))
    shown = evidence.along(told.line or evidence.reply_line)
    plies = max(told.plies, 2)
    if told.reason is not Reason.MATERIAL:
        plies = _with_gain(shown, _with_recaptures(shown, plies))
    if told.reason is Reason.POSITION:
        plies = _until_even(shown, plies)
    refutation = shown.reply_line[1:plies]
    follows_pattern = REASONS[told.reason].is_tactical and not told.is_missed
    strike = find_strike(shown, refutation) if follows_pattern else None
    pattern = strike.pattern if strike else None
    return Explanation(told.reason, told.detail, pattern, refutation, told.is_forced, strike, told.won)


def _with_recaptures(evidence: Evidence, plies: int) -> int:
    """So many moves of the line, and those that only take back: no line ends in the midst of an exchange."""
    line = evidence.reply_line
    while plies < len(line) and evidence.after_reply(plies - 1).is_capture(line[plies - 1]):
        if line[plies].to_square != line[plies - 1].to_square:
            break
        plies += 1
    return plies


def _with_gain(evidence: Evidence, plies: int) -> int:
    """So many moves, and the next if it takes something for good: a coach would not stop before that."""
    line, before = evidence.reply_line, material_balance(evidence.board, evidence.errs)
    if plies % 2 == 0 or plies >= len(line) or not evidence.after_reply(plies).is_capture(line[plies]):
        return plies
    taken = plies + 1
    return taken if settled_balance(evidence.after_reply(taken), evidence.errs) < before else plies


def _until_even(evidence: Evidence, plies: int) -> int:
    """So many moves of the line, and more if the side that punishes has just given up material in them.

    Up to where it has that back; where the line does not get there, only the moves before it was given up.
    """
    before = material_balance(evidence.board, evidence.errs) + _DECISIVE_PAWNS
    line = evidence.reply_line

    def is_even(at: int) -> bool:
        board = evidence.after_reply(at)
        goes_on = at < len(line) and board.is_capture(line[at])
        return not goes_on and material_balance(board, evidence.errs) < before

    shown = evidence.after_reply(plies)
    if material_balance(shown, evidence.errs) < before or shown.is_checkmate():
        return plies
    later = (at for at in range(plies + 1, min(len(line), LONGEST) + 1) if is_even(at))
    sooner = (at for at in range(plies - 1, 1, -1) if is_even(at))
    return next(later, next(sooner, plies))


@dataclass(frozen=True, slots=True)
class _Told:
    reason: Reason
    detail: str
    plies: int  # of the line, to show it
    line: tuple[chess.Move, ...] = ()  # none: the reply's first
    is_forced: bool = False  # see `Explanation`
    is_missed: bool = False
    won: int = 0


def _reasons(evidence: Evidence, forced_loss: float) -> Iterator[_Told]:
    """All reasons, that which weighs most first."""
    mate = explain_mate(evidence)
    if mate is not None and not mate.missed:
        yield _Told(Reason.MATE, mate.detail, len(evidence.reply_line), is_forced=True)
    claimed = explain_material(evidence)
    material = claimed if claimed is not None and _is_borne_out(evidence, claimed) else None
    counts = material is not None and (material.cost in _HARM or evidence.reply.as_cp >= 0)
    if material is not None and counts and material.pawns >= _DECISIVE_PAWNS:
        yield _told(material)
    if not evidence.knows_defences:
        yield _Told(Reason.POSITION, NO_SIMPLE_REASON, _SHOWN_PLIES)
    tempo = explain_tempo(evidence, forced_loss=forced_loss)
    if tempo is not None and tempo.verified:
        yield _Told(Reason.TEMPO, tempo.detail, tempo.plies, is_forced=True)
    king = explain_king(evidence)
    if king is not None:
        yield _Told(Reason.KING, king.detail, _attack_plies(evidence, king))
    loose = left_undefended(evidence)
    if material is not None and not (loose and material.cost is not Cost.WINS):
        yield _told(material)
    if claimed is None and (taken := given_up(evidence)):
        yield _Told(Reason.MATERIAL, f"gives up {taken}", _SHOWN_PLIES)
    if tempo is not None:
        yield _Told(Reason.TEMPO, tempo.detail, tempo.plies)
    if loose and (claimed is None or claimed.cost is not Cost.WINS):
        yield _Told(Reason.MATERIAL, f"leaves {loose} undefended", _with_recaptures(evidence, _SHOWN_PLIES))
    if mate is not None:
        yield _Told(Reason.MATE, mate.detail, _SHOWN_PLIES, is_missed=True)
    position = explain_position(evidence)
    if position is not None:
        yield _Told(Reason.POSITION, position.detail, max(position.plies, _SHOWN_PLIES))
    yield _Told(Reason.POSITION, NO_SIMPLE_REASON, _SHOWN_PLIES)


def _is_borne_out(evidence: Evidence, material: MaterialLost) -> bool:
    """Whether the engine's scores differ by as much as material that is won would make them, or nearly.

    A knight that has taken a rook in the corner and will not come out again has won none; nor has anything
    been won for good that leaves who has less level; nor does the win of a pawn get missed that leaves its
    side no better.
    """
    if material.cost is Cost.MISSES and evidence.best.as_cp < _LEAST_CP_A_PAWN:
        return False
    has_left = material_balance(evidence.board, evidence.errs) - material.won
    if material.cost is Cost.WINS and has_left < 0 and evidence.reply.as_cp > -_LEAST_CP_A_PAWN:
        return False
    takes_rook = material.net.get(chess.ROOK, 0) > 0
    a_pawn = _LEAST_CP_OF_A_ROOK if takes_rook else _LEAST_CP_A_PAWN
    least_cp = a_pawn * min(material.pawns, _MOST_SEEN)
    seen_cp = evidence.best.as_cp - evidence.reply.as_cp
    return material.cost not in (Cost.WINS, Cost.MISSES) or seen_cp >= least_cp


_HARM = (Cost.WINS, Cost.LEAVES)


def _told(material: MaterialLost) -> _Told:
    return _Told(
        Reason.MATERIAL,
        material.detail,
        material.plies,
        material.line,
        is_forced=material.cost in _HARM and material.pawns >= _DECISIVE_PAWNS,
        is_missed=material.cost is not Cost.WINS,
        won=material.won if material.cost is Cost.WINS else 0,
    )


@dataclass(frozen=True, slots=True)
class Mate:
    """The reply allows mate in `moves`; or, if `missed`, it lets slip a mate in `moves` of one's own."""

    moves: int
    missed: bool = False

    @property
    def detail(self) -> str:
        """The reason in words, such as `mate in 2`."""
        return f"misses mate in {self.moves}" if self.missed else f"mate in {self.moves}"


def explain_mate(evidence: Evidence) -> Mate | None:
    """Mate allowed by the reply, where the best move prevents it; else a mate that the reply misses.

    The line counts as well as the score: a line that ends in checkmate is mate. A missed mate is a reason
    only as long as the reply still does not lose anything else, which `explain` decides.
    """
    best, reply = evidence.best.mate, evidence.reply.mate
    allowed = _mate_against(evidence)
    if allowed is not None and (best is None or best > 0):
        return Mate(allowed)
    if best is not None and best > 0 and (reply is None or reply <= 0):
        return Mate(best, missed=True)
    return None


def _mate_against(evidence: Evidence) -> int | None:
    if evidence.reply.mate is not None and evidence.reply.mate <= 0:
        return max(1, -evidence.reply.mate)
    plies = len(evidence.reply_line)
    if plies % 2 == 0 and evidence.after_reply(plies).is_checkmate():
        return plies // 2
    return None


def _attack_plies(evidence: Evidence, king: KingExposed) -> int:
    """The moves that expose the king, and the checks and captures that follow without a pause."""
    plies = king.plies
    board = evidence.after_reply(plies)
    for strike, answer in zip_longest(evidence.reply_line[plies::2], evidence.reply_line[plies + 1 :: 2]):
        if plies >= _ATTACK_PLIES or not is_forcing(board, strike):
            break
        for move in filter(None, (strike, answer)):
            board.push(move)
            plies += 1
    return plies
