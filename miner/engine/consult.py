"""Inquiries answered: from the cache, else by the engines of this machine or of a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from miner.cluster import Cluster
from miner.engine import on_cluster
from miner.engine.cache import VerdictCache
from miner.engine.dispatch import Dispatcher, PoolLimits, Work, run
from miner.engine.pool import Pool
from miner.engine.schedule import Found, Inquiry, Schedule
from miner.progress import Task


@dataclass(slots=True)
class Teller:
    """Tells a task how far the pool has come: its `tell` is what `consult` takes as `on_progress`."""

    task: Task
    finished: int = 0

    def tell(self, finished: int, work: Work) -> None:
        """`finished` inquiries have returned so far, by so much work."""
        if finished > self.finished:
            self.task.advance(finished - self.finished)
            self.finished = finished
        if work.wall_s:
            self.task.facts(f"{work.nodes / work.wall_s:,.0f} nodes/s")


def consult(
    inquiries: Iterable[Inquiry[Found]],
    *,
    program: Path,
    hash_mb: int,
    cache: VerdictCache,
    engines: int | None = None,
    limits: PoolLimits | None = None,
    on_progress: Callable[[int, Work], None] = lambda _finished, _work: None,
    cluster: Cluster | None = None,
) -> tuple[list[Found], Work]:
    """The results of the inquiries, in their order, and the work it took.

    `engines` None: one per core. On a `cluster` its workers run the engines, as many as each may.
    `on_progress` is told the number of inquiries that are finished.
    Every verdict is in the cache within a second, also if this is interrupted.
    Raises EngineFailed if engines cannot be started, or are lost too often in a row; ClusterFailed.
    """
    limits = limits or PoolLimits()
    dispatcher = Dispatcher(
        program=program,
        cache=cache,
        limits=limits,
        on_progress=on_progress,
        schedule=Schedule(inquiries, cache.find, limits.max_tries),
        work=Work(engines=0 if cluster is not None else engines or os.cpu_count() or 1),
    )
    try:
        if cluster is not None:
            on_cluster.work_off(dispatcher, cluster, hash_mb)
        else:
            run(Pool(dispatcher, hash_mb).work_off())
    finally:
        dispatcher.count()
        cache.commit()
    return [found for _, found in sorted(dispatcher.schedule.found.items())], dispatcher.work
