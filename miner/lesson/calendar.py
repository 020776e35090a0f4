"""Sessions as a calendar that any calendar program takes."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum

from miner.errors import UsageError

OCTETS = 75
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_DNS, "sessions.miner.invalid")


class Weekday(StrEnum):
    """Days of the week, Monday first."""

    MON = "mon"
    TUE = "tue"
    WED = "wed"
    THU = "thu"
    FRI = "fri"
    SAT = "sat"
    SUN = "sun"


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One session in a calendar."""

    day: date
    minutes: int
    summary: str
    description: str


def session_days(
    start: date, sessions: int, weekday: Weekday | None = None, without: Collection[date] = ()
) -> list[date]:
    """The days of weekly sessions, the first on or after `start`; on days in `without` there is none.

    Raises UsageError if there are more sessions than weeks to the end of the year 9999.
    """
    ahead = 0 if weekday is None else (list(Weekday).index(weekday) - start.weekday()) % 7
    days: list[date] = []
    try:
        day = start + timedelta(days=ahead)
        while len(days) < sessions:
            if day not in without:
                days.append(day)
            day += timedelta(days=7)
    except OverflowError as error:
        raise UsageError(
            f"{sessions:,} weeks from {start} are more than the calendar has",
            advice="plan fewer sessions, or name an earlier day",
        ) from error
    return days


def calendar_bytes(entries: Sequence[Entry], name: str, at: time | None = None) -> bytes:
    """The entries as iCalendar: UTF-8, CR LF, lines of at most 75 octets; the same entries, the same bytes.

    Without `at` the sessions take the whole day; with it they begin then, wherever the calendar is read.
    A session keeps its UID when its contents change, so that a second import corrects the first.

    Source: RFC 5545, sections 3.1 (folding), 3.3.11 (escapes), 3.6.1, 3.8.4.7 (UID), from memory.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//miner//plan//EN", "CALSCALE:GREGORIAN"]
    for number, entry in enumerate(entries, start=1):
        # Made at no time that matters: a fixed one keeps the bytes equal.
        stamp = datetime.combine(entries[0].day, time())
        lines += [
            "BEGIN:VEVENT",
            f"UID:{uuid.uuid5(_NAMESPACE, f'{name}/{entries[0].day}/{number}')}",
            f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
            *_when(entry, at),
            f"SUMMARY:{escaped(entry.summary)}",
            f"DESCRIPTION:{escaped(entry.description)}",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines).encode()


def _when(entry: Entry, at: time | None) -> list[str]:
    if at is None:
        return [f"DTSTART;VALUE=DATE:{entry.day:%Y%m%d}"]
    return [f"DTSTART:{entry.day:%Y%m%d}T{at:%H%M%S}", f"DURATION:PT{entry.minutes}M"]


def escaped(text: str) -> str:
    r"""Text as a value: backslash, comma, semicolon and line ends escaped, control characters left out.

    >>> print(escaped("a, b; c"))
    a\, b\; c
    """
    clean = "".join(char if char.isprintable() or char == "\n" else " " for char in text)
    for char in "\\,;":
        clean = clean.replace(char, "\\" + char)
    return clean.replace("\n", "\\n")


def _folded(line: str) -> str:
    """A line in pieces of at most 75 octets, no character torn apart; a space begins each further one."""
    pieces, piece, used = [], "", 0
    for char in line:
        size = len(char.encode())
        if used + size > OCTETS:
            pieces.append(piece)
            piece, used = " ", 1
        piece += char
        used += size
    return "\r\n".join([*pieces, piece])
