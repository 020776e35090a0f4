"""The tags of a game, read fast, and what they say."""

from __future__ import annotations

import re
from typing import NamedTuple

_WANTED = re.compile(
    rb"^\[(Event|White|Black|Date|UTCDate|Result|WhiteElo|BlackElo|ECO|Opening|Variation|TimeControl|Variant"
    rb"|FEN)[ \t]+\"([^\n]*)\"[ \t]*\]",
    re.MULTILINE,
)
_DIGITS = re.compile(r"\d+")
_STANDARD_VARIANTS = ("", "?", "standard", "normal", "chess", "classical", "from position", "fromposition")
_START_FEN = ("rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR", "w", "KQkq", "-")
_PERIOD = re.compile(r"(?:(\d+)/)?(\d+)(?:\+(\d+))?")


class Headers(NamedTuple):
    """The tags of one game that matter here; an absent tag is an empty text."""

    event: str = ""
    white: str = ""
    black: str = ""
    date: str = ""
    result: str = ""
    white_elo: str = ""
    black_elo: str = ""
    eco: str = ""
    opening: str = ""
    time_control: str = ""
    variant: str = ""
    fen: str = ""


def parse_headers(tags: bytes) -> Headers:
    r"""The tags in a game's tag section; of a tag given twice, the last counts.

    Text is UTF-8, or else Latin-1. Escaped quotes and backslashes are unescaped.
    Source: PGN Specification and Implementation Guide (1994), sections 7 and 8.1.

    >>> parse_headers(b'[White "A. \\"Ace\\" Adams"]').white
    'A. "Ace" Adams'
    """
    found = dict(_WANTED.findall(tags))
    is_ascii = tags.isascii()
    has_escapes = b"\\" in tags

    def text(name: bytes) -> str:
        value: bytes = found.get(name, b"")
        if is_ascii and not has_escapes:
            return value.decode("ascii")
        return _unescaped(_decoded(value))

    opening, variation = text(b"Opening"), text(b"Variation")
    return Headers(
        event=text(b"Event"),
        white=text(b"White"),
        black=text(b"Black"),
        date=text(b"Date") or text(b"UTCDate"),
        result=text(b"Result"),
        white_elo=text(b"WhiteElo"),
        black_elo=text(b"BlackElo"),
        eco=text(b"ECO"),
        opening=f"{opening}: {variation}" if opening and variation else opening or variation,
        time_control=text(b"TimeControl"),
        variant=text(b"Variant"),
        fen=text(b"FEN"),
    )


def _decoded(value: bytes) -> str:
    try:
        return value.decode("utf-8")
    except UnicodeDecodeError:
        return value.decode("latin-1")


def _unescaped(value: str) -> str:
    return value.replace('\\"', '"').replace("\\\\", "\\") if "\\" in value else value


def rating_of(value: str) -> int:
    """The rating in a tag value, 0 for none, at most 65,535; `1500?` counts as 1500."""
    if not value:
        return 0
    digits = _DIGITS.search(value)
    return min(int(digits[0]), 65_535) if digits else 0


def time_class_of(time_control: str) -> str:
    """bullet, blitz, rapid, classical, or unknown, by base time + 40 x increment in seconds.

    Of several periods (`40/7200:3600`) the first counts; a number of moves means a long game only by its
    time. Limits of 180, 480 and 1500 s: common practice, no source. Forms of the value: PGN Specification
    and Implementation Guide (1994), section 9.6.1.

    >>> [time_class_of(value) for value in ("60", "300+3", "40/7200", "-", "?")]
    ['bullet', 'blitz', 'classical', 'unknown', 'unknown']
    """
    period = _PERIOD.fullmatch(time_control.split(":")[0].strip().removeprefix("*"))
    if period is None:
        return "unknown"
    expected_s = int(period[2]) + 40 * int(period[3] or 0)
    if expected_s < 180:
        return "bullet"
    if expected_s < 480:
        return "blitz"
    return "rapid" if expected_s < 1500 else "classical"


def is_variant(headers: Headers) -> bool:
    """Whether the game is of other rules than standard chess, Chess960 included."""
    return headers.variant.strip().lower() not in _STANDARD_VARIANTS


def is_set_up(headers: Headers) -> bool:
    """Whether the game begins from another position than the start position."""
    fen = headers.fen.split()
    return bool(fen) and fen != ["?"] and tuple(fen[:4]) != _START_FEN[: len(fen[:4])]
