"""The one reason that a coach would give."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import chess

from miner.explain.evidence import Evidence
from miner.explain.forcing import forcing_plies
from miner.explain.king import KingExposed, explain_king
from miner.explain.mate import explain_mate
from miner.explain.material import explain_material
from miner.explain.pattern import Pattern, find_pattern
from miner.explain.tempo import TempoLost, explain_tempo

_SHOWN_PLIES = 4  # of a refutation that forces nothing: two moves of each side


class Reason(StrEnum):
    """Why a reply loses."""

    MATE = "mate"
    MATERIAL = "material"
    TEMPO = "tempo"
    KING = "king"
    POSITION = "position"


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a reply loses, and how it is shown."""

    reason: Reason
    detail: str  # plain English, from computed facts only
    pattern: Pattern | None
    refutation: tuple[chess.Move, ...]  # moves after the reply, as long as they are forced or needed


def explain(evidence: Evidence, *, forced_loss: float = 0.10) -> Explanation:
    """The reason that weighs most, as a coach would name it.

    1. Mate that the reply allows.
    2. Material worth two pawns or more.
    3. A verified retreat, for then the engine has looked for a way out and found none; a pawn that falls
       somewhere later in the line is the consequence, not the point.
    4. The king driven out or kept from castling: a pawn that is taken on the way is not the point either.
    5. A pawn.
    6. A chase, seen in the line only.
    7. A mate that the reply misses.
    8. Otherwise the position.

    `forced_loss` is the expected score that every other move must lose for a retreat to be forced.
    """
    mate = explain_mate(evidence)
    if mate is not None and not mate.missed:
        return _explanation(evidence, Reason.MATE, mate.detail, len(evidence.reply_line))
    material = explain_material(evidence)
    tempo = explain_tempo(evidence, forced_loss=forced_loss)
    king = explain_king(evidence)
    if material is not None and (material.pawns >= 2 or not _outweighs_a_pawn(tempo, king)):
        return _explanation(evidence, Reason.MATERIAL, material.detail, material.plies)
    if tempo is not None and (tempo.home or king is None):
        return _explanation(evidence, Reason.TEMPO, tempo.detail, tempo.plies)
    if king is not None:
        return _explanation(evidence, Reason.KING, king.detail, max(king.plies, forcing_plies(evidence)))
    if mate is not None:
        return _explanation(evidence, Reason.MATE, mate.detail, 1)
    return _explanation(evidence, Reason.POSITION, "", forcing_plies(evidence))


def _outweighs_a_pawn(tempo: TempoLost | None, king: KingExposed | None) -> bool:
    return king is not None or (tempo is not None and tempo.home)


def _explanation(evidence: Evidence, reason: Reason, detail: str, plies: int) -> Explanation:
    refutation = evidence.reply_line[1 : max(plies, min(_SHOWN_PLIES, 2))]
    return Explanation(reason, detail, find_pattern(evidence, refutation), refutation)
