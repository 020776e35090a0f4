"""Why a reply loses and how its refutation works: the words of the tables, and all that is said of each.

A new reason or pattern is declared here, with its words in every language; `explain` tells when it holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """Beside its name, what is said of a reason or a pattern."""

    meaning: str  # a sentence: what it means in a game
    ask: str  # the question that helps pupils who do not see it
    printed: Mapping[str, str]  # by language of the sheets; in English they have the finding's own sentences


@dataclass(frozen=True, kw_only=True, slots=True)
class ReasonWords(Words):
    """What is said of a reason; printed, {errs} and {profits} become the sides, {n} the moves to mate."""

    is_tactical: bool  # moves show it on the board: the refutation may follow a pattern, pupils may be asked
    missed: Mapping[str, str] = field(default_factory=dict)  # as `printed`, if the reply only fails to win it


REASONS: Mapping[Reason, ReasonWords] = {
    Reason.MATE: ReasonWords(
        meaning="What counts is the king: nothing that is won elsewhere makes up for it.",
        ask="Which checks are there, and where can the king still go?",
        is_tactical=True,
        printed={
            "de": "Matt in {n}.",
            "fr": "Mat en {n}.",
            "es": "Mate en {n}.",
            "it": "Matto in {n}.",
            "nl": "Mat in {n}.",
        },
        missed={
            "de": "{errs} verpasst ein Matt in {n}.",
            "fr": "{errs} manquent un mat en {n}.",
            "es": "{errs} dejan escapar un mate en {n}.",
            "it": "{errs} si lascia sfuggire un matto in {n}.",
            "nl": "{errs} mist een mat in {n}.",
        },
    ),
    Reason.MATERIAL: ReasonWords(
        meaning="Where the forced moves end, the count of the men has changed.",
        ask="Which pieces stand undefended, and what attacks them?",
        is_tactical=True,
        printed={
            "de": "{profits} gewinnt Material.",
            "fr": "{profits} gagnent du matériel.",
            "es": "{profits} ganan material.",
            "it": "{profits} guadagna materiale.",
            "nl": "{profits} wint materiaal.",
        },
        missed={
            "de": "{errs} lässt sich Material entgehen.",
            "fr": "{errs} manquent un gain de matériel.",
            "es": "{errs} dejan de ganar material.",
            "it": "{errs} non guadagna il materiale che potrebbe.",
            "nl": "{errs} laat materiaal liggen.",
        },
    ),
    Reason.TEMPO: ReasonWords(
        meaning="A move that takes a piece back is missing elsewhere; the other side develops meanwhile.",
        ask="Which piece can be chased, and where must it go?",
        is_tactical=False,
        printed={
            "de": "{errs} verliert Zeit.",
            "fr": "{errs} perdent du temps.",
            "es": "{errs} pierden tiempo.",
            "it": "{errs} perde tempo.",
            "nl": "{errs} verliest tijd.",
        },
    ),
    Reason.KING: ReasonWords(
        meaning="A king that must walk, or cannot castle any more, has no shelter while the pieces come out.",
        ask="Which king is less safe now, and what opens the way to it?",
        is_tactical=True,
        printed={
            "de": "Der König von {errs} steht danach unsicher.",
            "fr": "{errs} ont ensuite un roi exposé.",
            "es": "{errs} quedan con el rey expuesto.",
            "it": "{errs} resta con il re esposto.",
            "nl": "De koning van {errs} staat daarna onveilig.",
        },
    ),
    Reason.POSITION: ReasonWords(
        meaning="Nothing falls by force, but the engine finds no good way on for the side that erred.",
        ask="What has the move given up: centre, development, or a square?",
        is_tactical=False,
        printed={
            "de": "{errs} steht danach schlechter.",
            "fr": "{errs} sont ensuite moins bien.",
            "es": "{errs} quedan peor.",
            "it": "{errs} resta in posizione peggiore.",
            "nl": "{errs} staat daarna slechter.",
        },
    ),
}

PATTERNS: Mapping[Pattern, Words] = {
    Pattern.DOUBLE_ATTACK: Words(
        meaning="One move of the line makes two threats, and no answer meets both.",
        ask="Which move attacks two things at once?",
        printed={
            "de": "Doppelangriff",
            "fr": "attaque double",
            "es": "ataque doble",
            "it": "doppio attacco",
            "nl": "dubbele aanval",
        },
    ),
    Pattern.PIN: Words(
        meaning="The line works because a man that is needed is pinned and cannot move.",
        ask="Which piece cannot move away, and what stands behind it?",
        printed={"de": "Fesselung", "fr": "clouage", "es": "clavada", "it": "inchiodatura", "nl": "penning"},
    ),
    Pattern.SKEWER: Words(
        meaning="A piece is attacked along a line, and what stands behind it falls when it moves.",
        ask="Which valuable piece must move, and what stands behind it?",
        printed={"de": "Spieß", "fr": "enfilade", "es": "enfilada", "it": "infilata", "nl": "spies"},
    ),
    Pattern.DISCOVERED_ATTACK: Words(
        meaning="A man moves off a line, and the piece behind it attacks.",
        ask="What would be attacked if the piece in between moved away?",
        printed={
            "de": "Abzugsangriff",
            "fr": "attaque à la découverte",
            "es": "ataque a la descubierta",
            "it": "attacco di scoperta",
            "nl": "aftrekaanval",
        },
    ),
    Pattern.TRAPPED_PIECE: Words(
        meaning="A piece is attacked and has no safe square to go to.",
        ask="Which piece has no square left?",
        printed={
            "de": "Figurenfang",
            "fr": "pièce enfermée",
            "es": "pieza atrapada",
            "it": "pezzo intrappolato",
            "nl": "stukvangst",
        },
    ),
    Pattern.REMOVED_DEFENDER: Words(
        meaning="The man that defends is taken, and then what it defended.",
        ask="Which piece holds it all together, and how can it be removed?",
        printed={
            "de": "Beseitigung des Verteidigers",
            "fr": "élimination du défenseur",
            "es": "eliminación del defensor",
            "it": "eliminazione del difensore",
            "nl": "uitschakelen van de verdediger",
        },
    ),
    Pattern.OVERLOADED_DEFENDER: Words(
        meaning="One man has two tasks: once it does the one, the other is left undone.",
        ask="Which piece has two things to guard at once?",
        printed={
            "de": "Überlastung",
            "fr": "surcharge",
            "es": "sobrecarga",
            "it": "sovraccarico",
            "nl": "overbelasting",
        },
    ),
    Pattern.BACK_RANK: Words(
        meaning="The king is shut in behind its own men, and the back rank is the way in.",
        ask="Who guards the back rank?",
        printed={
            "de": "Grundreihe",
            "fr": "mat du couloir",
            "es": "mate del pasillo",
            "it": "matto del corridoio",
            "nl": "onderste rij",
        },
    ),
    Pattern.MATING_NET: Words(
        meaning="The king is checked or cut off at every move until it has no square left.",
        ask="Which squares are left to the king?",
        printed={
            "de": "Mattnetz",
            "fr": "réseau de mat",
            "es": "red de mate",
            "it": "rete di matto",
            "nl": "matnet",
        },
    ),
}
