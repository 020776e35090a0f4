"""Which games the settings leave out, told from their tags before a move is decoded."""

from __future__ import annotations

import re

from miner.read.headers import Headers
from miner.settings import ReadSettings

_RATED = re.compile(r"\brated\b", re.IGNORECASE)
_CASUAL = re.compile(r"\b(?:casual|unrated)\b", re.IGNORECASE)


class Filter:
    """The header filters of a read."""

    def __init__(self, settings: ReadSettings) -> None:
        self.settings = settings
        self.events = tuple(part.lower() for part in settings.events)
        self.passes_all = not any(
            (
                settings.since,
                settings.until,
                settings.events,
                settings.time_classes,
                settings.results,
                settings.rated != "any",
                settings.min_rating,
                settings.max_rating,
            )
        )

    def reason(self, headers: Headers, ratings: tuple[int, int], time_class: str, result: str) -> str:
        """Which filter leaves the game out, or empty if it passes.

        A game without a date passes no date filter, one without a rating no rating filter, and one whose
        event does not say `rated` or `casual` passes only `any` (common practice, no source). A game without
        a result is not for this filter to judge.
        """
        wanted = self.settings
        if self.passes_all:
            return ""
        if not is_within(headers.date, wanted.since, wanted.until):
            return "date"
        if self.events and not any(part in headers.event.lower() for part in self.events):
            return "event"
        if wanted.time_classes and time_class not in wanted.time_classes:
            return "time class"
        if wanted.rated != "any" and rated_of(headers.event) != wanted.rated:
            return "rated"
        if wanted.min_rating and min(ratings) < wanted.min_rating:
            return "rating"
        if wanted.max_rating and not (min(ratings) > 0 and max(ratings) <= wanted.max_rating):
            return "rating"
        if wanted.results and result != "*" and result not in wanted.results:
            return "result"
        return ""


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
