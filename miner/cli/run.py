"""`miner run`: all stages, from games to a ranked list."""

from __future__ import annotations

import typer

from miner import pipeline, upkeep
from miner.cli import options
from miner.cli.terminal import Bars, stage_line
from miner.engine.identity import find_engine
from miner.errors import UsageError
from miner.means import Means
from miner.settings import Settings
from miner.store import Store


def run(
    sources: options.SourcesIfNew = None,
    *,
    store: options.StoreDir,
    settings: options.SettingsFile = None,
    plies: options.Plies = None,
    names: options.Names = None,
    since: options.Since = None,
    until: options.Until = None,
    events: options.Events = None,
    time_classes: options.TimeClasses = None,
    results: options.Results = None,
    rated: options.Rated = None,
    min_rating: options.MinRating = None,
    max_rating: options.MaxRating = None,
    band_edges: options.Edges = None,
    min_games_at_position: options.MinGamesAtPosition = None,
    prior: options.Prior = None,
    min_games: options.MinGames = None,
    min_players: options.MinPlayers = None,
    min_pick_rate: options.MinPickRate = None,
    min_points: options.MinPoints = None,
    nodes: options.Nodes = None,
    side: options.Side = None,
    bands: options.Bands = None,
    soundness: options.Soundness = None,
    repertoire: options.Repertoire = None,
    engine: options.Engine = None,
    engines: options.Engines = None,
    cache: options.Cache = None,
    memory: options.Memory = 1024,
    reader: options.Reader = "auto",
    processes: options.Processes = None,
    cluster: options.Cluster = None,
    verbose: options.Verbose = False,  # noqa: ARG001 - seen by `main`
) -> None:
    """Do everything: read the games, count the replies, judge them, follow and rank the mistakes.

    Stages that are up to date are skipped, and a run that was stopped goes on where it was. Without SOURCE
    the stages after reading run again, under the settings that they were made with.
    """
    wanted = options.settings_from(
        settings,
        read={
            "plies": plies,
            "names": names,
            "since": since,
            "until": until,
            "events": events,
            "time_classes": time_classes,
            "results": results,
            "rated": rated,
            "min_rating": min_rating,
            "max_rating": max_rating,
        },
        tally={
            "band_edges": options.numbers("--band-edges", band_edges),
            "min_games": min_games_at_position,
            "prior": prior,
        },
        judge={
            "min_games": min_games,
            "min_players": min_players,
            "min_pick_rate": min_pick_rate,
            "min_points": min_points,
            "nodes": options.numbers("--nodes", nodes),
        },
        rank=options.rank_settings(side, bands, soundness, repertoire),
    )
    if sources:
        pipeline.check(sources, wanted)
    elif settings or wanted != Settings():
        raise UsageError(
            "without SOURCE the stages run under the settings that they were made with",
            advice="leave the settings out, or name all sources again",
        )
    with options.connected(cluster, engines=engines, processes=processes) as workers:
        means = Means(
            engine=find_engine(engine),
            cache=cache,
            engines=engines,
            reader=reader,
            processes=processes,
            memory_mb=memory,
            cluster=workers,
            progress=Bars(),
        )
        opened = Store.create(store) if sources else Store.open(store)
        finished = (
            pipeline.run(sources, opened, wanted, means) if sources else upkeep.run_again(opened, means)
        )
        for done in finished:
            typer.echo(stage_line(done.manifest, was_current=done.was_current))
    typer.echo(f"Now: miner show --store {opened.root}")
