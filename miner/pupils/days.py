"""Dates as they stand in PGN, of which month or day may not be known."""

from __future__ import annotations

import re
from datetime import date
from typing import Literal

Period = Literal["before", "after", ""]

_DAY = re.compile(r"(\d{4})(?:\.(\d{1,2}|\?\?)(?:\.(\d{1,2}|\?\?))?)?", re.ASCII)
_LIMIT = re.compile(r"\d{4}(\.\d{2}(\.\d{2})?)?", re.ASCII)


def is_day(text: str) -> bool:
    """Whether a text is YYYY, YYYY.MM or YYYY.MM.DD."""
    return bool(_LIMIT.fullmatch(text))


def period_of(day: str, lesson: date) -> Period:
    """Whether a Date tag lies before the day of a lesson or after it.

    Empty for that day itself, since nobody knows which came first, and where the tag leaves it open.

    >>> [period_of(day, date(2025, 1, 20)) for day in ("2025.01.19", "2025.02.??", "2025.01.??")]
    ['before', 'after', '']
    """
    found = _DAY.fullmatch(day)
    if not found:
        return ""
    parts = tuple(int(part) for part in found.groups() if part and part.isdigit())
    limit = (lesson.year, lesson.month, lesson.day)[: len(parts)]
    if parts == limit:
        return ""
    return "before" if parts < limit else "after"
