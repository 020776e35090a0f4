"""Tags of games as columns, the filters that go by them, and players as hashes."""

from __future__ import annotations

import hmac
import re
import unicodedata
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from chess.variant import find_variant

from miner.arrays import Flags, Hashes, Strings
from miner.core.library import RESULTS, Bytes
from miner.pgn.text import Column
from miner.settings import Names, ReadSettings

TAGS = (
    "Event",
    "White",
    "Black",
    "Date",
    "UTCDate",
    "Result",
    "WhiteElo",
    "BlackElo",
    "ECO",
    "Opening",
    "Variation",
    "TimeControl",
    "Variant",
    "FEN",
)
TO_QUOTE = (
    rb"[^\"\\]*(?:\\.[^\"\\]*){0,999}"  # that is not escaped; bounded, since a pattern's memory grows with it
)
_VALUE = re.compile(TO_QUOTE + rb"(?=\"|\Z)|[^\"]*")  # else the last quote comes after a backslash
_RATING = re.compile(r"[^\d-]*(\d{3,4})(?![\d,])")
_HIGHEST = 4000
_ECO = re.compile(r"[A-E]\d\d(?!\d)", re.ASCII)
_DATE = re.compile(r"[\d?]{4}(?:\.[\d?]{1,2}){0,2}", re.ASCII)
_OPENING = re.compile(r"[^\[\]{}\"\x00-\x1f]{1,120}")
_STANDARD_VARIANTS = ("", "?", "standard", "normal", "chess", "classical", "from position", "fromposition")
_SHUFFLED = ("chess960", "chess 960", "fischerandom", "fischer random")  # python-chess has no class for it
_START_FEN = ["rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR", "w", "KQkq", "-"]
_PERIOD = re.compile(r"(?:(\d{1,9})/)?(\d{1,9})(?:\+(\d{1,9}))?")
_MOVES = 40  # of a game by which time controls are compared
_DAY_S = 24 * 60 * 60
_RATED = re.compile(r"\brated\b", re.IGNORECASE)
_CASUAL = re.compile(r"\b(?:casual|unrated)\b", re.IGNORECASE)
_UNKNOWN = ("", "?", "-", "anonymous", "unknown", "nn", "n.n.", "n. n.")
_CACHED = 40_000  # names; about 10 MB in each process


def text_of(value: bytes) -> str:
    """What a tag says between its first quote and its last: UTF-8, or else Latin-1.

    It ends at the first quote that is not escaped; escaped quotes and backslashes are unescaped. Source: PGN
    Specification and Implementation Guide (1994), sections 7 and 8.1.
    """
    if b'"' in value and (until := _VALUE.match(value)):
        value = until[0]
    try:
        text = value.decode("utf-8")
    except UnicodeDecodeError:
        text = value.decode("latin-1")
    return re.sub(r"\\([\\\"])", r"\1", text) if "\\" in text else text


def dates(tags: dict[str, Column]) -> Column:
    """The dates of games: the Date tag, or UTCDate where it names no year; empty if it is no date."""
    found = tags["Date"].join(
        tags["UTCDate"], lambda date, other: date if date[:4].isdigit() or not other else other
    )
    return Column([date if _DATE.fullmatch(date) else "" for date in found.values], found.codes)


def openings(tags: dict[str, Column]) -> Column:
    """The names of openings: the Opening and Variation tags, joined where a game has both.

    No name of an opening has 120 letters, quotes or brackets: what has is left out.
    """
    found = tags["Opening"].join(
        tags["Variation"], lambda opening, variation: ": ".join(part for part in (opening, variation) if part)
    )
    return Column([name if _OPENING.fullmatch(name) else "" for name in found.values], found.codes)


def eco_of(value: str) -> str:
    """The ECO code that a tag begins with, a letter from A to E and two digits, or empty.

    >>> eco_of("C41"), eco_of("C41/03"), eco_of("Philidor")
    ('C41', 'C41', '')
    """
    found = _ECO.match(value)
    return found[0] if found else ""


def rating_of(value: str) -> int:
    """The rating in a tag value, 100 to 4000, or 0 for none: common practice, no source.

    >>> [rating_of(value) for value in ("1500", "1500?", "1 500", "-200", "15000", "?")]
    [1500, 1500, 0, 0, 0, 0]
    """
    found = _RATING.match(value)
    return int(found[1]) if found and 100 <= int(found[1]) <= _HIGHEST else 0


def time_class_of(time_control: str) -> str:
    """bullet, blitz, rapid, classical, correspondence or unknown, by the time for a game of 40 moves.

    That is the base time and 40 increments, in seconds; of moves in a period (`20/600`), as many periods as
    40 moves take if there is no other. Of several periods (`40/7200:3600`) the first counts. A day or more
    for a move is correspondence. Limits of 180, 480 and 1500 s, and of a day: common practice, no source.
    Forms of the value: PGN Specification and Implementation Guide (1994), section 9.6.1, from memory.

    >>> [time_class_of(value) for value in ("60", "300+3", "40/7200", "1/259200", "-", "?")]
    ['bullet', 'blitz', 'classical', 'correspondence', 'unknown', 'unknown']
    """
    first, others, _ = time_control.partition(":")
    period = _PERIOD.fullmatch(first.strip().removeprefix("*"))
    if period is None:
        return "unknown"
    moves, base_s, increment_s = (int(part or 0) for part in period.groups())
    if increment_s >= _DAY_S or (moves and base_s / moves >= _DAY_S):
        return "correspondence"
    periods = 1 if others or not moves else max(1, _MOVES / moves)
    expected_s = base_s * periods + _MOVES * increment_s
    if expected_s < 180:
        return "bullet"
    if expected_s < 480:
        return "blitz"
    return "rapid" if expected_s < 1500 else "classical"


def is_variant(variant: str) -> bool:
    """Whether a Variant tag tells of other rules than standard chess, Chess960 included."""
    return variant.strip().lower() not in _STANDARD_VARIANTS


def variant_of(variant: str) -> str:
    """A variant's usual name, or empty if it is none that is known.

    >>> [variant_of(variant) for variant in ("Chess960", "atomic", "Ada's chess")]
    ['Chess960', 'Atomic', '']
    """
    if variant.strip().lower() in _SHUFFLED:
        return "Chess960"
    try:
        return str(find_variant(variant.strip()).aliases[0])
    except ValueError:
        return ""


def is_set_up(fen: str) -> bool:
    """Whether a FEN tag tells of another position than the start position."""
    fields = fen.split(maxsplit=4)
    return fields not in ([], ["?"], ["-"]) and fields[:4] != _START_FEN[: len(fields)]


def rated_of(event: str) -> str:
    """`rated`, `casual`, or empty if the event does not say."""
    if _CASUAL.search(event):
        return "casual"
    return "rated" if _RATED.search(event) else ""


def is_within(date: str, since: str, until: str) -> bool:
    """Whether a Date tag lies between two dates, each as exact as it is written; empty: no limit.

    A date is compared as far as the limit goes; if it is not known that far, it does not pass.

    >>> is_within("2024.09.??", "2024", ""), is_within("2024.??.??", "2024.03", "")
    (True, False)
    """
    parts = date.split(".")
    for limit, sign in ((since, 1), (until, -1)):
        if not limit:
            continue
        bounds = [int(part) for part in limit.split(".")]
        known = parts[: len(bounds)]
        if len(known) < len(bounds) or not all(part.isdecimal() for part in known):
            return False
        values = [int(part) for part in known]
        if (values < bounds) if sign > 0 else (values > bounds):
            return False
    return True


def filtered_by(
    tags: dict[str, Column], ratings: npt.NDArray[np.uint16], results: Bytes, settings: ReadSettings
) -> Strings:
    """Which filter leaves each game out, or empty if it passes; `ratings` has shape (n, 2), `results`
    are places in RESULTS.

    A game without a date passes no date filter, one without a rating no rating filter, and one whose event
    does not say `rated` or `casual` passes only `any` (common practice, no source). Whether a game without
    a result is of use is not for the filters to judge.
    """
    reasons = np.full(len(results), "", dtype=object)
    events = [part.lower() for part in settings.events]

    def leave_out(passes: Flags, reason: str) -> None:
        reasons[~passes & (reasons == "")] = reason

    if settings.since or settings.until:
        passes = dates(tags).map(lambda date: is_within(date, settings.since, settings.until), np.bool_)
        leave_out(passes, "date")
    if events:
        passes = tags["Event"].map(lambda event: any(part in event.lower() for part in events), np.bool_)
        leave_out(passes, "event")
    if settings.time_classes:
        passes = tags["TimeControl"].map(
            lambda control: time_class_of(control) in settings.time_classes, np.bool_
        )
        leave_out(passes, "time class")
    if settings.rated != "any":
        leave_out(tags["Event"].map(lambda event: rated_of(event) == settings.rated, np.bool_), "rated")
    lowest, highest = ratings.min(axis=1), ratings.max(axis=1)
    if settings.min_rating:
        leave_out(lowest >= settings.min_rating, "rating")
    if settings.max_rating:
        leave_out((lowest > 0) & (highest <= settings.max_rating), "rating")
    if settings.results:
        leave_out(np.isin(results, [RESULTS.index(result) for result in (*settings.results, "*")]), "result")
    return reasons


class Player(NamedTuple):
    """One player as the store tells of him or her."""

    shown: str  # what stands in `games`
    number: int  # what games are counted by, 32 bits; 0: not known
    identity: int  # 64 bits that tell players apart, also where nothing is shown; 0: not known


class PlayerColumn(NamedTuple):
    """The players of one side, game by game."""

    shown: pa.Array
    numbers: npt.NDArray[np.uint32]
    identities: Hashes


class Players:
    """Makes players of names, all with one salt."""

    def __init__(self, salt: bytes, names: Names) -> None:
        self._hmac = hmac.new(salt, digestmod="sha256")  # to be copied, which is sooner than to begin anew
        self._names = names
        self._known: dict[str, Player] = {}

    def player(self, name: str) -> Player:
        """The player of a White or Black tag.

        Spelling counts but for case and white space. The hash is HMAC-SHA256 with the store's salt: 16 hex
        digits of it, and 32 bits to count by, in `games`.
        """
        found = self._known.get(name)
        if found is None:
            if len(self._known) >= _CACHED:
                self._known.clear()
            found = self._known[name] = self._make(name)
        return found

    def column(self, names: Column) -> PlayerColumn:
        """The players of a column of names."""
        shown, numbers, identities = (
            zip(*map(self.player, names.values), strict=True) if names.values else ((),) * 3
        )
        return PlayerColumn(
            Column(shown, names.codes).strings(),
            np.array(numbers, dtype=np.uint32)[names.codes],
            np.array(identities, dtype=np.uint64)[names.codes],
        )

    def _make(self, name: str) -> Player:
        composed = name if name.isascii() else unicodedata.normalize("NFC", name)
        plain = " ".join(composed.lower().split())
        if plain in _UNKNOWN:
            return Player(name if self._names == "keep" else "", 0, 0)
        keyed = self._hmac.copy()
        keyed.update(plain.encode("utf-8", "surrogatepass"))
        digest = keyed.digest()
        identity = int.from_bytes(digest[:8], "big") or 1
        number = identity >> 32 or 1
        if self._names == "drop":
            return Player("", 0, identity)
        return Player(name if self._names == "keep" else digest[:8].hex(), number, identity)
