"""`miner lesson`, `plan`: sheets for a lesson, on paper and for other programs, and a term's sessions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import few_words, open_findings
from miner.cli.terminal import say
from miner.errors import UsageError
from miner.finding.finding import Finding, findings_of
from miner.finding.motifs import MotifCount, group_of, read_motifs
from miner.finding.words import counted
from miner.lesson.backing import read_backing
from miner.lesson.cards import PICTURES
from miner.lesson.exercises import choose, distinct, of_findings, of_moments, task_of
from miner.lesson.files import lesson_files, write_files
from miner.lesson.moments import TAUGHT_AT_ONCE, Pool, exercises_about, mixed, motif_lessons
from miner.lesson.own_games import positions_in
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.plan import Plan, Weekday, plan_files, session_days
from miner.lesson.sheets import FEWEST, MOST, Looks, Paper
from miner.lesson.taught import NOTHING_TAUGHT, Line, TaughtTable, position_words, taught_file
from miner.lesson.term import Topic, motif_topics, term
from miner.settings import Taught, load_group
from miner.store import Store
from miner.store.places import Location, located
from miner.terms import ALL_BANDS

Language = Annotated[
    str | None,
    typer.Option(
        metavar="LANG",
        help="Language of what pupils get, such as de (default: en): sheet, answers, cards, practice page. "
        "What coaches get stays English. Words are known in en, de, fr, es, it, nl; piece letters in more.",
    ),
]
Figurines = Annotated[bool, typer.Option("--figurines", help="Figurines instead of the piece letters.")]
PaperSize = Annotated[Paper | None, typer.Option(help="Paper size (default: a4).")]
PerPage = Annotated[int, typer.Option(min=FEWEST, max=MOST, help="Diagrams on each page of the sheet.")]
Hatched = Annotated[
    bool, typer.Option("--hatched", help="Hatched dark squares, for copiers that lose a pale grey.")
]


def lesson(
    store: options.StoreDir,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the files go.")],
    side: options.SideOption = None,
    bands: options.Bands = None,
    top: Annotated[int, typer.Option(min=1, help="How many exercises.")] = 12,
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY", help="Only this position, by its key as in the CSV. May be given again."),
    ] = None,
    motif: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="Only exercises of this motif, by its name as `miner motifs` lists it. May be given again.",
        ),
    ] = None,
    without: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SOURCE",
            help="The pupils' own games: no exercise or example is a position from them. May be given again.",
        ),
    ] = None,
    per_page: PerPage = 6,
    paper: PaperSize = None,
    language: Language = None,
    figurines: Figurines = False,
    title: Annotated[str, typer.Option(help="Printed over the sheets.")] = "",
    start: Annotated[
        datetime | None,
        options.day("--start", help="First day of the cards, and day of the lesson, e.g. 2025-09-15."),
    ] = None,
    coordinates: Annotated[bool, typer.Option(help="Letters and numbers around the diagrams.")] = True,
    hatched: Hatched = False,
    pdf: Annotated[bool, typer.Option(help="Sheets as PDF (needs the extra `print`).")] = True,
    without_taught: Annotated[
        bool,
        typer.Option(
            "--without-taught",
            help="Leave out what the group was taught on earlier days, and note what this lesson teaches.",
        ),
    ] = False,
    revise_taught: Annotated[
        bool, typer.Option("--revise-taught", help="Only what the group was taught on earlier days.")
    ] = False,
    taught: options.TaughtFile = None,
    group: options.GroupName = "",
    settings_file: options.SettingsFile = None,
) -> None:
    """Make exercises: pupils' sheet, answers, coach's pages, a page to practise on; also PGN, EPD and cards.

    Exercises are positions that come up again and again, and by motif mistakes of single games.
    """
    if motif and only:
        raise UsageError("a motif has no position", advice="give --motif or --only")
    if without_taught and revise_taught:
        raise UsageError(
            "what was taught cannot be left out and revised at once",
            advice="give --without-taught or --revise-taught",
        )
    opened = Store.open(store)
    usual = load_group(group, settings_file)
    side, bands = side or usual.side or None, bands or list(usual.band)
    day = start.date() if start else None
    if day is None and (without_taught or revise_taught):
        raise UsageError(
            "what was taught goes by days", advice="name the day of the lesson with --start DATE"
        )
    kept = taught_file(opened, located(taught) if taught else None)
    known = TaughtTable.read(kept) if without_taught or revise_taught else NOTHING_TAUGHT
    earlier = known.of_group(group).before(day) if day else NOTHING_TAUGHT
    ranked = findings_of(open_findings(opened, side=side, bands=bands))
    findings = [one for one in ranked if earlier.holds(one) == revise_taught]
    keys = keys_of(only)
    _require_findings_at(ranked, keys)
    pool = pool_of(opened, bands, side or "both", without or ())
    topics = topics_of(pool, motif or (), bands, earlier.motifs, revise=revise_taught) if not only else []
    about = [] if motif else choose(findings, side=side or "both", keys=keys, top=top)
    exercises = mixed(about, exercises_about(pool, topics, top) if pool else [], top)
    if not exercises:
        raise _nothing_left(opened, ranked, bands, revise=revise_taught, taught=bool(earlier.lines))
    looks = Looks(
        tongue=Tongue.of(language or usual.language or ENGLISH, figurines=figurines),
        paper=paper or Paper(usual.paper or Paper.A4),
        per_page=per_page,
        title=title,
        coordinates=coordinates,
        hatched=hatched,
        pdf=pdf,
    )
    lessons = motif_lessons(pool, topics, exercises) if pool else []
    _write(out, lesson_files(exercises, looks, read_backing(opened), day, lessons), "lesson")
    moments = of_moments(exercises)
    motifs = f", {len(moments)} of them by motif" if moments else ""
    say(f"{counted(len(exercises), 'exercise')}{motifs}")
    if without_taught and day:
        what = [*(one.count.motif for one in lessons)]
        what += [position_words(one.finding) for one in of_findings(exercises)]
        _note(known, kept, group, [Line(day, group, one) for one in what], day, day)
    if not motif:
        _say_if_few(opened, len(ranked), bands)


def _note(
    known: TaughtTable, file: Location, group: str, lines: Sequence[Line], since: date, until: date | None
) -> None:
    known.with_lessons(group, lines, since, until).write(file)
    say(f"noted in {file}: {counted(len(lines), 'topic')}{f' of {group}' if group else ''}")


def _require_findings_at(findings: Sequence[Finding], keys: Sequence[int]) -> None:
    """Raise UsageError for a key of no finding."""
    there = {finding.key for finding in findings}
    for key in keys:
        if key not in there:
            raise UsageError(
                f"no finding of this list has the key {key:016x}",
                advice="take it from the column `key` of the CSV (miner export), for the same side and bands",
            )


def _nothing_left(
    store: Store, ranked: Sequence[Finding], bands: Sequence[str], *, revise: bool, taught: bool
) -> UsageError:
    if revise:
        return UsageError(
            "nothing in this list was taught on earlier days",
            advice="lessons made with --without-taught are noted; see --taught and --group",
        )
    if taught and ranked:
        return UsageError(
            "all that is in this list was taught",
            advice="revise it with --revise-taught, or ask for more bands",
        )
    few = few_words(store, len(ranked), bands)
    return UsageError("no finding is left to print", advice=few or "ask for both sides")


def pool_of(store: Store, bands: Sequence[str], side: Taught, without: Sequence[str]) -> Pool | None:
    """The moments of a store that may become exercises; None: nothing was scanned.

    Left out is what recurs, which findings tell of, and what is met in the games of `without`.
    """
    motifs = read_motifs(store)
    if motifs is None:
        return None
    asked_for = bands or store.require("rank").settings["bands"]
    recurring = store.read_table("positions", ["key"])["key"].to_pylist()
    own = positions_in(store, without).tolist() if without else []
    return Pool(motifs=motifs, band=group_of(asked_for), side=side, known=frozenset([*recurring, *own]))


def topics_of(
    pool: Pool | None,
    names: Sequence[str],
    bands: Sequence[str],
    taught: Collection[str] = (),
    *,
    revise: bool = False,
) -> list[MotifCount]:
    """The motifs that are asked for, or those that cost the band most: such as were not `taught` yet, or, to
    `revise`, such as were.

    Raises UsageError for a motif that is not listed.
    """
    if pool is None:
        if names:
            raise UsageError("no game was scanned for motifs", advice="`miner scan` does that")
        return []
    if not names:
        return [one for one in pool.topics if (one.motif in taught) == revise][:TAUGHT_AT_ONCE]
    listed = {count.motif: count for band in (ALL_BANDS, pool.band) for count in pool.motifs.of_band(band)}
    for name in names:
        if name not in listed:
            asked = "".join(f" --band {band}" for band in bands)
            raise UsageError(f"no motif is called {name!r}", advice=f"`miner motifs{asked}` lists them")
    return [listed[name] for name in names]


def plan(
    store: options.StoreDir,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the files go.")],
    sessions: Annotated[int, typer.Option(min=1, help="Sessions of the term.")] = 8,
    minutes: Annotated[int | None, typer.Option(help="Length of each session (default: 60).")] = None,
    side: options.SideOption = None,
    bands: options.Bands = None,
    start: Annotated[
        datetime | None,
        options.day("--start", help="First day of the term; makes a calendar, too."),
    ] = None,
    weekday: Annotated[
        Weekday | None, typer.Option(help="Day of the sessions (default: that of the first day).")
    ] = None,
    at: Annotated[datetime | None, options.time_of_day("--at", help="When they begin, e.g. 17:30.")] = None,
    without: Annotated[
        list[datetime] | None,
        options.day("--without", help="No session on this day. May be given again."),
    ] = None,
    sheets: Annotated[bool, typer.Option("--sheets", help="Also each session's exercises.")] = False,
    per_page: PerPage = 6,
    paper: PaperSize = None,
    language: Language = None,
    figurines: Figurines = False,
    title: Annotated[str, typer.Option(help="Printed over the plan.")] = "",
    hatched: Hatched = False,
    pdf: Annotated[bool, typer.Option(help="The plan as PDF, too (needs the extra `print`).")] = True,
    without_taught: Annotated[
        bool,
        typer.Option(
            "--without-taught",
            help="What the group was taught on earlier days comes back once, but is not taught again; the "
            "new sessions are noted with their days.",
        ),
    ] = False,
    taught: options.TaughtFile = None,
    group: options.GroupName = "",
    settings_file: options.SettingsFile = None,
) -> None:
    """Plan a term: what is taught when, with revision, homework and minutes; as text, PDF and calendar.

    Positions that come up again and again and motifs are taught side by side.
    """
    if start is None and (weekday or at or without or without_taught):
        raise UsageError("days need a first day", advice="say when the term begins with --start DATE")
    opened = Store.open(store)
    usual = load_group(group, settings_file)
    side, bands, minutes = (
        side or usual.side or None,
        bands or list(usual.band),
        minutes or usual.minutes or 60,
    )
    kept = taught_file(opened, located(taught) if taught else None)
    known = TaughtTable.read(kept) if without_taught else NOTHING_TAUGHT
    earlier = known.of_group(group).before(start.date()) if start else NOTHING_TAUGHT
    findings = findings_of(open_findings(opened, side=side, bands=bands))
    backing = read_backing(opened)
    pool = pool_of(opened, bands, side or "both", ())
    topics = motif_topics(pool) if pool else []
    again: list[Topic] = [one for one in distinct(findings) if earlier.holds(one) and task_of(one)]
    again += [topic for topic in topics if topic.name in earlier.motifs]
    planned = term(
        [one for one in findings if not earlier.holds(one)],
        sessions,
        minutes,
        backing,
        [topic for topic in topics if topic.name not in earlier.motifs],
        again,
    )
    if len(planned) < sessions:
        say(
            f"{counted(len(planned), 'session')}: there are no topics for {sessions}; more bands (--band) or "
            "both sides (--side) may hold more"
        )
    holidays = {day.date() for day in without or ()}
    days = session_days(start.date(), len(planned), weekday, holidays) if start else []
    files = plan_files(
        Plan(
            sessions=planned,
            days=days,
            minutes=minutes,
            whom=", ".join(filter(None, [group, _whom(side, bands)])),
            looks=Looks(
                tongue=Tongue.of(language or usual.language or ENGLISH, figurines=figurines),
                paper=paper or Paper(usual.paper or Paper.A4),
                per_page=per_page,
                title=title,
                hatched=hatched,
                pdf=pdf,
            ),
            backing=backing,
            at=at.time() if at else None,
        ),
        sheets=sheets,
    )
    _write(out, files, "plan")
    if without_taught and start:
        lines = [
            Line(on, group, what)
            for on, session in zip(days, planned, strict=True)
            for what in (*(topic.name for topic in session.motifs), *map(position_words, session.new))
        ]
        _note(known, kept, group, lines, start.date(), None)
    _say_if_few(opened, len(findings), bands)


def _whom(side: Taught | None, bands: Sequence[str]) -> str:
    return ", ".join(
        ["Both sides" if side in (None, "both") else side.capitalize(), *(bands or ["all bands"])]
    )


def _say_if_few(store: Store, found: int, bands: Sequence[str]) -> None:
    if few := few_words(store, found, bands):
        say(few)


def _write(out: Path, files: Mapping[str, bytes], command: str) -> None:
    written, gone = write_files(out, files, command)
    for file in _told(written):
        say(f"wrote {file}")
    for file in _told(gone):
        say(f"deleted {file} of an earlier call")


def _told(files: Sequence[Path]) -> list[str]:
    """The files, pictures of cards counted by their folder."""
    pictures = Counter(file.parent for file in files if file.parent.name == PICTURES)
    others = [str(file) for file in files if file.parent not in pictures]
    return [*others, *(f"{folder}: {counted(number, 'picture')}" for folder, number in pictures.items())]


def keys_of(only: list[str] | None) -> list[int]:
    """Position keys from their 16 hexadecimal digits.

    Raises UsageError for anything else.
    """
    try:
        return [int(key, 16) for key in only or []]
    except ValueError as error:
        raise UsageError(
            f"{str(error).rpartition(': ')[2]} is no key", advice="take it from the column `key` of the CSV"
        ) from error
