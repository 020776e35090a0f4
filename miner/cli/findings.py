"""The findings of a store as the commands open them; `miner export`, `report`: as files."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import pyarrow as pa
import typer

from miner.cli import options
from miner.cli.options import ENGINES, GivenMeans, MeansOf
from miner.cli.terminal import say
from miner.errors import UsageError
from miner.export.choice import BY_BAND, FINDINGS, LISTS, export_lists, list_bytes, list_of
from miner.export.formats import FORMATS
from miner.finding.words import counted
from miner.game.commented import commented_report
from miner.game.made import NODES
from miner.means import USUAL
from miner.rank.asked import asked_findings
from miner.settings import Taught
from miner.store import Store
from miner.terms import alternatives

_OUTPUT = Path("-")
_BINARY = ("parquet", "xlsx")


def open_findings(
    store: Store, *, side: Taught | None = None, bands: Sequence[str] = (), missed: bool = False
) -> pa.Table:
    """The table of findings, as `asked_findings` has it.

    If an earlier stage has changed since, standard error says so.
    """
    say_if_out_of_date(store)
    return asked_findings(store, side=side, bands=bands, missed=missed)


def say_if_out_of_date(store: Store) -> None:
    """Say on standard error if the findings are of what has changed since; StoreError if there are none."""
    store.require("rank")
    if stale := store.out_of_date():
        say(
            f"miner: these findings are out of date, since `{stale}` has not been run on what there is now; "
            f"`miner run --store {store.root}` makes them new",
            err=True,
        )


def export(
    store: options.StoreDir,
    to: Annotated[
        list[Path],
        typer.Option(
            "--to",
            metavar="FILE",
            help=f"Ends in {alternatives(FORMATS)} (with the extra `xlsx`); a file called {BY_BAND} "
            "has each band apart; tables called motifs or moments hold what the scan found, moments.pgn and "
            "moments.epd the mistakes of single games, unplayed likely ones that nobody has made yet. May "
            "be given again. - is the standard output.",
        ),
    ],
    missed: options.Missed = False,
    list_: Annotated[
        str,
        typer.Option(
            "--list",
            metavar="LIST",
            help=f"What goes to the standard output: {alternatives(LISTS)} (default {FINDINGS}).",
        ),
    ] = "",
    format_: Annotated[
        str,
        typer.Option(
            "--format", metavar="FORMAT", help="And how: csv, json or another of the above (default csv)."
        ),
    ] = "",
) -> None:
    """Write the ranked list as a table, as annotated games, or as positions for an engine or a quiz."""
    opened = Store.open(store)
    files = [file for file in to if file != _OUTPUT]
    if _OUTPUT not in to and (list_ or format_):
        raise UsageError(
            "--list and --format are for the standard output; a file holds what its name says",
            advice="add --to -, or call the file by its list and format, such as motifs.json",
        )
    list_, format_ = list_ or FINDINGS, format_ or "csv"
    lists = {*map(list_of, files), *([list_] if _OUTPUT in to else [])}
    if lists & {FINDINGS, BY_BAND, "unplayed"}:
        say_if_out_of_date(opened)
    if _OUTPUT in to:
        if format_ in _BINARY and sys.stdout.isatty():
            raise UsageError(
                f"{format_} is nothing for a terminal", advice="send it to a file by > or a pipe"
            )
        contents = list_bytes(opened, list_, f".{format_}", missed=missed)
        sys.stdout.flush()
        sys.stdout.buffer.write(contents)
        sys.stdout.buffer.flush()
    for written in export_lists(opened, files, missed=missed):
        say(f"wrote {written.file} ({written.words})", err=_OUTPUT in to)


def report(
    store: options.StoreDir,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The page; its name ends in .html.")
    ] = Path("report.html"),
    comments: Annotated[
        int,
        typer.Option(
            metavar="N",
            min=0,
            help="Comments and stops, as `miner game` has them, beside the moves of a model game of each of "
            "the first N findings that have one. Only this needs the engine; what was searched is kept.",
        ),
    ] = 0,
    nodes: Annotated[
        int,
        typer.Option(
            min=1, help="With --comments: nodes of the first look at each position; more where it counts."
        ),
    ] = NODES,
    *,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Write the findings as one page of HTML with boards, filters and an opening map; it needs no network."""
    opened = Store.open(store)
    findings = open_findings(opened)
    with means() if comments else nullcontext(USUAL) as ready:
        written = commented_report(opened, out, comments, ready, nodes=nodes)
    games = f", {counted(written.games, 'model game')} with comments" if comments else ""
    say(f"wrote {out} ({counted(findings.num_rows, 'finding')}{games}, {written.size_bytes / 1e6:.1f} MB)")
