"""The words and piece letters of the sheets in each language."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from miner.errors import UsageError

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

    def side(self, color: bool) -> str:
        """White or Black."""
        return self.sides[0 if color else 1]


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
