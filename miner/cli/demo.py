"""`miner demo`: the sample club, from its games to a ranked list."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from miner import pipeline
from miner.cli import options
from miner.cli.bars import Bars
from miner.cli.show import show
from miner.cli.words import stage_line
from miner.errors import SourceError
from miner.export.stage import export
from miner.judge.engines import find_engine
from miner.pipeline import Machinery
from miner.settings import JudgeSettings, Settings
from miner.store import Store

NODES = (50_000, 200_000, 800_000)
"""Half the usual: enough for juniors' mistakes, and done in three minutes on two cores."""

_PLACES = (
    Path(__file__).parent.parent / "sample" / "club.pgn",  # in an installed package
    Path(__file__).parent.parent.parent / "data" / "sample" / "club.pgn",  # in a checkout
)


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the store and the lists.")] = Path(
        "out"
    ),
    engine: options.Engine = None,
    engines: options.Engines = None,
    cache: options.Cache = None,
    verbose: options.Verbose = False,  # noqa: ARG001 - seen by `main`
) -> None:
    """Mine the sample: an invented junior club's games of two seasons. Takes up to three minutes."""
    sample = _sample()
    settings = Settings(judge=replace(JudgeSettings(), nodes=NODES))
    machinery = Machinery(engine=find_engine(engine), cache=options.cache_file(cache), engines=engines)
    typer.echo("An invented club: 2 seasons, players rated 600 to 2000. All names in it are made up.")
    store = Store.create(out / "store")
    for done in pipeline.run([str(sample)], store, settings, machinery, progress=Bars()):
        typer.echo(stage_line(done.manifest, was_current=done.was_current))
    files = [out / f"findings{suffix}" for suffix in (".csv", ".parquet", ".pgn", ".epd")]
    export(store.read_table("findings"), files)
    typer.echo(f"wrote {', '.join(str(file) for file in files)}\n")
    show(store.root, 1)
    typer.echo()
    show(store.root)


def _sample() -> Path:
    for place in _PLACES:
        if place.is_file():
            return place
    raise SourceError("the sample games are not here", advice="run it from a checkout of the project")
