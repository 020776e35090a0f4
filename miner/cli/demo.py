"""`miner demo`: the sample club, from its games to a ranked list."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from miner import pipeline
from miner.cli import options
from miner.cli.export import export
from miner.cli.lesson import lesson
from miner.cli.plan import plan
from miner.cli.pupils import pupils
from miner.cli.report import report
from miner.cli.show import show
from miner.cli.steer import steer
from miner.cli.terminal import Bars, stage_line
from miner.engine.identity import find_engine
from miner.errors import SourceError
from miner.export.formats import FORMATS
from miner.means import Means
from miner.settings import JudgeSettings, Settings
from miner.store import Store
from miner.terms import Side

NODES = (50_000, 200_000, 800_000)
"""Half the usual: enough for juniors' mistakes, and done in three minutes on two cores."""

BAND = "1000-1199"
"""The band whose lesson, plan and advice are written."""
TERM_BEGINS, LESSON_DATE = datetime(2025, 9, 15), datetime(2024, 9, 1)
STEER_PLIES, STEER_NODES = 8, 20_000  # so that it takes no more than some seconds

_PLACES = (
    Path(__file__).parent.parent / "sample",  # in an installed package
    Path(__file__).parent.parent.parent / "data" / "sample",  # in a checkout
)


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the store and all files.")] = Path(
        "out"
    ),
    engine: options.Engine = None,
    engines: options.Engines = None,
    cache: options.Cache = None,
    verbose: options.Verbose = False,  # noqa: ARG001 - seen by `main`
) -> None:
    """Mine the sample, an invented junior club's games, and write all that a coach can make of them."""
    sample = _sample()
    settings = Settings(judge=replace(JudgeSettings(), nodes=NODES))
    means = Means(engine=find_engine(engine), cache=cache, engines=engines, progress=Bars())
    typer.echo("An invented club: 2 seasons, players rated 600 to 2000. All names in it are made up.")
    store = Store.create(out / "store")
    for done in pipeline.run([str(sample / "club.pgn")], store, settings, means):
        typer.echo(stage_line(done.manifest, was_current=done.was_current))
    made = str(store.root)
    export(made, [out / f"findings{suffix}" for suffix in FORMATS])
    report(made, out / "report.html")
    _for_the_lesson(store, sample, out, means)
    typer.echo()
    show(made, 1)
    typer.echo()
    show(made)


def _for_the_lesson(store: Store, sample: Path, out: Path, means: Means) -> None:
    """Sheets, a term's plan, advice, and some pupils' pages; without PDF where Typst is not installed."""
    pdf = find_spec("typst") is not None
    made = str(store.root)
    lesson(made, out / "lesson", side="white", bands=[BAND], title="Larkenmoor Juniors", pdf=pdf)
    plan(made, out / "plan", side="white", bands=[BAND], start=TERM_BEGINS, pdf=pdf)
    pupils(
        made,
        [str(sample / "club.pgn")],
        out / "pupils",
        players=sample / "team.csv",
        lesson_date=LESSON_DATE,
        pdf=pdf,
    )
    steer(
        made,
        Side.WHITE,
        BAND,
        plies=STEER_PLIES,
        nodes=STEER_NODES,
        to=[out / "advice.pgn", out / "advice.csv"],
        top=5,
        engine=str(means.engine),
        engines=means.engines,
        cache=means.cache,
    )


def _sample() -> Path:
    for place in _PLACES:
        if (place / "club.pgn").is_file():
            return place
    raise SourceError("the sample games are not here", advice="run it from a checkout of the project")
