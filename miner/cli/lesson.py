"""`miner lesson`, `plan`: sheets for a lesson, on paper and for other programs, and a term's sessions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import say_if_out_of_date
from miner.cli.terminal import say
from miner.errors import UsageError
from miner.finding.few import few_words
from miner.finding.words import counted
from miner.lesson.cards import PICTURES
from miner.lesson.exercises import of_moments
from miner.lesson.made import Made, make_lesson, make_plan
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.plan import Weekday
from miner.lesson.sheets import FEWEST, MOST, Looks, Paper
from miner.settings import load_group
from miner.store import Store

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
    opened = Store.open(store)
    usual = load_group(group, settings_file)
    bands = bands or list(usual.band)
    say_if_out_of_date(opened)
    made = make_lesson(
        opened,
        out,
        Looks(
            tongue=Tongue.of(language or usual.language or ENGLISH, figurines=figurines),
            paper=paper or Paper(usual.paper or Paper.A4),
            per_page=per_page,
            title=title,
            coordinates=coordinates,
            hatched=hatched,
            pdf=pdf,
        ),
        side=side or usual.side or None,
        bands=bands,
        top=top,
        only=keys_of(only),
        motifs=motif or (),
        without=without or (),
        start=start.date() if start else None,
        group=group,
        taught=taught,
        without_taught=without_taught,
        revise_taught=revise_taught,
    )
    _say_files(made)
    moments = of_moments(made.exercises)
    motifs = f", {len(moments)} of them by motif" if moments else ""
    say(f"{counted(len(made.exercises), 'exercise')}{motifs}")
    _say_if_noted(made, group)
    if not motif:
        _say_if_few(opened, made.found, bands)


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
    opened = Store.open(store)
    usual = load_group(group, settings_file)
    bands = bands or list(usual.band)
    say_if_out_of_date(opened)
    made = make_plan(
        opened,
        out,
        Looks(
            tongue=Tongue.of(language or usual.language or ENGLISH, figurines=figurines),
            paper=paper or Paper(usual.paper or Paper.A4),
            per_page=per_page,
            title=title,
            hatched=hatched,
            pdf=pdf,
        ),
        sessions=sessions,
        minutes=minutes or usual.minutes or 60,
        side=side or usual.side or None,
        bands=bands,
        start=start.date() if start else None,
        weekday=weekday,
        at=at.time() if at else None,
        without={day.date() for day in without or ()},
        sheets=sheets,
        group=group,
        taught=taught,
        without_taught=without_taught,
    )
    if len(made.sessions) < sessions:
        say(
            f"{counted(len(made.sessions), 'session')}: there are no topics for {sessions}; more bands "
            "(--band) or both sides (--side) may hold more"
        )
    _say_files(made)
    _say_if_noted(made, group)
    _say_if_few(opened, made.found, bands)


def _say_if_few(store: Store, found: int, bands: Sequence[str]) -> None:
    if few := few_words(store, found, bands):
        say(few)


def _say_if_noted(made: Made, group: str) -> None:
    if noted := made.noted:
        say(f"noted in {noted.file}: {counted(noted.topics, 'topic')}{f' of {group}' if group else ''}")


def _say_files(made: Made) -> None:
    for file in _told(made.files):
        say(f"wrote {file}")
    for file in _told(made.deleted):
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
