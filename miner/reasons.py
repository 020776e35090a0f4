"""Why a reply loses and how its refutation works: the words of the tables, and all that is said of each.

A new reason or pattern is declared here; `explain` tells when it holds, and
`lesson/phrases.toml` what sheets print of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Reason(StrEnum):
    """Why a reply loses."""

    MATE = "mate"
    MATERIAL = "material"
    TEMPO = "tempo"
    KING = "king"
    POSITION = "position"


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
    UNDEFENDED_PIECE = "undefended piece"
    TOO_FEW_DEFENDERS = "too few defenders"
    DESPERADO = "desperado"
    IN_BETWEEN_MOVE = "in-between move"


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """Sentences about a reason or a pattern, beside its name and what the sheets print."""

    meaning: str  # a sentence: what it means in a game
    ask: str  # the question that helps pupils who do not see it
    is_tactical: bool = True  # moves show it: a refutation may follow a pattern, pupils may be asked


REASONS: Mapping[Reason, Words] = {
    Reason.MATE: Words(
        meaning="What counts is the king: nothing that is won elsewhere makes up for it.",
        ask="Which checks are there, and where can the king still go?",
    ),
    Reason.MATERIAL: Words(
        meaning="Count the men on the board once the captures are over.",
        ask="Which pieces stand undefended, and what attacks them?",
    ),
    Reason.TEMPO: Words(
        meaning="A piece that has to move again costs a move, which is missing elsewhere.",
        ask="Which piece can be chased, and where must it go?",
        is_tactical=False,
    ),
    Reason.KING: Words(
        meaning="A king that must walk, or cannot castle any more, has no shelter while the pieces come out.",
        ask="Which king is less safe now, and what opens the way to it?",
    ),
    Reason.POSITION: Words(
        meaning="The best move would have kept more.",
        ask="What has the move given up: centre, development, or a square?",
        is_tactical=False,
    ),
}

PATTERNS: Mapping[Pattern, Words] = {
    Pattern.DOUBLE_ATTACK: Words(
        meaning="One move of the line makes two threats, and no answer meets both.",
        ask="Which move attacks two things at once?",
    ),
    Pattern.PIN: Words(
        meaning="The line works because a man that is needed is pinned and cannot move.",
        ask="Which piece cannot move away, and what stands behind it?",
    ),
    Pattern.SKEWER: Words(
        meaning="A piece is attacked along a line, and what stands behind it falls when it moves.",
        ask="Which valuable piece must move, and what stands behind it?",
    ),
    Pattern.DISCOVERED_ATTACK: Words(
        meaning="A man moves off a line, and the piece behind it attacks.",
        ask="What would be attacked if the piece in between moved away?",
    ),
    Pattern.TRAPPED_PIECE: Words(
        meaning="A piece is attacked and has no safe square to go to.",
        ask="Which piece has no square left?",
    ),
    Pattern.REMOVED_DEFENDER: Words(
        meaning="The man that defends is taken, and then what it defended.",
        ask="Which piece holds it all together, and how can it be removed?",
    ),
    Pattern.OVERLOADED_DEFENDER: Words(
        meaning="One man has two tasks: once it does the one, the other is left undone.",
        ask="Which piece has two things to guard at once?",
    ),
    Pattern.BACK_RANK: Words(
        meaning="The king is shut in behind its own men, and the back rank is the way in.",
        ask="Who guards the back rank?",
    ),
    Pattern.MATING_NET: Words(
        meaning="The king is checked or cut off at every move until it has no square left.",
        ask="Which squares are left to the king?",
    ),
    Pattern.UNDEFENDED_PIECE: Words(
        meaning="Something stands where nothing defends it, and is taken for nothing.",
        ask="What stands there without a defender?",
    ),
    Pattern.TOO_FEW_DEFENDERS: Words(
        meaning="Something is attacked more often than it is defended, or by something that is worth less.",
        ask="Count: how many attack it, how many defend it, and what is each of them worth?",
    ),
    Pattern.DESPERADO: Words(
        meaning="A piece that is lost where it stands takes as much as it can before it goes.",
        ask="If that piece is lost anyway, what can it take first?",
    ),
    Pattern.IN_BETWEEN_MOVE: Words(
        meaning="Instead of taking back at once, a stronger move comes first.",
        ask="Must one take back at once, or is there a stronger move first?",
    ),
}
