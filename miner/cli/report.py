"""`miner report`: the findings as a page for the browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.findings import open_findings
from miner.report import report as write
from miner.store import Store


def report(
    store: options.StoreDir,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The page; its name ends in .html.")
    ] = Path("report.html"),
) -> None:
    """Write the findings as one page of HTML with boards, filters and an opening map; it needs no network."""
    opened = Store.open(store)
    findings = open_findings(opened)
    size = write(opened, out)
    typer.echo(f"wrote {out} ({findings.num_rows:,} findings, {size / 1e6:.1f} MB)")
