"""The options that several commands share, and how they are laid over a settings file."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from miner import cluster as clusters
from miner import settings as kinds
from miner.errors import UsageError
from miner.means import ReaderName
from miner.settings import Settings, load_settings

Sources = Annotated[
    list[str],
    typer.Argument(
        metavar="SOURCE",
        help="PGN files (.pgn, also .gz .bz2 .zst .xz .zip), folders, patterns such as 'games/*.pgn', "
        "or - for standard input.",
    ),
]
SourcesIfNew = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="SOURCE",
        help="PGN files (.pgn, also .gz .bz2 .zst .xz .zip), folders, patterns such as 'games/*.pgn', "
        "or - for standard input. Without any, the games that are in the store.",
    ),
]
StoreDir = Annotated[
    str,
    typer.Option(
        "--store",
        metavar="DIR",
        help="Folder in which everything is kept, or a URL such as s3://bucket/club (needs miner[remote]).",
    ),
]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        metavar="FILE",
        help="TOML file with settings; options given here come before it. "
        "`miner status --settings` prints one to start from.",
    ),
]
Verbose = Annotated[bool, typer.Option("--verbose", help="Tell every step, and show where an error arose.")]

Plies = Annotated[
    int | None, typer.Option(help="Half-moves of each game that are kept (default 30).", show_default=False)
]
Names = Annotated[
    kinds.Names | None,
    typer.Option(
        help="What to keep of players' names: hash (default), keep or drop. No list shows a name either way.",
        show_default=False,
    ),
]
Since = Annotated[
    str | None, typer.Option(metavar="DATE", help="Only games from this date on, e.g. 2024 or 2024.09.15.")
]
Until = Annotated[str | None, typer.Option(metavar="DATE", help="Only games up to this date.")]
Events = Annotated[
    list[str] | None,
    typer.Option("--event", metavar="TEXT", help="Only games whose event contains this. May be given again."),
]
TimeClasses = Annotated[
    list[str] | None,
    typer.Option(
        "--time-class",
        help="Only bullet, blitz, rapid, classical, correspondence or unknown. May be given again.",
    ),
]
Results = Annotated[
    list[str] | None, typer.Option("--result", help="Only 1-0, 0-1 or 1/2-1/2. May be given again.")
]
Rated = Annotated[kinds.Rated | None, typer.Option(help="Rated or casual games only, by the event's name.")]
MinRating = Annotated[
    int | None, typer.Option(help="Only games in which both players have this rating or more.")
]
MaxRating = Annotated[
    int | None, typer.Option(help="Only games in which both players have this rating or less.")
]
Processes = Annotated[int | None, typer.Option(min=1, help="Processes that read (default: one per core).")]
Reader = Annotated[ReaderName, typer.Option(help="The reference reader is slow and needs no compiled part.")]

Edges = Annotated[
    str | None,
    typer.Option(
        "--band-edges",
        metavar="RATINGS",
        help="Where rating bands begin, e.g. 800,1000,1200 (default: 800 to 2400 in steps of 200).",
    ),
]
MinGamesAtPosition = Annotated[
    int | None,
    typer.Option(
        help="Games through a position from which it is tallied (default: 10; more in databases of "
        "640,000 games or more)."
    ),
]
Prior = Annotated[
    str | None,
    typer.Option(
        metavar="DIR",
        help="Store of a larger database, tallied by the same rating bands: its pick rates are expected here "
        "until these games say otherwise. Tally that one with --min-games-at-position 10 if it is large.",
        show_default=False,
    ),
]
Memory = Annotated[
    int, typer.Option(metavar="MB", min=64, help="Memory for counting; more data spills to the disk.")
]

Engine = Annotated[
    str | None,
    typer.Option(
        metavar="PROGRAM",
        help="UCI engine (default: $MINER_ENGINE, else stockfish on the path or in /usr/games).",
    ),
]
Engines = Annotated[
    int | None, typer.Option(min=1, help="Engines at work at the same time (default: one per core).")
]
Cache = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Verdicts of all stores, so that no position is judged twice "
        "(default: $MINER_CACHE, else verdicts.sqlite in your cache folder).",
    ),
]
Nodes = Annotated[
    str | None,
    typer.Option(
        metavar="N,N,...",
        help="Nodes per search, from the first look to the last, at least two, rising (default "
        "100000,400000,1600000). Smaller numbers are quicker and less sure.",
    ),
]
MinGames = Annotated[
    int | None,
    typer.Option(
        help="Games with a reply, in one band, below which it is not judged (default: grows with the data). "
        "In a large database a small number needs --min-games-at-position, too."
    ),
]
MinPlayers = Annotated[int | None, typer.Option(help="Different players among them, at least (default 3).")]
MinPickRate = Annotated[
    float | None, typer.Option(help="Share of the band that must choose the reply, 0 to 1 (default 0.03).")
]
MinPoints = Annotated[
    float | None,
    typer.Option(
        help="Points per 100 games that a reply would be worth if it lost half a point, "
        "below which it is not judged (default 1)."
    ),
]

Cluster = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS",
        help="Have the workers of a Dask cluster do the work, e.g. tcp://10.0.0.1:8786 "
        "(needs miner[cluster]).",
        show_default=False,
    ),
]

Soundness = Annotated[
    float | None,
    typer.Option(help="Expected score that a move of ours may lose on the way to a trap (default 0.05)."),
]
Repertoire = Annotated[
    str | None,
    typer.Option(
        metavar="FILE",
        help="PGN of what --side plays, with variations: only positions that arise in it count.",
        show_default=False,
    ),
]
Side = Annotated[kinds.Taught | None, typer.Option(help="The side that is taught (default: both).")]
Bands = Annotated[
    list[str] | None,
    typer.Option("--band", help="Only this rating band, e.g. 1000-1199. May be given again."),
]


def settings_from(file: Path | None, **given: dict[str, Any]) -> Settings:
    """The settings of a file or the defaults, with the options that were given laid over each stage's."""
    settings = load_settings(file) if file else Settings()
    stages = {
        stage: dataclasses.replace(getattr(settings, stage), **_given_only(options))
        for stage, options in given.items()
    }
    return dataclasses.replace(settings, **stages)


def _given_only(options: dict[str, Any]) -> dict[str, Any]:
    return {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in options.items()
        if value not in (None, [])
    }


def rank_settings(
    side: str | None, bands: list[str] | None, soundness: float | None, repertoire: str | None
) -> dict[str, Any]:
    """The settings of the rank stage that were given as options."""
    return {"side": side, "bands": bands, "soundness": soundness, "repertoire": repertoire}


def numbers(name: str, text: str | None) -> tuple[int, ...] | None:
    """The whole numbers of a list such as 800,1000.

    Raises UsageError for anything else.
    """
    if text is None:
        return None
    try:
        return tuple(int(part.replace("_", "")) for part in text.split(","))
    except ValueError as error:
        raise UsageError(
            f"{name} {text!r} is no list of numbers", advice="write them with commas, e.g. 800,1000,1200"
        ) from error


@contextmanager
def connected(address: str | None, **of_this_machine: object) -> Iterator[clusters.Cluster | None]:
    """The cluster at an address; None without one.

    Raises UsageError if one of the options that are for this machine alone is given as well, and what
    `miner.cluster.connected` does.
    """
    if address is None:
        yield None
        return
    for name, given in of_this_machine.items():
        if given is not None:
            raise UsageError(
                f"--{name} is for this machine and --cluster for others",
                advice="leave one of them out; how much a worker does at once is said when it is started",
            )
    with clusters.connected(address) as cluster:
        yield cluster
