"""A term's plan as files: text, PDF and a calendar of its sessions."""

from __future__ import annotations

import re
import uuid
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, time, timedelta
from enum import StrEnum

from miner.draw.diagram import diagram_svg
from miner.draw.documents import pdf_bytes
from miner.errors import UsageError
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.motif_words import failing_line, moment_line, motif_title
from miner.finding.things import THINGS, Thing, by_turns, things_heading
from miner.finding.words import counted, joined, numbered_sans, plain, reply_words
from miner.lesson.backing import NO_BACKING, Backing, ModelGame
from miner.lesson.exercises import Exercise, exercise_of, from_easy_to_hard
from miner.lesson.files import lesson_files
from miner.lesson.moments import MotifLesson, motif_facts
from miner.lesson.phrases import ENGLISH, PHRASES, Tongue
from miner.lesson.sentences import demonstration, heading, why_words
from miner.lesson.sheets import Looks, motif_data
from miner.lesson.term import MotifTopic, Session, Topic, aim_words, opening_family

OCTETS = 75
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_DNS, "sessions.miner.invalid")
PLAN_PLIES = 40
"""Half-moves of a model game that a plan holds."""
PLAN_TITLE = "Opening plan"


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
            f"SUMMARY:{in_ics(entry.summary)}",
            f"DESCRIPTION:{in_ics(entry.description)}",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines).encode()


def _when(entry: Entry, at: time | None) -> list[str]:
    if at is None:
        return [f"DTSTART;VALUE=DATE:{entry.day:%Y%m%d}"]
    return [f"DTSTART:{entry.day:%Y%m%d}T{at:%H%M%S}", f"DURATION:PT{entry.minutes}M"]


def in_ics(text: str) -> str:
    r"""Text as a value: backslash, comma, semicolon and line ends escaped, control characters left out.

    >>> print(in_ics("a, b; c"))
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """Sessions with their days, and how they are written."""

    sessions: Sequence[Session]
    days: Sequence[date]  # one for each session, or none at all
    minutes: int
    whom: str  # e.g. White, 1000-1199
    looks: Looks
    backing: Backing = NO_BACKING
    at: time | None = None

    @property
    def title(self) -> str:
        """The heading: the coach's title, or the usual one, and for whom it is."""
        return f"{plain(self.looks.title, 60) or PLAN_TITLE}: {self.whom}"

    @property
    def subtitle(self) -> str:
        """How long it takes and how much it holds."""
        new = sum(len(session.new) for session in self.sessions)
        motifs = sum(len(session.motifs) for session in self.sessions)
        sessions = counted(len(self.sessions), "session")
        also = f", {counted(motifs, 'motif')}" if motifs else ""
        return f"{sessions} of {self.minutes} minutes, {counted(new, 'position')}{also}"

    def day(self, session: Session) -> str:
        """The session's day, e.g. 2025-09-16, or an empty text."""
        return self.days[session.number - 1].isoformat() if self.days else ""


def first_evening(plan: Plan) -> list[Thing]:
    """Three things at most that the first session teaches: motifs and positions by turns."""
    [first, *_] = plan.sessions
    motifs = [Thing.of(topic.lesson.count, topic.lesson.examples) for topic in first.motifs]
    return by_turns(filter(None, motifs), [Thing(mistake=finding) for finding in first.new])[:THINGS]


def plan_files(plan: Plan, *, sheets: bool = False) -> dict[str, bytes]:
    """The contents of a plan's files by name; with `sheets` also each session's exercises.

    The same plan gives the same bytes. The calendar needs days. Raises ExportError without the typesetter.
    """
    files = {"plan.md": plan_markdown(plan)}
    if plan.looks.pdf:
        files["plan.pdf"] = plan_pdf(plan)
    if plan.days:
        files["plan.ics"] = plan_calendar(plan)
    if sheets:
        for session in plan.sessions:
            asked: list[Exercise[Mistake]] = [*map(exercise_of, session.findings), *session.moments]
            if not asked:
                continue
            taught = [topic.lesson for topic in session.motifs]
            exercises = from_easy_to_hard(asked)
            backing = replace(plan.backing, models=session.models, others={})
            contents = lesson_files(exercises, plan.looks, backing, motifs=taught)
            files |= {f"session-{session.number:02}/{name}": content for name, content in contents.items()}
    return files


def plan_pdf(plan: Plan) -> bytes:
    """The plan on paper. Raises ExportError without the typesetter."""
    things = first_evening(plan)
    data = {
        "title": plan.title,
        "subtitle": plan.subtitle,
        "first": things_heading(things),
        "things": [_thing(thing, plan.looks) for thing in things],
        "lang": ENGLISH,
        "page": PHRASES[ENGLISH].page,
        "paper": plan.looks.paper.typst_name,
        "sessions": [
            {
                "number": session.number,
                "date": plan.day(session),
                "aim": plan.looks.tongue.moves(aim_words(session)),
                "parts": [{"minutes": part.minutes, "what": part.activity.value} for part in session.parts],
                "new": [_position(finding, session, plan.looks) for finding in session.new],
                "motifs": [motif_data(topic.lesson, plan.looks) for topic in session.motifs],
                "revised": [_again(topic, plan.looks.tongue) for topic in session.revised],
                "homework": homework_words(session, plan.looks.tongue),
            }
            for session in plan.sessions
        ],
    }
    return pdf_bytes(["base.typ", "plan.typ"], data, "miner.lesson")


def _thing(thing: Thing, looks: Looks) -> dict[str, str]:
    board, moves = thing.mistake.board, looks.tongue.moves
    svg = diagram_svg(
        board, orientation=thing.bottom.color, coordinates=looks.coordinates, hatched=looks.hatched
    )
    return {
        "svg": svg,
        "alt": board.fen(),
        "name": moves(thing.name),
        "opening": moves(thing.opening),
        "line": moves(thing.line),
        "why": thing.why,
    }


def _position(finding: Finding, session: Session, looks: Looks) -> dict[str, str]:
    exercise, tongue = exercise_of(finding), looks.tongue
    model = session.models.get(finding.reply)
    return {
        "svg": looks.svg(exercise),
        "alt": exercise.board.fen(),
        "heading": heading(finding),
        **asdict(demonstration(finding, tongue)),
        "why": why_words(exercise, tongue.in_english),
        "model": "" if model is None else model_words(model, tongue),
    }


def plan_markdown(plan: Plan) -> bytes:
    """The plan as CommonMark with tables, UTF-8, LF; nothing from outside is read as markup."""
    lines = [f"# {escaped(plan.title)}", "", f"{plan.subtitle}.", "", *_first_lines(plan)]
    lines += ["| No | Date | Aim | New | Again |", "|---:|---|---|---:|---:|"]
    for session in plan.sessions:
        aim = escaped(plan.looks.tongue.moves(aim_words(session)))
        counts = f"{len(session.new) + len(session.motifs)} | {len(session.revised)}"
        lines.append(f"| {session.number} | {plan.day(session)} | {aim} | {counts} |")
    for session in plan.sessions:
        lines += ["", *_session_lines(session, plan)]
    return ("\n".join(lines) + "\n").encode()


def _first_lines(plan: Plan) -> list[str]:
    things, moves = first_evening(plan), plan.looks.tongue.moves
    lines = [f"## {things_heading(things)}", ""]
    for number, thing in enumerate(things, start=1):
        told = f"{escaped(moves(thing.opening))}: {escaped(moves(thing.line))}. {escaped(thing.why)}"
        lines += [f"{number}. **{escaped(moves(thing.name))}.** {told} `{thing.mistake.fen}`"]
    return [*lines, ""] if things else []


def _session_lines(session: Session, plan: Plan) -> list[str]:
    tongue, day = plan.looks.tongue, plan.day(session)
    lines = [f"## Session {session.number}{f', {day}' if day else ''}", ""]
    lines += [f"**Aim:** {escaped(tongue.moves(aim_words(session)))}", ""]
    lines += ["| Minutes | |", "|---:|---|"]
    lines += [f"| {part.minutes} | {part.activity.value} |" for part in session.parts]
    for finding in session.new:
        line, why = demonstration(finding, tongue), why_words(exercise_of(finding), tongue.in_english)
        moves = joined(line.before, f"**{line.reply}**", line.after)
        lines += ["", f"### {escaped(heading(finding))}", "", moves, "", escaped(why), "", f"`{finding.fen}`"]
        if model := session.models.get(finding.reply):
            lines += ["", f"**Model game:** {escaped(model_words(model, tongue))}"]
    for topic in session.motifs:
        lines += ["", *_motif_lines(topic.lesson, tongue)]
    if session.revised:
        again = [f"- {escaped(_again(topic, tongue))}" for topic in session.revised]
        lines += ["", "**Again:**", "", *again]
    return [*lines, "", f"**Homework:** {escaped(homework_words(session, tongue))}"]


def _motif_lines(lesson: MotifLesson, tongue: Tongue) -> list[str]:
    """A motif with what is known of it, its examples, and where it fails."""
    lines = [f"### {escaped(motif_title(lesson.count))}", ""]
    lines += [f"- {escaped(tongue.moves(fact))}" for fact in motif_facts(lesson)]
    shown = [("Example", moment_line(moment), moment) for moment in lesson.examples]
    shown += [("Here it fails", failing_line(lesson.fails), lesson.fails)] if lesson.fails else []
    for name, line, moment in shown:
        lines += ["", f"**{name}:** {escaped(tongue.moves(line))}", "", f"`{moment.fen}`"]
    return lines


def plan_calendar(plan: Plan) -> bytes:
    """The sessions as iCalendar."""
    tongue = plan.looks.tongue
    entries = [
        Entry(
            day=day,
            minutes=plan.minutes,
            summary=f"{PLAN_TITLE} {session.number}: {tongue.moves(aim_words(session))}",
            description="\n".join(
                [
                    *(f"{part.minutes} min: {part.activity.value}" for part in session.parts),
                    *(f"New: {_again(finding, tongue)}" for finding in session.new),
                    *(f"New: {_again(topic, tongue)}" for topic in session.motifs),
                    *(f"Again: {_again(topic, tongue)}" for topic in session.revised),
                    f"Homework: {homework_words(session, tongue)}",
                ]
            ),
        )
        for session, day in zip(plan.sessions, plan.days, strict=True)
    ]
    return calendar_bytes(entries, plan.whom, plan.at)


def homework_words(session: Session, tongue: Tongue) -> str:
    """The homework after a session, in a sentence or two."""
    if not session.has_new:
        return "Choose two positions of the term and explain them to somebody who was not there."
    replies = ", ".join(tongue.moves(reply_words(finding)) for finding in session.new)
    # In words for children: trapped piece (pawn).
    motifs = " or ".join(re.sub(": (.*)", r" (\1)", topic.name) for topic in session.motifs)
    return joined(
        f"Write down from memory what follows on {replies}, then set each position up and check it."
        if replies
        else "",
        f"Play through your last games: find a move where a chance of this kind came up: {motifs}."
        if motifs
        else "",
        "Solve the exercises again that went wrong.",
    )


def model_words(model: ModelGame, tongue: Tongue) -> str:
    """A model game with its moves, as far as a plan holds them."""
    moves = tongue.moves(numbered_sans(model.sans[:PLAN_PLIES]))
    return f"{model.words()}: {moves}{' ...' if len(model.sans) > PLAN_PLIES else ''}"


def _again(topic: Topic, tongue: Tongue) -> str:
    if isinstance(topic, MotifTopic):
        return f"Motif: {topic.name}"
    return f"{opening_family(topic)}: {tongue.moves(reply_words(topic))}"


def escaped(text: str) -> str:
    r"""Text from outside as CommonMark text that no reader takes for markup, a link or HTML.

    >>> print(escaped("a*b* <i>"))
    a\*b\* \<i\>
    >>> print(escaped("- 0"), escaped("1. e4"), escaped("2024.09.15"))
    \- 0 1\. e4 2024.09.15
    """
    marked = re.sub(r"([\\`*_{}\[\]<>#|~&@$])", r"\\\1", plain(text))
    marked = re.sub(r"^(\d*)([-+.)])(?=\s|$)", r"\1\\\2", marked)  # at the beginning it would open a list
    return re.sub(r"(?i)(www)(?=\.)|(:)(?=//)", lambda found: f"{found[1]}\\" if found[1] else "\\:", marked)
