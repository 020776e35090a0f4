"""Calendars, read back by a second program."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.errors import UsageError
from miner.lesson.calendar import OCTETS, Entry, Weekday, calendar_bytes, session_days
from tests.lesson.pages import HOSTILE

MONDAY = date(2025, 9, 15)
ANY_TEXT = st.sampled_from(HOSTILE) | st.text(st.characters(codec="utf-8"), max_size=300)


def entry(summary: str = "Vienna Game", description: str = "3...exf4", day: date = MONDAY) -> Entry:
    return Entry(day=day, minutes=60, summary=summary, description=description)


def events(contents: bytes) -> list[Any]:
    return list(icalendar.Calendar.from_ical(contents).walk("VEVENT"))


def shown(text: str) -> str:
    """What may come back of a text: control characters became spaces."""
    return "".join(one if one.isprintable() or one == "\n" else " " for one in text)


def test_a_day() -> None:
    """Without a time, a session takes its day."""
    [event] = events(calendar_bytes([entry()], "White"))

    assert event["SUMMARY"] == "Vienna Game"
    assert event["DTSTART"].dt == MONDAY


def test_an_hour() -> None:
    """With a time, it begins then and lasts as long as it is planned."""
    [event] = events(calendar_bytes([entry()], "White", time(17, 30)))

    assert event["DTSTART"].dt == datetime(2025, 9, 15, 17, 30)
    assert event["DURATION"].dt == timedelta(minutes=60)


def test_identity() -> None:
    """Each session has a UID of its own, which it keeps when its contents change."""
    first = events(calendar_bytes([entry(), entry(day=MONDAY + timedelta(days=7))], "White"))
    changed = events(calendar_bytes([entry("Other"), entry(day=MONDAY + timedelta(days=7))], "White"))

    assert first[0]["UID"] != first[1]["UID"]
    assert [one["UID"] for one in first] == [one["UID"] for one in changed]
    assert first[0]["UID"] != events(calendar_bytes([entry()], "Black"))[0]["UID"]


@given(summary=ANY_TEXT, description=ANY_TEXT)
def test_any_text(summary: str, description: str) -> None:
    """Whatever a text holds, it comes back as text, there is one event, and no line is too long."""
    contents = calendar_bytes([entry(summary, description)], "White")

    [event] = events(contents)
    assert str(event["SUMMARY"]) == shown(summary)
    assert str(event["DESCRIPTION"]) == shown(description)
    lines = contents.split(b"\r\n")
    assert lines[-1] == b""
    assert max(map(len, lines)) <= OCTETS
    assert not [line for line in lines if b"\r" in line or b"\n" in line]
    assert contents == calendar_bytes([entry(summary, description)], "White")


@pytest.mark.parametrize(
    ("letters", "lines"), [(67, [75]), (68, [75, 2]), (141, [75, 75]), (142, [75, 75, 2])]
)
def test_lines_are_filled(letters: int, lines: list[int]) -> None:
    """A line of 75 octets is left whole; each further one begins with a space and holds 74 more."""
    contents = calendar_bytes([entry("x" * letters, "")], "White")

    assert [len(line) for line in contents.split(b"\r\n") if b"xx" in line or line in (b" x",)] == lines


@pytest.mark.parametrize(
    ("weekday", "first"),
    [
        (None, MONDAY),
        (Weekday.MON, MONDAY),
        (Weekday.TUE, date(2025, 9, 16)),
        (Weekday.SUN, date(2025, 9, 21)),
    ],
)
def test_first_day(weekday: Weekday | None, first: date) -> None:
    """The first session is on the first such day, the others follow week by week."""
    days = session_days(MONDAY, 3, weekday)

    assert days == [first, first + timedelta(days=7), first + timedelta(days=14)]


def test_holidays() -> None:
    """A day without a session moves the rest on by a week."""
    days = session_days(MONDAY, 2, Weekday.TUE, {date(2025, 9, 16), date(2025, 9, 30)})

    assert days == [date(2025, 9, 23), date(2025, 10, 7)]


def test_term_that_outlives_the_calendar() -> None:
    """The last Fridays before the year 10000 are days; one more is wrong use, and says so."""
    friday = date(9999, 12, 24)

    assert session_days(date(9999, 12, 17), 2) == [date(9999, 12, 17), friday]
    with pytest.raises(UsageError, match="2 weeks from 9999-12-31") as raised:
        session_days(date(9999, 12, 31), 2)
    assert "fewer sessions" in raised.value.advice
