"""Inquiries answered: from the cache, else by the engines of this machine or of a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence

from miner.engine import on_cluster
from miner.engine.cache import VerdictCache
from miner.engine.dispatch import Dispatcher, Work, identify, run
from miner.engine.identity import find_engine
from miner.engine.pool import Pool
from miner.engine.schedule import Found, Inquiry, Schedule
from miner.means import Means
from miner.progress import Task

OnProgress = Callable[[int, Work], None]
"""Is told the number of inquiries that are finished, and the work that they took."""


def consult(
    inquiries: Iterable[Inquiry[Found]],
    means: Means,
    *,
    hash_mb: int,
    cache: VerdictCache,
    on_progress: OnProgress = lambda _finished, _work: None,
) -> tuple[list[Found], Work]:
    """The results of the inquiries, in their order, and the work it took.

    On a cluster its workers run the engines, as many as each may.
    Every verdict is in the cache within a second, also if this is interrupted.
    Raises EngineFailed if engines cannot be started, or are lost too often in a row; ClusterFailed.
    """
    dispatcher = Dispatcher(
        program=means.engine or find_engine(),
        cache=cache,
        limits=means.limits,
        on_progress=on_progress,
        schedule=Schedule(inquiries, cache.find, means.limits.max_tries),
        work=Work(engines=0 if means.cluster is not None else means.engines or os.cpu_count() or 1),
    )
    try:
        if means.cluster is not None:
            on_cluster.work_off(dispatcher, means.cluster, hash_mb)
        else:
            run(Pool(dispatcher, hash_mb).work_off())
    finally:
        dispatcher.count()
        cache.commit()
    return [found for _, found in sorted(dispatcher.schedule.found.items())], dispatcher.work


class Engines:
    """The engines of a run, whose verdicts go through the cache; their `work` is added up."""

    def __init__(self, means: Means, hash_mb: int) -> None:
        """Raises EngineNotFound or EngineFailed if there is no engine to be had."""
        self.means = means
        self.hash_mb = hash_mb
        self.identity = identify(means, hash_mb)
        self.work = Work()

    def ask(self, task_name: str, unit: str, inquiries: Sequence[Inquiry[Found]]) -> list[Found]:
        """The results of the inquiries, in their order. Raises what `consult` does."""
        with (
            VerdictCache(self.means.cache_file, self.identity) as cache,
            self.means.progress.task(task_name, total=len(inquiries), unit=unit) as task,
        ):
            found, work = consult(
                inquiries, self.means, hash_mb=self.hash_mb, cache=cache, on_progress=advancing(task)
            )
        self.work += work
        return found


def advancing(task: Task) -> OnProgress:
    """An `on_progress` for `consult` that advances a task, and shows the speed beside it."""
    shown = 0

    def advance(finished: int, work: Work) -> None:
        nonlocal shown
        if finished > shown:
            task.advance(finished - shown)
            shown = finished
        if work.wall_s:
            task.facts(f"{work.nodes / work.wall_s:,.0f} nodes/s")

    return advance
