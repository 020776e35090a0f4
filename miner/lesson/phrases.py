"""The words and piece letters of the sheets in each language."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from miner.errors import UsageError
from miner.terms import Side

ENGLISH = "en"
FIGURINES = "figurines"

LETTERS: Mapping[str, tuple[str, str, str, str, str]] = MappingProxyType(
    {
        ENGLISH: ("K", "Q", "R", "B", "N"),
        "cs": ("K", "D", "V", "S", "J"),
        "da": ("K", "D", "T", "L", "S"),
        "de": ("K", "D", "T", "L", "S"),
        "es": ("R", "D", "T", "A", "C"),
        "et": ("K", "L", "V", "O", "R"),
        "fi": ("K", "D", "T", "L", "R"),
        "fr": ("R", "D", "T", "F", "C"),
        "hu": ("K", "V", "B", "F", "H"),
        "is": ("K", "D", "H", "B", "R"),
        "it": ("R", "D", "T", "A", "C"),
        "nl": ("K", "D", "T", "L", "P"),
        "no": ("K", "D", "T", "L", "S"),
        "pl": ("K", "H", "W", "G", "S"),
        "pt": ("R", "D", "T", "B", "C"),
        "ro": ("R", "D", "T", "N", "C"),
        "sv": ("K", "D", "T", "L", "S"),
        FIGURINES: ("♔", "♕", "♖", "♗", "♘"),
    }
)
"""King, queen, rook, bishop and knight, by ISO 639-1 code of the language.

Source: Portable Game Notation Specification (1994), section 8.2.3.2, table of piece letters, from memory;
as in print, figurines are the outlined ones for both sides.
"""

_ENGLISH = LETTERS[ENGLISH]

# A move in SAN wherever it stands in a text: by a piece, castling aside, or a pawn that promotes. Words such
# as `Black` or `Nothing` must not be taken for one, nor squares alone, which are the same everywhere.
_BY_PIECE = re.compile(r"(?<![A-Za-z])[KQRBN](?=[a-h]?[1-8]?x?[a-h][1-8](?![A-Za-z0-9]))")
_PROMOTION = re.compile(r"(?<=[a-h][18]=)[QRBN]")


def translated(text: str, language: str) -> str:
    """English SAN, alone or in a text, with the piece letters of a language of LETTERS.

    >>> translated("4.Nxe5 Bxd1 5.Bxf7+ Ke7 6.Nd5#", "de")
    '4.Sxe5 Lxd1 5.Lxf7+ Ke7 6.Sd5#'
    """
    to = dict(zip(_ENGLISH, LETTERS[language], strict=True))
    return _PROMOTION.sub(lambda one: to[one[0]], _BY_PIECE.sub(lambda one: to[one[0]], text))


@dataclass(frozen=True, kw_only=True, slots=True)
class Phrases:
    """The printed words of one language; what stands in braces is filled in."""

    code: str
    title: str
    answers: str
    name: str
    date: str
    page: str
    sides: tuple[str, str]  # White, Black at the beginning of a sentence
    to_move: str
    punish: str
    wrong: str
    instead: str
    better: str
    fails: str
    reasons: Mapping[str, str]  # by reason, and whether it was missed; {errs}, {profits}, {n} moves
    patterns: Mapping[str, str]

    def side(self, side: Side) -> str:
        """White or Black."""
        return self.sides[0 if side is Side.WHITE else 1]


_EN = Phrases(
    code="en",
    title="Opening exercises",
    answers="Answers",
    name="Name",
    date="Date",
    page="Page {page} of {pages}",
    sides=("White", "Black"),
    to_move="{side} to move",
    punish="How do you punish {move}?",
    wrong="What is wrong with {move}?",
    instead="{move} is a mistake. Find the best move instead.",
    better="Better: {moves}.",
    fails="{move} fails to {moves}.",
    reasons=MappingProxyType({}),  # the findings' own sentences say more
    patterns=MappingProxyType({}),
)

_DE = Phrases(
    code="de",
    title="Eröffnungsaufgaben",
    answers="Lösungen",
    name="Name",
    date="Datum",
    page="Seite {page} von {pages}",
    sides=("Weiß", "Schwarz"),
    to_move="{side} am Zug",
    punish="Wie bestrafst du {move}?",
    wrong="Was ist falsch an {move}?",
    instead="{move} ist ein Fehler. Finde den besten Zug!",
    better="Besser: {moves}.",
    fails="{move} scheitert an {moves}.",
    reasons=MappingProxyType(
        {
            "mate": "Matt in {n}.",
            "mate missed": "{errs} verpasst ein Matt in {n}.",
            "material": "{profits} gewinnt Material.",
            "material missed": "{errs} lässt sich Material entgehen.",
            "tempo": "{errs} verliert Zeit.",
            "king": "Der König von {errs} steht danach unsicher.",
            "position": "{errs} steht danach schlechter.",
        }
    ),
    patterns=MappingProxyType(
        {
            "double attack": "Doppelangriff",
            "pin": "Fesselung",
            "skewer": "Spieß",
            "discovered attack": "Abzugsangriff",
            "trapped piece": "Figurenfang",
            "removed defender": "Beseitigung des Verteidigers",
            "overloaded defender": "Überlastung",
            "back rank": "Grundreihe",
            "mating net": "Mattnetz",
        }
    ),
)

_FR = Phrases(
    code="fr",
    title="Exercices d’ouverture",
    answers="Solutions",
    name="Nom",
    date="Date",
    page="Page {page} sur {pages}",
    sides=("Les Blancs", "Les Noirs"),
    to_move="{side} jouent",
    punish="Comment punir {move} ?",
    wrong="Pourquoi {move} est-il mauvais ?",
    instead="{move} est une faute. Trouvez le meilleur coup !",
    better="Mieux : {moves}.",
    fails="{move} échoue sur {moves}.",
    reasons=MappingProxyType(
        {
            "mate": "Mat en {n}.",
            "mate missed": "{errs} manquent un mat en {n}.",
            "material": "{profits} gagnent du matériel.",
            "material missed": "{errs} manquent un gain de matériel.",
            "tempo": "{errs} perdent du temps.",
            "king": "{errs} ont ensuite un roi exposé.",
            "position": "{errs} sont ensuite moins bien.",
        }
    ),
    patterns=MappingProxyType(
        {
            "double attack": "attaque double",
            "pin": "clouage",
            "skewer": "enfilade",
            "discovered attack": "attaque à la découverte",
            "trapped piece": "pièce enfermée",
            "removed defender": "élimination du défenseur",
            "overloaded defender": "surcharge",
            "back rank": "mat du couloir",
            "mating net": "réseau de mat",
        }
    ),
)

_ES = Phrases(
    code="es",
    title="Ejercicios de apertura",
    answers="Soluciones",
    name="Nombre",
    date="Fecha",
    page="Página {page} de {pages}",
    sides=("Las blancas", "Las negras"),
    to_move="{side} juegan",
    punish="¿Cómo castigas {move}?",
    wrong="¿Qué tiene de malo {move}?",
    instead="{move} es un error. ¡Encuentra la mejor jugada!",
    better="Mejor: {moves}.",
    fails="{move} falla por {moves}.",
    reasons=MappingProxyType(
        {
            "mate": "Mate en {n}.",
            "mate missed": "{errs} dejan escapar un mate en {n}.",
            "material": "{profits} ganan material.",
            "material missed": "{errs} dejan de ganar material.",
            "tempo": "{errs} pierden tiempo.",
            "king": "{errs} quedan con el rey expuesto.",
            "position": "{errs} quedan peor.",
        }
    ),
    patterns=MappingProxyType(
        {
            "double attack": "ataque doble",
            "pin": "clavada",
            "skewer": "enfilada",
            "discovered attack": "ataque a la descubierta",
            "trapped piece": "pieza atrapada",
            "removed defender": "eliminación del defensor",
            "overloaded defender": "sobrecarga",
            "back rank": "mate del pasillo",
            "mating net": "red de mate",
        }
    ),
)

_IT = Phrases(
    code="it",
    title="Esercizi di apertura",
    answers="Soluzioni",
    name="Nome",
    date="Data",
    page="Pagina {page} di {pages}",
    sides=("Il Bianco", "Il Nero"),
    to_move="{side} muove",
    punish="Come punisci {move}?",
    wrong="Che cosa c’è di sbagliato in {move}?",
    instead="{move} è un errore. Trova la mossa migliore!",
    better="Meglio: {moves}.",
    fails="{move} fallisce per {moves}.",
    reasons=MappingProxyType(
        {
            "mate": "Matto in {n}.",
            "mate missed": "{errs} si lascia sfuggire un matto in {n}.",
            "material": "{profits} guadagna materiale.",
            "material missed": "{errs} non guadagna il materiale che potrebbe.",
            "tempo": "{errs} perde tempo.",
            "king": "{errs} resta con il re esposto.",
            "position": "{errs} resta in posizione peggiore.",
        }
    ),
    patterns=MappingProxyType(
        {
            "double attack": "doppio attacco",
            "pin": "inchiodatura",
            "skewer": "infilata",
            "discovered attack": "attacco di scoperta",
            "trapped piece": "pezzo intrappolato",
            "removed defender": "eliminazione del difensore",
            "overloaded defender": "sovraccarico",
            "back rank": "matto del corridoio",
            "mating net": "rete di matto",
        }
    ),
)

_NL = Phrases(
    code="nl",
    title="Openingsopgaven",
    answers="Oplossingen",
    name="Naam",
    date="Datum",
    page="Bladzijde {page} van {pages}",
    sides=("Wit", "Zwart"),
    to_move="{side} aan zet",
    punish="Hoe straf je {move} af?",
    wrong="Wat is er mis met {move}?",
    instead="{move} is een fout. Vind de beste zet!",
    better="Beter: {moves}.",
    fails="{move} faalt op {moves}.",
    reasons=MappingProxyType(
        {
            "mate": "Mat in {n}.",
            "mate missed": "{errs} mist een mat in {n}.",
            "material": "{profits} wint materiaal.",
            "material missed": "{errs} laat materiaal liggen.",
            "tempo": "{errs} verliest tijd.",
            "king": "De koning van {errs} staat daarna onveilig.",
            "position": "{errs} staat daarna slechter.",
        }
    ),
    patterns=MappingProxyType(
        {
            "double attack": "dubbele aanval",
            "pin": "penning",
            "skewer": "spies",
            "discovered attack": "aftrekaanval",
            "trapped piece": "stukvangst",
            "removed defender": "uitschakelen van de verdediger",
            "overloaded defender": "overbelasting",
            "back rank": "onderste rij",
            "mating net": "matnet",
        }
    ),
)

PHRASES: Mapping[str, Phrases] = MappingProxyType({one.code: one for one in (_EN, _DE, _FR, _ES, _IT, _NL)})
"""The languages whose words are known; any other takes the English words and its own piece letters."""


@dataclass(frozen=True, slots=True)
class Tongue:
    """The words of a sheet and how its moves are written."""

    phrases: Phrases
    notation: str  # a key of LETTERS

    @classmethod
    def of(cls, language: str, *, figurines: bool = False) -> Tongue:
        """The words and letters of a language of LETTERS; with `figurines`, its words alone.

        Raises UsageError for any other language.
        """
        if language not in LETTERS:
            raise UsageError(f"no language is called {language}", advice=f"take one of {', '.join(LETTERS)}")
        return cls(PHRASES.get(language, _EN), FIGURINES if figurines else language)

    @property
    def in_english(self) -> Tongue:
        """English words with the same piece letters, for what only the coach reads."""
        return Tongue(_EN, self.notation)

    def moves(self, text: str) -> str:
        """English SAN, alone or in a text, as this tongue writes it."""
        return translated(text, self.notation)
