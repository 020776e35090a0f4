"""`miner plan`: a term's sessions from the findings."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import open_findings
from miner.cli.lesson import Figurines, Hatched, Language, PaperSize, PerPage, check_bands
from miner.errors import UsageError
from miner.finding.finding import findings_of
from miner.lesson.backing import read_backing
from miner.lesson.calendar import Weekday, session_days
from miner.lesson.exercises import is_wanted
from miner.lesson.files import write_files
from miner.lesson.layout import Looks, Paper
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.plan import Plan, plan_files
from miner.lesson.term import term
from miner.store import Store

_DAY = ["%Y-%m-%d"]


def plan(
    store: options.StoreDir,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the files go.")],
    sessions: Annotated[int, typer.Option(min=1, help="Sessions of the term.")] = 8,
    minutes: Annotated[int, typer.Option(help="Length of each session.")] = 60,
    side: options.Side = None,
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
    """Plan a term: what is taught when, with revision, homework and minutes; as text, PDF and calendar."""
    if start is None and (weekday or at or without):
        raise UsageError("days need a first day", advice="say when the term begins with --start DATE")
    opened = Store.open(store)
    check_bands(opened, bands)
    findings = findings_of(open_findings(opened))
    wanted = [one for one in findings if is_wanted(one, side or "both", bands or ())]
    backing = read_backing(opened)
    planned = term(wanted, sessions, minutes, backing.models)
    holidays = {day.date() for day in without or ()}
    files = plan_files(
        Plan(
            sessions=planned,
            days=session_days(start.date(), sessions, weekday, holidays) if start else (),
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
    for file in write_files(out, files):
        typer.echo(f"wrote {file}")
