"""Inquiries answered: from the cache, else by the engines of this machine or of a cluster."""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Generic

from miner.engine import on_cluster
from miner.engine.cache import VerdictCache
from miner.engine.dispatch import COMMIT_S, Dispatcher, Work, engine_options, failed, identify, run
from miner.engine.identity import find_engine
from miner.engine.schedule import Budget, Found, Inquiry, Job, Schedule
from miner.engine.uci import Dialogue, EngineLost
from miner.errors import EngineFailed
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

    def ask_within(
        self, task_name: str, inquiries: Sequence[Inquiry[Found]], nodes: int, expected: int
    ) -> tuple[list[Found], int]:
        """The results of the first inquiries, as far as the `nodes` go (0: of all), and the nodes they took.

        `expected`: nodes that all of them will take, about. Once the first search has shown how quick an
        engine is, the minutes that they may take are told.
        Raises what `consult` does.
        """
        budget, total = Budget(nodes), min(nodes or expected, expected)
        with (
            VerdictCache(self.means.cache_file, self.identity) as cache,
            self.means.progress.task(task_name, total=total, unit="nodes") as task,
        ):
            shown, is_told = 0, False

            def advance(_finished: int, work: Work) -> None:
                nonlocal shown, is_told
                if not is_told and work.nodes:
                    self.means.progress.note(f"{task_name} takes up to {_minutes(total, work)}")
                    is_told = True
                task.advance(min(budget.spent, total) - shown)
                shown = min(budget.spent, total)
                if work.wall_s:
                    task.facts(f"{work.nodes / work.wall_s:,.0f} nodes/s")

            metered, work = consult(
                budget.begin(inquiries), self.means, hash_mb=self.hash_mb, cache=cache, on_progress=advance
            )
            task.advance(total - shown)
        self.work += work
        return budget.within(metered), budget.spent


def _minutes(nodes: int, work: Work) -> str:
    """The time that so many nodes take, by the work so far, in words."""
    minutes = math.ceil(nodes * work.search_s / work.nodes / max(work.engines, 1) / 60)
    number = f"1 minute: {nodes:,}" if minutes <= 1 else f"{minutes:,} minutes: {nodes:,}"
    return f"{number} nodes, less those of earlier runs (--nodes-in-all)"


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


@dataclass(slots=True)
class Pool(Generic[Found]):
    """Engines of this machine for the jobs of a dispatcher, as many as its work says."""

    dispatcher: Dispatcher[Found]
    hash_mb: int
    changed: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def work_off(self) -> None:
        """Let the engines work until every inquiry has returned.

        Raises EngineFailed if they cannot be started, or are lost too often in a row.
        """
        try:
            async with asyncio.TaskGroup() as group:
                committing = group.create_task(self._commit_regularly())
                # In a group of their own all are waited for, also when this is cancelled. Under `gather` the
                # first engine that has ended lets the others be cancelled while they are being ended.
                async with asyncio.TaskGroup() as workers:
                    for _ in range(self.dispatcher.work.engines):
                        workers.create_task(self._work_one_engine())
                committing.cancel()
        except BaseExceptionGroup as failures:
            raise _first_of(failures) from None

    async def _commit_regularly(self) -> None:
        while True:
            await asyncio.sleep(COMMIT_S)
            self.dispatcher.cache.commit()

    async def _work_one_engine(self) -> None:
        engine: Dialogue | None = None
        failed_starts = 0
        try:
            while (job := await self._next_job()) is not None:
                if engine is None:
                    engine = await self._start(job, failed_starts)
                    failed_starts = 0 if engine else failed_starts + 1
                if engine is not None and not await self._search(engine, job):
                    await engine.kill()
                    engine = None
            if engine is not None:
                await engine.end()
                engine = None
        finally:
            if engine is not None:
                await engine.kill()

    async def _next_job(self) -> Job | None:
        """The next job, waited for while others in flight may lead to one; None: all is done."""
        async with self.changed:
            while (job := self.dispatcher.next_job()) is None:
                if self.dispatcher.schedule.is_finished:
                    self.changed.notify_all()
                    return None
                await self.changed.wait()
            return job

    async def _start(self, job: Job, failed_before: int) -> Dialogue | None:
        """A new engine; None if it cannot be had now and the job was given back."""
        dispatcher, limits = self.dispatcher, self.dispatcher.limits
        try:
            engine, identity = await Dialogue.begin(
                dispatcher.program, engine_options(self.hash_mb), limits.start_s
            )
        except EngineLost as lost:
            dispatcher.work.lost += 1
            if failed_before + 1 >= limits.max_starts:
                raise failed(dispatcher.program, lost) from lost
            dispatcher.schedule.give_back(job)
            return None
        if identity != dispatcher.cache.engine:
            await engine.kill()
            raise EngineFailed(
                "the engine's program has changed during the run",
                where=dispatcher.program,
                advice="run the stage again",
            )
        return engine

    async def _search(self, engine: Dialogue, job: Job) -> bool:
        """Have a job done; False: the engine is of no more use."""
        is_lost = False
        try:
            verdict = await engine.search(job.request, self.dispatcher.patience(job.request.nodes))
            self.dispatcher.take(job, verdict)
        except EngineLost as lost:
            self.dispatcher.lose(job, lost)
            is_lost = True
        async with self.changed:
            self.changed.notify_all()
        return not is_lost


def _first_of(failures: BaseExceptionGroup[BaseException]) -> BaseException:
    first = failures.exceptions[0]
    return _first_of(first) if isinstance(first, BaseExceptionGroup) else first
