"""`miner pupils`: pupils' own games against the findings."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import open_findings
from miner.cli.lesson import PaperSize, keys_of
from miner.cli.options import ENGINES, GivenMeans, MeansOf
from miner.cli.terminal import Bars, ledger_line, say
from miner.lesson.files import write_files
from miner.lesson.sheets import Paper
from miner.pupils.check import check_games
from miner.pupils.pages import EXERCISES, pupils_files
from miner.pupils.roster import read_roster
from miner.store import Store


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
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Tell what has changed since this day."),
    ] = None,
    taught: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY", help="What the lesson taught, by key as in the CSV: only that counts as progress."
        ),
    ] = None,
    exercises: Annotated[int, typer.Option(min=1, max=12, help="Exercises for each pupil.")] = EXERCISES,
    names: Annotated[
        bool, typer.Option("--names", help="Put the pupils' names on the pages, for the coach's eyes only.")
    ] = False,
    paper: PaperSize = Paper.A4,
    pdf: Annotated[bool, typer.Option(help="The pages as PDF, too (needs the extra `print`).")] = True,
    scan: Annotated[
        bool,
        typer.Option(help="Scan all of the pupils' games for motifs as well, with the engine."),
    ] = True,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Hold pupils' own games against findings and motifs: who fell in, who punished, and what comes next.

    Pupils have pseudonyms such as Pupil 4172, unless names are asked for. A number stays with its pupil: the
    store keeps it with the salted hash of the name.
    """
    opened = Store.open(store)
    open_findings(opened)
    is_scanned = scan and opened.manifest("scan") is not None
    with means() if is_scanned else nullcontext() as ready:
        check = check_games(
            opened,
            games,
            read_roster(players) if players else None,
            since=(since or "").replace("-", "."),
            lesson=lesson_date.date() if lesson_date else None,
            taught=keys_of(taught),
            names=names,
            progress=Bars(),
            means=ready,
        )
    say(f"{check.ledger.total():,} games seen: {ledger_line(dict(check.ledger))}")
    files = pupils_files(check, exercises=exercises, paper=paper, pdf=pdf)
    _, gone = write_files(out, files, "pupils")
    if check.absent:
        say(f"{len(check.absent)} of the list have no game there", err=True)
    if gone:
        say(f"deleted {len(gone)} files of an earlier call")
    if strays := sorted(path.name for path in out.glob("pupil-*.*") if path.name not in files):
        say(f"{out} still holds {len(strays)} other files of pupils, such as {strays[0]}", err=True)
    say(f"wrote {len(files)} files to {out}; begin with {out / 'group.html'}")
    if names:
        say("The pages hold names: keep them to yourself.")
