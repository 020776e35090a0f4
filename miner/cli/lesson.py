"""`miner lesson`, `plan`: sheets for a lesson, on paper and for other programs, and a term's sessions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import few_words, open_findings
from miner.cli.terminal import say
from miner.errors import UsageError
from miner.finding.finding import findings_of
from miner.finding.motifs import MotifCount, group_of, read_motifs
from miner.finding.words import counted
from miner.lesson.backing import read_backing
from miner.lesson.cards import PICTURES
from miner.lesson.exercises import choose, of_moments
from miner.lesson.files import lesson_files, write_files
from miner.lesson.moments import TAUGHT_AT_ONCE, Pool, exercises_about, mixed, motif_lessons
from miner.lesson.own_games import positions_in
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.plan import Plan, Weekday, plan_files, session_days
from miner.lesson.sheets import FEWEST, MOST, Looks, Paper
from miner.lesson.term import motif_topics, term
from miner.settings import Taught
from miner.store import Store
from miner.terms import ALL_BANDS

_DAY = ["%Y-%m-%d"]
Language = Annotated[
    str,
    typer.Option(
        metavar="LANG",
        help="Language of what pupils get, e.g. de: sheet, answers, cards and practice page; what is for the "
        "coach stays English. Words are known in en, de, fr, es, it and nl, piece letters in more.",
    ),
]
Figurines = Annotated[bool, typer.Option("--figurines", help="Figurines instead of the piece letters.")]
PaperSize = Annotated[Paper, typer.Option(help="Paper size.")]
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
    paper: PaperSize = Paper.A4,
    language: Language = ENGLISH,
    figurines: Figurines = False,
    title: Annotated[str, typer.Option(help="Printed over the sheets.")] = "",
    start: Annotated[
        datetime | None,
        typer.Option(formats=_DAY, metavar="DATE", help="First day of the cards, e.g. 2025-09-15."),
    ] = None,
    coordinates: Annotated[bool, typer.Option(help="Letters and numbers around the diagrams.")] = True,
    hatched: Hatched = False,
    pdf: Annotated[bool, typer.Option(help="Sheets as PDF (needs the extra `print`).")] = True,
) -> None:
    """Make exercises: pupils' sheet, answers, coach's pages, a page to practise on; also PGN, EPD and cards.

    Exercises are positions that come up again and again, and by motif mistakes of single games.
    """
    if motif and only:
        raise UsageError("a motif has no position", advice="give --motif or --only")
    opened = Store.open(store)
    findings = findings_of(open_findings(opened, side=side, bands=bands or ()))
    pool = pool_of(opened, bands or (), side or "both", without or ())
    topics = topics_of(pool, motif or (), bands or ()) if not only else []
    about = [] if motif else choose(findings, side=side or "both", keys=keys_of(only), top=top)
    exercises = mixed(about, exercises_about(pool, topics, top) if pool else [], top)
    if not exercises:
        few = few_words(opened, len(findings), bands or ())
        raise UsageError("no finding is left to print", advice=few or "ask for both sides")
    looks = Looks(
        tongue=Tongue.of(language, figurines=figurines),
        paper=paper,
        per_page=per_page,
        title=title,
        coordinates=coordinates,
        hatched=hatched,
        pdf=pdf,
    )
    day = start.date() if start else None
    taught = motif_lessons(pool, topics, exercises) if pool else []
    _write(out, lesson_files(exercises, looks, read_backing(opened), day, taught), "lesson")
    moments = of_moments(exercises)
    motifs = f", {len(moments)} of them by motif" if moments else ""
    say(f"{counted(len(exercises), 'exercise')}{motifs}")
    if not motif:
        _say_if_few(opened, len(findings), bands or ())


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


def topics_of(pool: Pool | None, names: Sequence[str], bands: Sequence[str]) -> list[MotifCount]:
    """The motifs that are asked for, or those that cost the band most.

    Raises UsageError for a motif that is not listed.
    """
    if pool is None:
        if names:
            raise UsageError("no game was scanned for motifs", advice="`miner scan` does that")
        return []
    if not names:
        return pool.topics[:TAUGHT_AT_ONCE]
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
    minutes: Annotated[int, typer.Option(help="Length of each session.")] = 60,
    side: options.SideOption = None,
    bands: options.Bands = None,
    start: Annotated[
        datetime | None,
        typer.Option(formats=_DAY, metavar="DATE", help="First day of the term; makes a calendar, too."),
    ] = None,
    weekday: Annotated[
        Weekday | None, typer.Option(help="Day of the sessions (default: that of the first day).")
    ] = None,
    at: Annotated[
        datetime | None, typer.Option(formats=["%H:%M"], metavar="TIME", help="When they begin, e.g. 17:30.")
    ] = None,
    without: Annotated[
        list[datetime] | None,
        typer.Option(formats=_DAY, metavar="DATE", help="No session on this day. May be given again."),
    ] = None,
    sheets: Annotated[bool, typer.Option("--sheets", help="Also each session's exercises.")] = False,
    per_page: PerPage = 6,
    paper: PaperSize = Paper.A4,
    language: Language = ENGLISH,
    figurines: Figurines = False,
    title: Annotated[str, typer.Option(help="Printed over the plan.")] = "",
    hatched: Hatched = False,
    pdf: Annotated[bool, typer.Option(help="The plan as PDF, too (needs the extra `print`).")] = True,
) -> None:
    """Plan a term: what is taught when, with revision, homework and minutes; as text, PDF and calendar.

    Positions that come up again and again and motifs are taught side by side.
    """
    if start is None and (weekday or at or without):
        raise UsageError("days need a first day", advice="say when the term begins with --start DATE")
    opened = Store.open(store)
    findings = findings_of(open_findings(opened, side=side, bands=bands or ()))
    backing = read_backing(opened)
    pool = pool_of(opened, bands or (), side or "both", ())
    planned = term(findings, sessions, minutes, backing.models, motif_topics(pool) if pool else [])
    if len(planned) < sessions:
        say(f"{counted(len(planned), 'session')}: there are no topics for {sessions}")
    holidays = {day.date() for day in without or ()}
    files = plan_files(
        Plan(
            sessions=planned,
            days=session_days(start.date(), len(planned), weekday, holidays) if start else (),
            minutes=minutes,
            whom=", ".join([(side or "both").capitalize(), *(bands or ["all bands"])]),
            looks=Looks(
                tongue=Tongue.of(language, figurines=figurines),
                paper=paper,
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
    _say_if_few(opened, len(findings), bands or ())


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
