"""Move text: the main line without comments and variations, its moves, the final result.

Works on bytes, since everything that counts in move text is ASCII whatever the encoding of the comments.
"""

from __future__ import annotations

import re
from collections import deque
from itertools import islice

RESULTS = ("1-0", "0-1", "1/2-1/2")
NULL_MOVES = (b"--", b"Z0", b"@@@@")

_RESULT_WORDS = (b"1-0", b"0-1", b"1/2-1/2", b"*")
_NOT_LETTERS = b" \t\r\n\v\f0123456789.-+#=!?/*"
_ASIDE = re.compile(rb"\{[^}]*(?:\}|\Z)|;[^\n]*|^%[^\n]*|\$\d+", re.MULTILINE)
_BRACKET = re.compile(rb"[()]")
_FIRST_RESULT = re.compile(rb"(?<![^\s.])(1-0|0-1|1/2-1/2|\*)(?!\S)")
_MOVE = re.compile(
    rb"([NBKRQ]?[a-h]?[1-8]?[-x:]?[a-h](?:[2-7]|[18](?:=?[nbrqNBRQ])?)"
    rb"|--|Z0|@@@@|[Oo0]-[Oo0](?:-[Oo0])?)"
    rb"|(1-0|0-1|1/2-1/2|\*)"
)

_LONG = 1 << 20  # bytes of one game's move text; nobody writes so much
MOST_MOVES = 1 << 16  # that are taken from text of more than moves; no game is kept so far


def letters_of(text: bytes) -> bytes:
    """The text without white space, digits and signs: of plain moves only letters are left (`isalpha`)."""
    return text.translate(None, _NOT_LETTERS)


def main_line(text: bytes) -> bytes:
    """The text without comments, escaped lines, NAGs and variations.

    A comment or variation that is never closed ends with the text. Source: PGN Specification and
    Implementation Guide (1994), sections 5 (comments), 6 (escape), 8.2.4 (NAGs) and 8.2.5 (variations).

    >>> main_line(b"1. e4 {best (by test)} e5 (1... c5 (1... e6)) 2. Nf3 $1").split()
    [b'1.', b'e4', b'e5', b'2.', b'Nf3']
    """
    text = _without_asides(text)
    if b"(" in text:
        text, _ = _without_variations(text)
    return text.replace(b")", b" ")


def open_aside(text: bytes) -> str:
    """Whether a `comment` or a `variation` of the text is never closed, so that its moves are lost; or empty.

    >>> open_aside(b"1. e4 (1. d4 {a pawn} d5"), open_aside(b"1. e4 {a (pawn} e5")
    ('variation', '')
    """
    if text.rfind(b"{") > text.rfind(b"}"):
        (last,) = deque(_ASIDE.finditer(text), maxlen=1)
        if last[0].startswith(b"{") and not last[0].endswith(b"}"):
            return "comment"
    return "variation" if b"(" in text and _without_variations(_without_asides(text))[1] else ""


def _without_asides(text: bytes) -> bytes:
    if len(text) < _LONG:
        return _ASIDE.sub(b" ", text)
    # A text of nothing but comments: to put millions of pieces together at once would take a gigabyte.
    kept, start = bytearray(), 0
    for aside in _ASIDE.finditer(text):
        kept += text[start : aside.start()]
        kept += b" "
        start = aside.end()
    return bytes(kept + text[start:])


def _without_variations(text: bytes) -> tuple[bytes, int]:
    """The text outside of variations, and how many are open at its end.

    One pass whatever the depth: a text of nothing but brackets must not take hours.
    """
    kept = bytearray()
    depth = start = 0
    for bracket in _BRACKET.finditer(text):
        if bracket[0] == b"(":
            if depth == 0:
                kept += b" "
                kept += text[start : bracket.start()]
            depth += 1
        elif depth:
            depth -= 1
            start = bracket.end()
    if depth == 0:
        kept += b" "
        kept += text[start:]
    return bytes(kept[1:]), depth


def moves_of(line: bytes, most: int | None = None) -> list[bytes]:
    """The moves of a main line, as written, up to its result or with the first null move; `most` at the most.

    Finds moves as python-chess does, between whatever else may stand there.

    >>> moves_of(b"1.e4 e5 2.Nf3! Nc6 1-0")
    [b'e4', b'e5', b'Nf3', b'Nc6']
    """
    moves: list[bytes] = []
    for found in islice(_MOVE.finditer(line), most):
        if found[2]:
            break
        moves.append(found[1])
        if found[1] in NULL_MOVES:
            break
    return moves


def final_result(line: bytes) -> str:
    """The result that ends a main line: 1-0, 0-1, 1/2-1/2, `*`, or empty if there is none.

    It should be the last word; if that is none, the first result in the line counts.
    """
    last = line[-12:].split()[-1:]
    if last and last[0] in _RESULT_WORDS:
        return last[0].decode("ascii")
    found = _FIRST_RESULT.search(line)
    return found[1].decode("ascii") if found else ""
