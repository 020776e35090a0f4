"""`miner demo`: the sample club, from its games to a ranked list."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from miner import pipeline
from miner.cli.course import course
from miner.cli.findings import export, report
from miner.cli.lesson import lesson, plan
from miner.cli.options import ENGINES, GivenMeans, MeansOf
from miner.cli.pupils import pupils
from miner.cli.show import show
from miner.cli.steer import steer
from miner.cli.terminal import say, say_done
from miner.export.formats import FORMATS, NEEDS_EXTRA
from miner.game.made import SUFFIXES as GAME_SUFFIXES
from miner.game.made import make_games
from miner.lesson.phrases import ENGLISH, Tongue
from miner.lesson.sheets import Looks, Paper
from miner.means import Means
from miner.mined import sample
from miner.settings import JudgeSettings, ScanSettings, Settings, SteerSettings
from miner.store import Store
from miner.terms import Side

SETTINGS = Settings(
    judge=JudgeSettings(nodes=(20_000, 100_000, 400_000), nodes_in_all=60_000_000),
    scan=ScanSettings(games=100),
    steer=SteerSettings(plies=8, nodes=20_000),
)
"""A tenth of the usual nodes for judging: enough for juniors' mistakes, and done in two minutes."""

COMMENTED, COMMENT_NODES = 3, 20_000
"""Model games with comments, in the report and to print, and nodes of the first look at their positions."""
OPENING = "1.e4 e5 2.Nf3 Nc6 3.Bc4"
"""The opening whose course is made."""
BAND, GROUP = "1000-1199", "first team"
"""The band whose lesson, plan and advice are written, and the pupils whose games are scanned for pages."""
TERM_BEGINS, LESSON_DATE = datetime(2025, 9, 15), datetime(2024, 9, 1)


def demo(
    *,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the store and all files.")] = Path(
        "out"
    ),
    means: Annotated[GivenMeans, MeansOf(ENGINES)],
) -> None:
    """Mine the sample, an invented junior club's games, and write all that a coach can make of them."""
    games = sample()
    store = Store.create(out / "store")
    with means() as ready:
        typer.echo("An invented club: 2 seasons, players rated 700 to 1900. All names in it are made up.")
        pipeline.run([str(games)], store, SETTINGS, ready, on_done=say_done)
        made = str(store.root)
        export(made, [out / f"findings{suffix}" for suffix in FORMATS if suffix != NEEDS_EXTRA])
        report(
            made,
            out / "report.html",
            comments=COMMENTED,
            nodes=COMMENT_NODES,
            means=lambda: nullcontext(ready),
        )
        pdf = find_spec("typst") is not None
        _for_the_lesson(made, games, out, ready, pdf=pdf)
        _for_the_term(store, out, ready, pdf=pdf)
    typer.echo()
    show(made, 1)
    typer.echo()
    show(made)


def _for_the_term(store: Store, out: Path, ready: Means, *, pdf: bool) -> None:
    """Model games that speak, and the course of an opening; without PDF where Typst is not installed."""
    targets = [out / f"games{suffix}" for suffix in GAME_SUFFIXES if pdf or suffix != ".pdf"]
    looks = Looks(tongue=Tongue.of(ENGLISH), paper=Paper.A4, pdf=pdf)
    for file in make_games(store, None, targets, looks, ready, top=COMMENTED, nodes=COMMENT_NODES).files:
        say(f"wrote {file}")
    course(
        store=str(store.root),
        side=Side.WHITE,
        band=BAND,
        out=out / "course",
        start=OPENING,
        settings=SETTINGS,
        title="Larkenmoor Juniors",
        pdf=pdf,
        means=lambda: nullcontext(ready),
    )


def _for_the_lesson(made: str, games: Path, out: Path, ready: Means, *, pdf: bool) -> None:
    """Sheets, a term's plan, advice, and some pupils' pages; without PDF where Typst is not installed."""
    lesson(made, out / "lesson", side="white", bands=[BAND], title="Larkenmoor Juniors", pdf=pdf)
    plan(made, out / "plan", side="white", bands=[BAND], start=TERM_BEGINS, pdf=pdf)
    pupils(
        store=made,
        games=[str(games)],
        out=out / "pupils",
        players=games.with_name("team.csv"),
        lesson_date=LESSON_DATE,
        group=GROUP,
        pdf=pdf,
        means=lambda: nullcontext(ready),
    )
    steer(
        store=made,
        side=Side.WHITE,
        band=BAND,
        settings=SETTINGS,
        to=[out / "advice.pgn", out / "advice.csv"],
        top=5,
        means=lambda: nullcontext(ready),
    )
