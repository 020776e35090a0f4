"""The findings of a store as the commands open them; `miner export`, `report`: as files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import typer

from miner.cli import options
from miner.cli.terminal import say
from miner.errors import UsageError
from miner.export.formats import FORMATS, check_targets
from miner.export.formats import export as write
from miner.export.scanned import SCANNED, formats_of, write_scanned
from miner.finding.words import band_words, counted
from miner.rank.stage import ranked
from miner.report import report as write_report
from miner.schema import KEPT
from miner.settings import Taught, settings_of
from miner.store import Store
from miner.terms import alternatives

_WITHOUT_SIGNS = (".csv", ".parquet")  # formats that put no "?" to a move


def open_findings(
    store: Store, *, side: Taught | None = None, bands: Sequence[str] = (), missed: bool = False
) -> pa.Table:
    """The table of findings, or of missed chances: as they were ranked, or for another side or other bands.

    If an earlier stage has changed since, standard error says so. Raises StoreError if there is none,
    UsageError for a band that the tally does not have.
    """
    made_with = settings_of({"rank": store.require("rank").settings}).rank
    if stale := store.out_of_date():
        say(
            f"miner: these findings are out of date, since `{stale}` has not been run on what there is now; "
            f"`miner run --store {store.root}` makes them new",
            err=True,
        )
    name = "missed" if missed else "findings"
    wanted = replace(made_with, side=side or made_with.side, bands=tuple(bands) or made_with.bands)
    return store.read_table(name) if wanted == made_with else ranked(store, wanted).tables[name]


BY_BAND = "bands"
"""How a file is called that has a row for each mistake and band."""
FEW = 5
"""Mistakes below which a list says how many games it rests on, and what would help."""


def few_words(store: Store, found: int, bands: Sequence[str] = ()) -> str:
    """Where hardly anything was found: the games of each band, and what would tell more; else empty."""
    if found >= FEW:
        return ""
    games = store.read_table("games", ["white_rating", "black_rating", "state"])
    games = games.filter(pc.is_in(games["state"], value_set=pa.array(KEPT)))
    ratings = np.concatenate([games[name].to_numpy() for name in ("white_rating", "black_rating")])
    names = store.bands.names
    counts = np.bincount(store.bands.places_of(ratings), minlength=len(names))
    told = ", ".join(f"{name} {count:,}" for name, count in zip(names, counts, strict=True) if count)
    elsewhere = _bands_with_mistakes(store) if bands and not found else ""
    whom = f" of {' and '.join(map(band_words, bands))}" if bands else ""
    wider = "more bands (--band), " if bands else ""
    return (
        f"{counted(found, 'mistake')}{whom}: {elsewhere}games of each band's players are {told or 'none'}. "
        f"More games, {wider}or a larger database's store behind these (--prior) would tell more."
    )


def _bands_with_mistakes(store: Store) -> str:
    """The bands that have some, with how many; empty: none has."""
    counts = Counter(store.read_table("by_band", ["band"])["band"].to_pylist())
    told = [f"{band} ({counts[band]:,})" for band in store.bands.names if counts[band]]
    return f"those with mistakes are {', '.join(told)}; " if told else ""


def spare_sources(store: Store, targets: Sequence[Path]) -> None:
    """Raise UsageError for a target that is one of the files that the store was read from."""
    sources = {source["place"] for source in store.require("read").facts["sources"]}
    for target in targets:
        if str(target.resolve()) in sources:
            raise UsageError(
                f"{target}: the store was read from this file, which would be lost",
                advice="name another file",
            )


def export(
    store: options.StoreDir,
    to: Annotated[
        list[Path],
        typer.Option(
            "--to",
            metavar="FILE",
            help=f"Ends in {alternatives(FORMATS)}; a file called {BY_BAND} has each band apart; .csv or "
            ".parquet files called motifs or moments hold what the scan found, moments.pgn and moments.epd "
            "the mistakes of single games; unplayed.csv holds likely mistakes that nobody has made yet. May "
            "be given again.",
        ),
    ],
    missed: options.Missed = False,
) -> None:
    """Write the ranked list as a table, as annotated games, or as positions for an engine or a quiz."""
    if missed and (signs := [file for file in to if file.suffix not in _WITHOUT_SIGNS]):
        raise UsageError(
            f"{signs[0]}: missed chances have no sign of a mistake", advice="write them to a .csv or .parquet"
        )
    opened = Store.open(store)
    spare_sources(opened, to)
    of_scan = [file for file in to if file.stem.lower() in SCANNED]
    of_findings = [file for file in to if file not in of_scan]
    check_targets(of_findings, FORMATS)
    for file in of_scan:
        check_targets([file], formats_of(file.stem.lower()))
    for file in of_scan:
        say(f"wrote {file} ({write_scanned(opened, file):,} {file.stem.lower()})")
    if not of_findings:
        return
    findings = open_findings(opened, missed=missed)
    by_band = [file for file in of_findings if file.stem == BY_BAND]
    write(findings, [file for file in of_findings if file not in by_band])
    write(opened.read_table("by_band"), by_band)
    for file in of_findings:
        count = opened.require("rank").rows["by_band"] if file in by_band else findings.num_rows
        say(f"wrote {file} ({counted(count, 'missed chance' if missed else 'finding')})")


def report(
    store: options.StoreDir,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The page; its name ends in .html.")
    ] = Path("report.html"),
) -> None:
    """Write the findings as one page of HTML with boards, filters and an opening map; it needs no network."""
    opened = Store.open(store)
    findings = open_findings(opened)
    size = write_report(opened, out)
    say(f"wrote {out} ({counted(findings.num_rows, 'finding')}, {size / 1e6:.1f} MB)")
