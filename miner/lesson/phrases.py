"""The words and piece letters of the sheets and the practice page in each language."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from types import MappingProxyType

from miner.errors import UsageError
from miner.terms import ALL_BANDS, UNRATED, Side

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

# A move in SAN wherever it stands in a text: by a piece, castling aside, or a pawn that promotes. Words such
# as `Black` or `Nothing` must not be taken for one, nor squares alone, which are the same everywhere.
_PIECE_OF_MOVE = re.compile(
    r"(?<![A-Za-z])[KQRBN](?=[a-h]?[1-8]?x?[a-h][1-8](?![A-Za-z0-9]))|(?<=[a-h][18]=)[QRBN]"
)
_TABLES = tomllib.loads(resources.files("miner.lesson").joinpath("phrases.toml").read_text("utf-8"))


def translated(text: str, language: str) -> str:
    """English SAN, alone or in a text, with the piece letters of a language of LETTERS.

    >>> translated("4.Nxe5 Bxd1 5.Bxf7+ Ke7 6.Nd5#", "de")
    '4.Sxe5 Lxd1 5.Lxf7+ Ke7 6.Sd5#'
    """
    letters = dict(zip(LETTERS[ENGLISH], LETTERS[language], strict=True))
    return _PIECE_OF_MOVE.sub(lambda found: letters[found[0]], text)


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
    suppose: str  # a move that is not played yet stands on the board of the page already
    instead: str
    as_good: str  # beside the only answer whose worth is known
    better: str
    fails: str
    played: str  # the answer in the game from which an exercise is
    finders: str  # how often players of the pupils' band found such a motif
    all_bands: str  # of players of all bands together
    unrated: str  # of those without a rating
    practice: Mapping[str, str | list[str]]  # of the page to practise on, by the names that its script knows
    reasons: Mapping[str, str] = field(default_factory=dict)
    missed: Mapping[str, str] = field(default_factory=dict)  # as `reasons`, if the reply only fails to win
    patterns: Mapping[str, str] = field(default_factory=dict)
    themes: Mapping[str, str] = field(default_factory=dict)  # of motifs that are no pattern of a combination

    def side(self, side: Side) -> str:
        """White or Black."""
        return self.sides[0 if side is Side.WHITE else 1]

    def band(self, band: str) -> str:
        """A rating band, or all of them."""
        return {ALL_BANDS: self.all_bands, UNRATED: self.unrated}.get(band, band)

    def pattern(self, name: str) -> str:
        """What a pattern or theme is called; empty: the language has no word of its own for it."""
        return self.patterns.get(name, "") or self.themes.get(name, "")


PHRASES: Mapping[str, Phrases] = MappingProxyType(
    {code: Phrases(code=code, **table) for code, table in _TABLES.items()}
)
"""The languages whose words are known; any other takes the English words and its own piece letters."""


@dataclass(frozen=True, slots=True)
class Tongue:
    """The language of a sheet: its words, and how its moves are written."""

    phrases: Phrases
    notation: str  # a key of LETTERS

    @classmethod
    def of(cls, language: str, *, figurines: bool = False) -> Tongue:
        """The words and letters of a language of LETTERS; with `figurines`, its words alone.

        Raises UsageError for any other language.
        """
        if language not in LETTERS:
            raise UsageError(f"no language is called {language}", advice=f"take one of {', '.join(LETTERS)}")
        return cls(PHRASES.get(language, PHRASES[ENGLISH]), FIGURINES if figurines else language)

    @property
    def in_english(self) -> Tongue:
        """English words with the same piece letters, for what only the coach reads."""
        return Tongue(PHRASES[ENGLISH], self.notation)

    def moves(self, text: str) -> str:
        """English SAN, alone or in a text, in this notation."""
        return translated(text, self.notation)
