"""`miner steer`: which of our moves scores best against players of a band."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.options import ENGINES, GivenMeans, MeansOf, SettingsOf
from miner.export.choice import spare_sources
from miner.export.formats import check_targets, write_files
from miner.graph.repertoire import not_covered, reach_in_repertoire, read_repertoire
from miner.settings import Settings
from miner.steer import advise
from miner.steer.written import TREE_FORMATS, advice_table, headline, not_covered_lines, taken_sentence
from miner.store import Store
from miner.terms import Side, alternatives

_TAKEN_LISTED = 8


def steer(
    *,
    store: options.StoreDir,
    side: Annotated[Side, typer.Option(help="The side that is taught.")],
    band: Annotated[str, typer.Option(help="The opponents' rating band, e.g. 1000-1199.")],
    start: Annotated[
        str,
        typer.Option(
            "--from",
            metavar="MOVES|FEN",
            help="Where to begin: moves such as '1.e4 e5 2.Nf3', or a FEN (default: the start position).",
        ),
    ] = "",
    settings: Annotated[Settings, SettingsOf(("steer",))],
    repertoire: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="PGN with our moves and variations: they are taken where it has any, and what the "
            "opponents play beyond it is listed.",
        ),
    ] = None,
    to: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help=f"Write {alternatives(TREE_FORMATS)}. May be given again."),
    ] = None,
    top: Annotated[int, typer.Option(min=1, help="How many positions to list.")] = 12,
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Find the moves that score best against players of a band, as far as its games tell.

    Our side may choose any move that is sound; the opponents answer as players of the band do. May be stopped
    and started again: what was searched is kept.
    """
    targets = to or []
    check_targets(targets, TREE_FORMATS)
    opened = Store.open(store)
    spare_sources(opened, targets)
    ours = read_repertoire(repertoire, side) if repertoire else None
    with means() as ready:
        advice = advise(opened, side, band, settings.steer, ready, start=start, repertoire=ours)
    write_files(advice, targets, TREE_FORMATS)
    typer.echo(f"{headline(advice)}\n\n{advice_table(advice, top=top)}")
    if advice.taken_away:
        sentences = [taken_sentence(advice, taken) for taken in advice.taken_away[:_TAKEN_LISTED]]
        typer.echo("\n".join(["", "What our moves take away", *sentences]))
    if ours:
        open_ends = not_covered(reach_in_repertoire(opened, ours, [band]))
        typer.echo(f"\n{not_covered_lines(open_ends, top)}")
