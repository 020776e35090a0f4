"""`miner run`, `read`, `tally`, `judge`, `scan`, `follow`, `rank`: all stages, or one of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from miner import pipeline, upkeep
from miner.cli import options
from miner.cli.options import ALL_MEANS, ENGINES, GivenMeans, MeansOf, SettingsOf
from miner.cli.terminal import say, say_done, stage_line
from miner.errors import UsageError
from miner.finding.few import few_words
from miner.finding.words import counted
from miner.settings import Settings, with_effort
from miner.store import STAGES, Store


def run(
    sources: options.SourcesIfNew = None,
    *,
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("read", "tally", "judge", "scan", "follow", "rank"))],
    settings_file: Path | None = None,
    effort: Annotated[
        float,
        typer.Option(
            "--effort",
            metavar="TIMES",
            help="How many times the usual nodes to judge with, and the usual games to scan: "
            "0.2 for whoever is in a hurry, 20 for a night.",
        ),
    ] = 1.0,
    means: Annotated[GivenMeans, MeansOf(ALL_MEANS)],
) -> None:
    """Do everything: read the games, count the replies, judge them, scan, follow and rank the mistakes.

    Stages that are up to date are skipped, and a run that was stopped goes on where it was. Without SOURCE
    the stages after reading run again, each under the settings of its last run, finished or not.
    """
    settings = with_effort(settings, effort)
    if sources:
        pipeline.check(sources, settings)
    elif settings_file or settings != Settings():
        raise UsageError(
            "without SOURCE the stages run under the settings of their last run",
            advice="leave the settings out, or name all sources again",
        )
    with means() as ready:
        opened = Store.create(store) if sources else Store.open(store)
        is_told = bool(sources) and ready.progress.is_watched
        if is_told and (minutes := pipeline.expected_minutes(settings, ready)):
            ready.progress.note(_time_words(*minutes))
        if sources:
            [*_, done] = pipeline.run(sources, opened, settings, ready, on_done=say_done)
        else:
            [*_, done] = upkeep.remake(opened, STAGES, ready, on_done=say_done)
    is_new = not done.was_current  # the last stage was; else all has been said before
    if is_new and (few := few_words(opened, done.manifest.rows["findings"])):
        say(few)
    say(f"Now: miner show --store {opened.root}")


def _time_words(judging: int, scanning: int) -> str:
    return (
        f"Judging takes up to {counted(judging, 'minute')} here, scanning up to {scanning}, less what is "
        "known from earlier runs (--effort makes both longer or shorter)"
    )


def read(
    sources: options.Sources,
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("read",))],
    means: Annotated[GivenMeans, MeansOf(("reader", "processes", "cluster"))],
) -> None:
    """Read games into the store: what was played, by whom of what rating, and how it ended.

    Every game that is seen is accounted for; the line at the end says how many were set aside, and why.
    """
    pipeline.check_sources(sources)
    with means() as ready:
        opened = Store.create(store)
        before = opened.manifest("read")
        manifest = pipeline.read(sources, opened, settings.read, ready)
    say(stage_line(manifest, was_current=manifest == before))


def tally(
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("tally",))],
    means: Annotated[GivenMeans, MeansOf(("memory_mb", "cluster"))],
) -> None:
    """Count how often players of each rating band choose each reply in each position."""
    _run_one("tally", store, settings, means)


def judge(
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("judge",))],
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Have an engine look at the frequent replies, the suspicious ones deeper. May be stopped and resumed."""
    _run_one("judge", store, settings, means)


def scan(
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("scan",))],
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Find the opening mistakes of whole games, and by which motif each is punished.

    Most mistakes happen in positions that never recur; what punishes them does. May be stopped and resumed.
    """
    _run_one("scan", store, settings, means)


def follow(
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("follow",))],
    means: Annotated[GivenMeans, MeansOf((*ENGINES, "cluster"))],
) -> None:
    """Follow the games after each losing reply: who finds the punishment, and how the advantage is used.

    Whole games are read from the sources once more, for model games and plans. May be stopped and resumed.
    """
    _run_one("follow", store, settings, means)


def rank(
    store: options.StoreDir,
    settings: Annotated[Settings, SettingsOf(("rank",))],
    means: Annotated[GivenMeans, MeansOf(())],
) -> None:
    """Order the losing replies by what knowing them is worth over the board."""
    _run_one("rank", store, settings, means)


def _run_one(stage: str, store: str, settings: Settings, means: GivenMeans) -> None:
    opened = Store.open(store)
    with opened.writing(), means() as ready:
        before = opened.manifest(stage)
        manifest = pipeline.run_later(stage, opened, settings, ready)
    say(stage_line(manifest, was_current=manifest == before))
