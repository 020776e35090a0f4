"""`miner course`: the whole course of an opening that a coach has chosen, from the games of a band."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import open_findings, spare_sources
from miner.cli.lesson import Figurines, Hatched, PaperSize
from miner.cli.options import ENGINES, GivenMeans, MeansOf, SettingsOf
from miner.cli.terminal import printable, say
from miner.course.booklet import course_files
from miner.course.claims import answer_of, read_claims
from miner.course.contents import course_of
from miner.course.words import coverage_sentence
from miner.errors import SourceError
from miner.finding.finding import findings_of
from miner.finding.words import counted
from miner.graph.repertoire import read_repertoire
from miner.lesson.files import write_files
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.sheets import Looks, Paper
from miner.settings import Settings
from miner.steer import advise
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
    spare_sources(opened, [out])
    asked = read_claims(_text_of(claims)) if claims else []
    ours = read_repertoire(repertoire, side) if repertoire else None
    findings = findings_of(open_findings(opened, side=side.value, bands=opened.bands.within(band)))
    with means() as ready:
        advice = advise(opened, side, band, settings.steer, ready, start=start, repertoire=ours)
    answers = [answer_of(claim, advice) for claim in asked]
    made = course_of(opened, advice, findings, answers, has_repertoire=ours is not None)
    looks = Looks(
        tongue=Tongue.of(ENGLISH, figurines=figurines),
        paper=paper or Paper.A4,
        title=title,
        hatched=hatched,
        pdf=pdf,
    )
    written, gone = write_files(out, course_files(made, looks), "course")
    for file in written:
        say(f"wrote {file}")
    for file in gone:
        say(f"deleted {file} of an earlier call")
    say(f"{counted(len(made.chapters), 'chapter')}: {coverage_sentence(made)}")
    for answer in answers:
        say(printable(f"{answer.claim.text}: {answer.verdict}. {answer.why}"))


def _text_of(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SourceError(
            f"the claims cannot be read: {error}", where=file, advice="give a text file in UTF-8"
        ) from error
