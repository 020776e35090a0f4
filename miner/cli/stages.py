"""`miner read`, `tally`, `judge`, `follow`, `rank`: one stage at a time."""

from __future__ import annotations

from collections.abc import Callable

import typer

from miner import pipeline
from miner.cli import options
from miner.cli.terminal import Bars, stage_line
from miner.engine.identity import find_engine
from miner.means import Means
from miner.store import Manifest, Store


def read(
    sources: options.Sources,
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
    reader: options.Reader = "auto",
    processes: options.Processes = None,
    cluster: options.Cluster = None,
    verbose: options.Verbose = False,  # noqa: ARG001 - seen by `main`
) -> None:
    """Read games into the store: what was played, by whom of what rating, and how it ended.

    Every game that is seen is accounted for; the line at the end says how many were set aside, and why.
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
    )
    pipeline.check_sources(sources)
    with options.connected(cluster, processes=processes) as workers:
        _do(
            Store.create(store),
            "read",
            lambda opened: pipeline.read(
                sources,
                opened,
                wanted.read,
                Means(reader=reader, processes=processes, cluster=workers, progress=Bars()),
            ),
        )


def tally(
    store: options.StoreDir,
    settings: options.SettingsFile = None,
    band_edges: options.Edges = None,
    min_games_at_position: options.MinGamesAtPosition = None,
    prior: options.Prior = None,
    memory: options.Memory = 1024,
    cluster: options.Cluster = None,
    verbose: options.Verbose = False,  # noqa: ARG001
) -> None:
    """Count how often players of each rating band choose each reply in each position."""
    wanted = options.settings_from(
        settings,
        tally={
            "band_edges": options.numbers("--band-edges", band_edges),
            "min_games": min_games_at_position,
            "prior": prior,
        },
    )
    with options.connected(cluster) as workers:
        _do(
            Store.open(store),
            "tally",
            lambda opened: pipeline.tally(
                opened, wanted.tally, Means(memory_mb=memory, cluster=workers, progress=Bars())
            ),
        )


def judge(
    store: options.StoreDir,
    settings: options.SettingsFile = None,
    min_games: options.MinGames = None,
    min_players: options.MinPlayers = None,
    min_pick_rate: options.MinPickRate = None,
    min_points: options.MinPoints = None,
    nodes: options.Nodes = None,
    engine: options.Engine = None,
    engines: options.Engines = None,
    cache: options.Cache = None,
    cluster: options.Cluster = None,
    verbose: options.Verbose = False,  # noqa: ARG001
) -> None:
    """Have an engine look at the frequent replies, the suspicious ones deeper. May be stopped and resumed."""
    wanted = options.settings_from(
        settings,
        judge={
            "min_games": min_games,
            "min_players": min_players,
            "min_pick_rate": min_pick_rate,
            "min_points": min_points,
            "nodes": options.numbers("--nodes", nodes),
        },
    )
    with options.connected(cluster, engines=engines) as workers:
        _do(
            Store.open(store),
            "judge",
            lambda opened: pipeline.judge(
                opened,
                wanted.judge,
                Means(
                    engine=find_engine(engine), engines=engines, cache=cache, cluster=workers, progress=Bars()
                ),
            ),
        )


def follow(
    store: options.StoreDir,
    settings: options.SettingsFile = None,
    engine: options.Engine = None,
    engines: options.Engines = None,
    cache: options.Cache = None,
    cluster: options.Cluster = None,
    verbose: options.Verbose = False,  # noqa: ARG001
) -> None:
    """Follow the games after each losing reply: who finds the punishment, and how the advantage is used.

    Whole games are read from the sources once more, for model games and plans. May be stopped and resumed.
    """
    wanted = options.settings_from(settings)
    with options.connected(cluster, engines=engines) as workers:
        _do(
            Store.open(store),
            "follow",
            lambda opened: pipeline.follow(
                opened,
                wanted.follow,
                Means(
                    engine=find_engine(engine), engines=engines, cache=cache, cluster=workers, progress=Bars()
                ),
            ),
        )


def rank(
    store: options.StoreDir,
    settings: options.SettingsFile = None,
    side: options.Side = None,
    bands: options.Bands = None,
    soundness: options.Soundness = None,
    repertoire: options.Repertoire = None,
    verbose: options.Verbose = False,  # noqa: ARG001
) -> None:
    """Order the losing replies by what knowing them is worth over the board."""
    wanted = options.settings_from(settings, rank=options.rank_settings(side, bands, soundness, repertoire))
    _do(Store.open(store), "rank", lambda opened: pipeline.rank(opened, wanted.rank, Means(progress=Bars())))


def _do(store: Store, stage: str, do: Callable[[Store], Manifest]) -> None:
    before = store.manifest(stage)
    with store.writing():
        manifest = do(store)
    typer.echo(stage_line(manifest, was_current=manifest == before))
