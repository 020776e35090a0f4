"""A term's plan in text, and its sessions as a calendar that others read."""

from __future__ import annotations

import dataclasses
from datetime import date, datetime, time, timedelta
from typing import Any

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.words import plain
from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.phrases import Tongue
from miner.lesson.plan import (
    OCTETS,
    Entry,
    Plan,
    Weekday,
    calendar_bytes,
    escaped,
    plan_calendar,
    plan_files,
    plan_markdown,
    plan_pdf,
    session_days,
)
from miner.lesson.sheets import Looks
from miner.lesson.term import term
from miner.reasons import Pattern
from miner.terms import Kind
from tests.export.examples import first_move, legal, vienna
from tests.lesson.pages import HOSTILE, diagrams, lowest, texts
from tests.lesson.test_term import motif_topics_of

READER = MarkdownIt("commonmark").enable("table")
ANY_TEXT = st.sampled_from(HOSTILE) | st.text(st.characters(codec="utf-8"), max_size=200)


def plan(*rows: Finding, sessions: int = 3, **changes: Any) -> Plan:
    """A plan of three evenings from a Monday in September on."""
    findings = rows or (legal(), vienna(kind=Kind.PITFALL), first_move())
    values: dict[str, Any] = {
        "sessions": term(findings, sessions, 60, changes.get("backing", NO_BACKING)),
        "days": session_days(date(2025, 9, 15), sessions),
        "minutes": 60,
        "whom": "White, 1000-1199",
        "looks": Looks(tongue=Tongue.of("en")),
    }
    return Plan(**(values | changes))


def kinds(text: str) -> list[str]:
    """What a Markdown reader makes of a text, piece by piece."""
    return [
        child.type for token in READER.parse(text) for child in (token, *(token.children or ())) if child.type
    ]


HARMLESS = kinds(
    plan_markdown(plan(legal(opening="A", eco="B", pattern=Pattern.PIN), vienna(opening="A"))).decode()
)


def test_markdown() -> None:
    """Each session has its aim, its minutes and its positions."""
    text = plan_markdown(plan()).decode()

    assert text.startswith("# Opening plan: White, 1000-1199\n\n3 sessions of 60 minutes, 3 positions.\n")
    assert text.count("\n## Session ") == 3
    assert "## Session 2, 2025-09-22" in text
    assert "1.e4 e5 2.Nf3 d6 3.Bc4 Bg4 4.Nc3 g6 5.Nxe5 **Bxd1??** 6.Bxf7+ Ke7 7.Nd5#" in text
    assert f"`{legal().fen}`" in text
    assert kinds(text).count("table_open") == 4


def test_model_game() -> None:
    """A model game is told by its date and ratings."""
    game = ModelGame(
        sans=("g4", "d5"),
        reply_ply=0,
        moments=frozenset(),
        result="0-1",
        date="2024.01.02",
        winner_rating=900,
        loser_rating=0,
    )
    backed = plan(backing=Backing({first_move().reply: game}, {}))

    assert "2024.01.02, won by a player rated 900, 0-1: 1.g4 d5" in plan_markdown(backed).decode()
    assert "2024.01.02, won by a player rated 900, 0-1: 1.g4 d5" in " ".join(texts(plan_pdf(backed)))


def test_paper() -> None:
    """The PDF has a diagram for each thing of the week, for each new position, and every session."""
    contents = plan_pdf(plan())

    text = " ".join(texts(contents))
    assert len(diagrams(contents)) == 2 + 3
    assert [f"Session {number}" in text for number in (1, 2, 3)] == [True] * 3
    assert "Revision of the term" in text


def test_long_evenings_go_on_behind_the_footer() -> None:
    """What does not fit goes on on the next page: nothing stands beside or below its number."""
    [topic] = motif_topics_of("double attack")
    topic = dataclasses.replace(
        topic, lesson=dataclasses.replace(topic.lesson, fails=topic.lesson.examples[0])
    )
    made = plan(sessions=1)
    [session] = made.sessions
    for again in (0, 14, 21, 80):
        revised = (legal(),) * again
        long = dataclasses.replace(session, new=(vienna(),), motifs=(topic,), revised=revised)

        contents = plan_pdf(dataclasses.replace(made, sessions=[long]))

        assert texts(contents)[-1].count("HOMEWORK Write down") == 1
        for at, page in enumerate(lowest(contents, lines=2), start=1):
            footer, above = page
            assert footer[1].startswith(f"Page {at} of")
            assert above[0] > footer[0] + 10


def test_a_blow_that_fails_has_who_tries_it() -> None:
    """Else it reads as if the mistake won what it loses."""
    [topic] = motif_topics_of("double attack")
    topic = dataclasses.replace(
        topic, lesson=dataclasses.replace(topic.lesson, fails=topic.lesson.examples[0])
    )
    made = plan(sessions=1)
    session = dataclasses.replace(made.sessions[0], motifs=(topic,))

    text = plan_markdown(dataclasses.replace(made, sessions=[session])).decode()

    assert "**Here it fails:** Black tries it, and it fails: " in text
    assert "White wins a rook and a pawn." in text.split("Here it fails")[1]


def test_begins_with_the_things_of_the_week() -> None:
    """What the first session teaches: with its opening, its moves, its board and one sentence why."""
    text, page = plan_markdown(plan()).decode(), " ".join(texts(plan_pdf(plan())))

    first = text.partition("## Two things this week\n\n")[2].splitlines()[:2]
    taught = [one.fen for one in plan().sessions[0].new]
    assert [line.startswith(f"{number}. **") for number, line in enumerate(first, 1)] == [True, True]
    assert [fen in line for fen, line in zip(taught, first, strict=True)] == [True, True]
    assert all("chose it in 28 of 80 games" in line for line in first)
    assert "TWO THINGS THIS WEEK" in page.upper()


def test_calendar() -> None:
    """One event a session, on its day, with the minutes in the description."""
    events: list[Any] = list(icalendar.Calendar.from_ical(plan_calendar(plan())).walk("VEVENT"))

    assert [event["DTSTART"].dt for event in events] == list(plan().days)
    assert "min: Homework is set" in str(events[0]["DESCRIPTION"])


def test_files() -> None:
    """A calendar needs days; sheets come in a folder for each session; all bytes are the same again."""
    dated = plan_files(plan(), sheets=True)

    assert {"plan.md", "plan.pdf", "plan.ics", "session-01/pupil.pdf", "session-03/cards.csv"} <= set(dated)
    assert set(plan_files(plan(days=()))) == {"plan.md", "plan.pdf"}
    assert plan_files(plan(), sheets=True) == dated


def test_german_letters() -> None:
    """The plan's words are English, its moves as the pupils write them."""
    text = plan_markdown(plan(looks=Looks(tongue=Tongue.of("de")))).decode()

    assert "5.Sxe5 **Lxd1??** 6.Lxf7+ Ke7 7.Sd5#" in text
    assert "It allows mate in 2." in text


@given(text=ANY_TEXT)
def test_escaped_text_is_only_text(text: str) -> None:
    """A Markdown reader sees one text in a paragraph, the same as it was."""
    [_, inline, _] = READER.parse(f"Aim: {escaped(text)}.")

    assert {child.type for child in inline.children or ()} <= {"text", "text_special"}
    assert "".join(child.content for child in inline.children or ()) == f"Aim: {plain(text)}."


@given(text=ANY_TEXT)
def test_hostile_names_in_markdown(text: str) -> None:
    """Whatever an opening is called, the plan has the same headings, tables and lists, and no link."""
    hostile = plan_markdown(plan(legal(opening=text, eco=text, pattern=Pattern.PIN), vienna(opening=text)))
    blocks = ("heading_open", "table_open", "tr_open", "td_open", "bullet_list_open", "html_block", "fence")
    found = kinds(hostile.decode())
    assert {block: found.count(block) for block in blocks} == {
        block: HARMLESS.count(block) for block in blocks
    }
    assert not {"link_open", "image", "html_inline", "em_open"} & set(found)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_on_paper_and_in_the_calendar(text: str) -> None:
    """They are printed, and add no event."""
    hostile = plan(legal(opening=text), vienna(opening=text), first_move(opening=text))
    hostile = dataclasses.replace(hostile, looks=dataclasses.replace(hostile.looks, title=text))

    assert len(icalendar.Calendar.from_ical(plan_calendar(hostile)).walk("VEVENT")) == 3
    assert len(diagrams(plan_pdf(hostile))) == 2 + 3


MONDAY = date(2025, 9, 15)
CALENDAR_TEXT = st.sampled_from(HOSTILE) | st.text(st.characters(codec="utf-8"), max_size=300)


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


@given(summary=CALENDAR_TEXT, description=CALENDAR_TEXT)
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


def test_motifs_in_all_files() -> None:
    """Sign, examples and what to look for stand in the plan; the sheets hold exercises about the motif."""
    [topic] = motif_topics_of("double attack")
    made = plan()
    sessions = term([vienna()], 2, 60, motifs=[topic])
    made = dataclasses.replace(made, sessions=sessions, days=made.days[: len(sessions)])

    files = plan_files(made, sheets=True)

    told = files["plan.md"].decode()
    assert "1 position, 1 motif" in told
    assert "### Double attack: queen on e5" in told
    assert "- Seen beforehand, in such mistakes of all bands: the queen already bears on e5 (8 of 8)" in told
    assert "find a move where a chance of this kind came up: double attack (queen on e5)." in told
    assert "New: Motif: double attack: queen on e5" in files["plan.ics"].decode().replace("\r\n ", "")
    [paper] = [" ".join(texts(files["plan.pdf"]))]
    assert "NEW MOTIFS Double attack: queen on e5" in paper
    number = next(at for at, session in enumerate(sessions, 1) if session.motifs)
    assert b"4.Qxe5+ Be7 5.Qxh8" in files[f"session-{number:02}/cards.csv"]
