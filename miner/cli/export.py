"""`miner export`: the findings as files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import open_findings
from miner.export.formats import FORMATS
from miner.export.formats import export as write
from miner.store import Store
from miner.terms import alternatives


def export(
    store: options.StoreDir,
    to: Annotated[
        list[Path],
        typer.Option("--to", metavar="FILE", help=f"Ends in {alternatives(FORMATS)}. May be given again."),
    ],
) -> None:
    """Write the ranked list as a table, as annotated games, or as positions for an engine or a quiz."""
    findings = open_findings(Store.open(store))
    write(findings, to)
    for file in to:
        typer.echo(f"wrote {file} ({findings.num_rows:,} findings)")
