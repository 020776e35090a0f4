"""The means of a run: engine, cache, processes, memory, cluster. Only the engine can change a result."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from miner.progress import Progress, Silent

if TYPE_CHECKING:
    from miner.cluster import Cluster

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

    engine: Path | None = None  # a UCI engine's program; None: the one that `find_engine` finds
    engines: int | None = None  # at work at the same time on this machine; None: one per core
    limits: PoolLimits = field(default_factory=PoolLimits)
    cache: Path | None = None  # file with the verdicts of all stores; None: by MINER_CACHE, or the user's
    reader: ReaderName = "auto"
    processes: int | None = None  # that read; None: one per core
    memory_mb: int = 1024  # for counting; on a cluster, of each thread of a worker
    threads: int = 0  # that count; 0: one per core
    cluster: Cluster | None = None  # whose workers do the work; None: this machine does
    progress: Progress = field(default_factory=Silent)

    @property
    def cache_file(self) -> Path:
        """The file of the cache, which need not exist yet."""
        if self.cache:
            return self.cache
        if named := os.environ.get("MINER_CACHE"):
            return Path(named)
        return _cache_folder() / "miner" / "verdicts.sqlite"


def _cache_folder() -> Path:
    if os.name == "nt":
        return Path(os.environ.get("APPDATA") or Path.home())
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


USUAL = Means()
"""This machine's engine, cache and cores."""
