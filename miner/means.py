"""The means of a run: engine, cache, processes, memory, cluster. Only the engine can change a result."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from miner.cluster import Cluster
from miner.progress import Progress, Silent
from miner.settings import Option

ReaderName = Literal["auto", "compiled", "reference"]


@dataclass(frozen=True, kw_only=True, slots=True)
class PoolLimits:
    """How patient the pool of engines is. Changes no verdict, only whether there is one."""

    start_s: float = 30.0  # for the engine's greeting
    search_s: float = 20.0  # for any search, and more by the two below
    slack: float = 10.0  # times what a search should take by the speed seen so far
    slowest: float = 20_000.0  # nodes/s assumed before a speed was seen
    max_tries: int = 3  # engines that may be lost over one search
    max_starts: int = 3  # starts of one engine that may fail in a row
    max_hopeless: int = 4  # positions in a row that may be given up over without a verdict in between


@dataclass(frozen=True, kw_only=True, slots=True)
class Means:
    """The means of a run; each stage takes from them what it needs."""

    engine: Annotated[
        Path | None,  # None: the one that `find_engine` finds
        Option(
            "UCI engine (default: $MINER_ENGINE, else stockfish on the path or in /usr/games).",
            metavar="PROGRAM",
            given_as=str,
        ),
    ] = None
    engines: Annotated[
        int | None, Option("Engines at work at the same time (default: one per core).", least=1)
    ] = None
    limits: PoolLimits = field(default_factory=PoolLimits)
    cache: Annotated[
        Path | None,
        Option(
            "Verdicts of all stores, so that no position is judged twice "
            "(default: $MINER_CACHE, else verdicts.sqlite in your cache folder).",
            metavar="FILE",
        ),
    ] = None
    memory_mb: Annotated[
        int,  # on a cluster, of each thread of a worker
        Option("Memory for counting; more data spills to the disk.", "memory", metavar="MB", least=64),
    ] = 1024
    threads: int = 0  # that count; 0: one per core
    reader: Annotated[ReaderName, Option("The reference reader is slow and needs no compiled part.")] = "auto"
    processes: Annotated[
        int | None, Option("Batches of games that are read at a time (default: one per core).", least=1)
    ] = None
    cluster: Annotated[
        Cluster | None,
        Option(
            "Have the workers of a Dask cluster do the work, e.g. tcp://10.0.0.1:8786 "
            "(needs the extra `cluster`).",
            metavar="ADDRESS",
            given_as=str,
        ),
    ] = None
    progress: Progress = field(default_factory=Silent)

    @property
    def cache_file(self) -> Path:
        """The file of the cache, which need not exist yet."""
        if self.cache:
            return Path(self.cache)  # in a notebook it may be a string
        if named := os.environ.get("MINER_CACHE"):
            return Path(named)
        from platformdirs import user_cache_path  # few commands have engines

        return user_cache_path("miner", appauthor=False) / "verdicts.sqlite"


USUAL = Means()
"""This machine's engine, cache and cores."""
