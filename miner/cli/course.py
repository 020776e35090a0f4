"""`miner course`: the whole course of an opening that a coach has chosen, from the games of a band."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import say_if_out_of_date
from miner.cli.lesson import Figurines, Hatched, PaperSize
from miner.cli.options import ENGINES, GivenMeans, MeansOf, SettingsOf
from miner.cli.terminal import say
from miner.course.made import make_course
from miner.course.words import coverage_sentence
from miner.finding.words import counted
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.sheets import Looks, Paper
from miner.settings import Settings
from miner.store import Store
from miner.terms import Side


def course(
    *,
    store: options.StoreDir,
    side: Annotated[Side, typer.Option(help="The side that is taught.")],
    band: Annotated[
        str, typer.Option(help="The opponents' rating band, e.g. 1000-1199, or several, e.g. 1000-1399.")
    ],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the files go.")],
    start: Annotated[
        str,
        typer.Option(
            "--from",
            metavar="MOVES|FEN",
            help="The opening: moves such as '1.e4 e5 2.Nf3', or a FEN (default: the start position).",
        ),
    ] = "",
    settings: Annotated[Settings, SettingsOf(("steer",))],
    repertoire: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="PGN with our moves: they are taken where it has any."),
    ] = None,
    claims: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="What is said of the opening, one claim a line, such as '1.d4 d5 2.c4: most take' or "
            "'1.e4 e5 2.Nf3 d6 3.Bc4: Bg4 is bad': whether it is true of these games.",
        ),
    ] = None,
    paper: PaperSize = None,
    figurines: Figurines = False,
    title: Annotated[str, typer.Option(help="Printed over the booklet.")] = "",
    hatched: Hatched = False,
    pdf: Annotated[bool, typer.Option(help="The booklet as PDF, too (needs the extra `print`).")] = True,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Make the course of an opening: what comes, our moves, their mistakes, in chapters for a lesson each.

    As a booklet (PDF), a page of HTML and PGN. May be stopped and started again: what was searched is kept.
    """
    opened = Store.open(store)
    say_if_out_of_date(opened)
    looks = Looks(
        tongue=Tongue.of(ENGLISH, figurines=figurines),
        paper=paper or Paper.A4,
        title=title,
        hatched=hatched,
        pdf=pdf,
    )
    with means() as ready:
        made = make_course(
            opened,
            side,
            band,
            out,
            looks,
            settings.steer,
            ready,
            start=start,
            repertoire=repertoire,
            claims=claims,
        )
    for file in made.written:
        say(f"wrote {file}")
    for file in made.gone:
        say(f"deleted {file} of an earlier call")
    say(f"{counted(len(made.course.chapters), 'chapter')}: {coverage_sentence(made.course)}")
    for answer in made.course.answers:
        say(f"{answer.claim.text}: {answer.verdict}. {answer.why}")
