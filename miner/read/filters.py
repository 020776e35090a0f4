"""Which games the settings leave out, told from their tags before a move is decoded."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from miner.read.headers import Column, dates, time_class_of
from miner.settings import ReadSettings

Ratings = npt.NDArray[np.uint16]
Texts = npt.NDArray[np.object_]

_RATED = re.compile(r"\brated\b", re.IGNORECASE)
_CASUAL = re.compile(r"\b(?:casual|unrated)\b", re.IGNORECASE)


def filtered_by(tags: dict[str, Column], ratings: Ratings, results: Texts, settings: ReadSettings) -> Texts:
    """Which filter leaves each game out, or empty if it passes; `ratings` has shape (n, 2).

    A game without a date passes no date filter, one without a rating no rating filter, and one whose event
    does not say `rated` or `casual` passes only `any` (common practice, no source). Whether a game without
    a result is of use is not for the filters to judge.
    """
    reasons = np.full(len(results), "", dtype=object)
    events = [part.lower() for part in settings.events]

    def leave_out(passes: npt.NDArray[np.bool_], reason: str) -> None:
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
    if settings.min_rating:
        leave_out(ratings.min(axis=1) >= settings.min_rating, "rating")
    if settings.max_rating:
        leave_out((ratings.min(axis=1) > 0) & (ratings.max(axis=1) <= settings.max_rating), "rating")
    if settings.results:
        leave_out(np.isin(results, [*settings.results, "*"]), "result")
    return reasons


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
