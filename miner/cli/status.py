"""`miner status`: what a store holds, and what is out of date."""

from __future__ import annotations

from typing import Annotated

import typer

from miner.bars import printable
from miner.cli import options
from miner.cli.boards import width_of_terminal, wrapped
from miner.cli.terminal import print_json, stage_line
from miner.settings import changed_settings, settings_of, to_toml
from miner.store import STAGES, Manifest, Store
from miner.store.state import state_of

_INDENT = " " * 7  # the width of a stage's name


def status(
    store: options.StoreDir,
    settings: Annotated[
        bool, typer.Option("--settings", help="Print the settings that the store was made with, as TOML.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Tell what a store holds: sources, games, bands, replies judged, findings, and what is out of date."""
    opened = Store.open(store)
    if settings:
        typer.echo(to_toml(settings_of(opened.settings(made_with=True))), nl=False)
        return
    if as_json:
        print_json(state_of(opened))
        return
    manifests = {stage: opened.manifest(stage) for stage in STAGES}
    for line in _lines(opened, manifests, opened.out_of_date()):
        name, text = line[: len(_INDENT)], printable(line[len(_INDENT) :])
        for row in wrapped(text, width_of_terminal() - len(_INDENT)):
            typer.echo(name + row)
            name = _INDENT


def _lines(store: Store, manifests: dict[str, Manifest | None], first_stale: str | None) -> list[str]:
    lines = []
    for stage, manifest in manifests.items():
        if manifest is None:
            lines.append(f"{stage:<6} not done yet: miner {stage}")
            continue
        lines.append(stage_line(manifest, was_current=False))
        if first_stale and STAGES.index(stage) >= STAGES.index(first_stale):
            lines.append(f"{_INDENT}out of date: an earlier stage has changed; miner {stage} makes it new")
        if missing := store.missing_files(manifest):
            files = "1 file is" if len(missing) == 1 else f"{len(missing):,} files are"
            lines.append(f"{_INDENT}{files} missing, {missing[0]} first: {store.mended_by}")
        lines += [f"{_INDENT}{line}" for line in _details(manifest)]
    return lines


def _details(manifest: Manifest) -> list[str]:
    details = []
    if manifest.stage == "read":
        for source in manifest.inputs["sources"]:
            size = "" if source["size_bytes"] is None else f" ({source['size_bytes']:,} bytes)"
            details.append(f"source: {source['name']}{size}")
    if manifest.stage == "tally":
        details.append(f"bands: {', '.join(manifest.facts['bands'])}")
        if lost := manifest.facts.get("positions_without_a_way"):
            details.append(f"left out: {lost:,} positions to which no game on record leads")
    if manifest.stage == "judge":
        details.append(f"engine: {manifest.inputs['engine']['name']}")
        if depths := manifest.facts["judged_at_nodes"].items():
            details.append(
                "deepest look: " + ", ".join(f"{count:,} at {int(nodes):,} nodes" for nodes, count in depths)
            )
    if manifest.stage == "rank" and (counts := manifest.facts.get("later_counts")) is not None:
        deviation = manifest.facts["later_counts_deviation"]
        details.append(
            f"what is seen nine half-moves later counts {counts:.2f} ± {deviation:.2f} times in results"
        )
    changed = changed_settings(manifest.stage, manifest.settings)
    return details + ([f"settings: {changed}"] if changed else [])
