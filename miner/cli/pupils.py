"""`miner pupils`: pupils' own games against the findings."""

from __future__ import annotations

import re
from contextlib import nullcontext
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.bars import Bars
from miner.cli import options
from miner.cli.findings import say_if_out_of_date
from miner.cli.lesson import PaperSize, keys_of
from miner.cli.options import ENGINES, GivenMeans, MeansOf
from miner.cli.terminal import ledger_line, say
from miner.finding.words import agreeing, counted
from miner.lesson.sheets import Paper
from miner.pupils.made import make_pages
from miner.pupils.pages import EXERCISES
from miner.settings import GROUPS_FILE, GroupSettings, load_group
from miner.store import Store

_KEY = re.compile(r"[0-9a-fA-F]{1,16}", re.ASCII)


def pupils(
    *,
    store: options.StoreDir,
    games: Annotated[
        list[str], typer.Option("--games", metavar="SOURCE", help="The pupils' games. May be given again.")
    ],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the pages go.")],
    players: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Whose games count: one name a line, or a CSV with the columns name, group, since. "
            "Without it every player in the games gets a page, opponents as well, if they are 300 or fewer.",
        ),
    ] = None,
    since: options.Since = None,
    lesson_date: Annotated[
        datetime | None,
        options.day("--lesson-date", help="Tell what has changed since this day."),
    ] = None,
    taught: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY|FILE",
            help="What the lesson taught, by key as in the CSV: only that counts as progress. Or the table "
            "taught.csv of `miner lesson` and `plan`: each topic counts from its own day on.",
        ),
    ] = None,
    exercises: Annotated[int, typer.Option(min=1, max=12, help="Exercises for each pupil.")] = EXERCISES,
    names: Annotated[
        bool, typer.Option("--names", help="Put the pupils' names on the pages, for the coach's eyes only.")
    ] = False,
    paper: PaperSize = None,
    pdf: Annotated[bool, typer.Option(help="The pages as PDF, too (needs the extra `print`).")] = True,
    scan: Annotated[
        bool,
        typer.Option(help="Scan all of the pupils' games for motifs as well, with the engine."),
    ] = True,
    group: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Only pupils of this group of --players, on the paper of [group.NAME] in --settings or in "
            "miner.toml in this folder, if there is one.",
        ),
    ] = "",
    settings_file: options.SettingsFile = None,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Hold pupils' own games against findings and motifs: who fell in, who punished, and what comes next.

    Pupils have pseudonyms such as Pupil 4172, unless names are asked for. A number stays with its pupil: the
    store keeps it with the salted hash of the name.
    """
    opened = Store.open(store)
    say_if_out_of_date(opened)
    has_settings = bool(settings_file) or Path(GROUPS_FILE).is_file()
    usual = load_group(group, settings_file) if has_settings else GroupSettings()
    keys = [one for one in taught or () if _KEY.fullmatch(one)]
    is_scanned = scan and opened.manifest("scan") is not None
    with means() if is_scanned else nullcontext() as ready:
        made = make_pages(
            opened,
            games,
            out,
            players=players,
            since=since or "",
            lesson=lesson_date.date() if lesson_date else None,
            taught=keys_of(keys),
            tables=[one for one in taught or () if one not in keys],
            group=group,
            exercises=exercises,
            names=names,
            paper=paper or Paper(usual.paper or Paper.A4),
            pdf=pdf,
            progress=Bars(),
            means=ready,
        )
    check, files = made.check, made.files
    say(f"{counted(check.ledger.total(), 'game')} seen: {ledger_line(dict(check.ledger))}")
    if check.absent:
        have = agreeing(len(check.absent), "has", "have")
        say(f"{len(check.absent)} of the list {have} no game there", err=True)
    if made.deleted:
        say(f"deleted {counted(len(made.deleted), 'file')} of an earlier call")
    if strays := sorted(path.name for path in out.glob("pupil-*.*") if path not in files):
        say(f"{out} still holds {counted(len(strays), 'other file')} of pupils: {strays[0]}", err=True)
    say(f"wrote {counted(len(files), 'file')} to {out}; begin with {out / 'group.html'}")
    if names:
        say("The pages hold names: keep them to yourself.")
