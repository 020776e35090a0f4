"""Moves as they are written in different languages, and with figurines."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

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
