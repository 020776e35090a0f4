"""`miner lesson`: sheets for a lesson, on paper and for other programs."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import open_findings
from miner.errors import UsageError
from miner.finding.finding import findings_of
from miner.lesson.backing import read_backing
from miner.lesson.exercises import choose
from miner.lesson.files import lesson_files, write_files
from miner.lesson.layout import FEWEST, MOST, Looks, Paper
from miner.lesson.phrases import ENGLISH, Tongue
from miner.store import Store

Language = Annotated[
    str,
    typer.Option(
        metavar="LANG",
        help="Language of the sheet, e.g. de, or figurines. Words are known in en, de, fr, es, it and nl, "
        "piece letters in more.",
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
    side: options.Side = None,
    bands: options.Bands = None,
    top: Annotated[int, typer.Option(min=1, help="How many exercises.")] = 12,
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY", help="Only this position, by its key as in the CSV. May be given again."),
    ] = None,
    per_page: PerPage = 6,
    paper: PaperSize = Paper.A4,
    language: Language = ENGLISH,
    figurines: Figurines = False,
    title: Annotated[str, typer.Option(help="Printed over the sheets.")] = "",
    start: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="First day of the cards, e.g. 2025-09-15."),
    ] = None,
    coordinates: Annotated[bool, typer.Option(help="Letters and numbers around the diagrams.")] = True,
    hatched: Hatched = False,
    pdf: Annotated[bool, typer.Option(help="Sheets as PDF (needs the extra `print`).")] = True,
) -> None:
    """Print exercises: a pupils' sheet, an answer key, the coach's pages; also as PGN, EPD and cards."""
    opened = Store.open(store)
    findings = findings_of(open_findings(opened))
    check_bands(opened, bands)
    exercises = choose(findings, side=side or "both", bands=bands or (), keys=keys_of(only), top=top)
    if not exercises:
        raise UsageError("no finding is left to print", advice="ask for fewer bands, sides or keys")
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
    for file in write_files(out, lesson_files(exercises, looks, read_backing(opened), day)):
        typer.echo(f"wrote {file}")
    typer.echo(f"{len(exercises)} exercise{'' if len(exercises) == 1 else 's'}")


def check_bands(store: Store, bands: list[str] | None) -> None:
    """Raise UsageError for a band that the store does not have."""
    if bands:
        store.bands.require(bands)


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
