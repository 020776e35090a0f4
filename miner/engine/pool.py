"""Many single-threaded engines at work on many inquiries, through the cache."""

from __future__ import annotations

import asyncio
import logging
import os
import threading
import time
from collections.abc import Callable, Coroutine, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, TypeVar

from miner.engine.cache import VerdictCache
from miner.engine.identity import EngineIdentity, find_engine
from miner.engine.schedule import Found, Inquiry, Job, Schedule
from miner.engine.uci import Dialogue, EngineLost
from miner.engine.verdicts import Verdict
from miner.errors import EngineFailed, Place
from miner.means import Means, PoolLimits
from miner.progress import Task

log = logging.getLogger(__name__)
Result = TypeVar("Result")

COMMIT_S = 1.0  # a kill loses the verdicts of so long at the most


@dataclass(slots=True)
class Work:
    """What was done, for the manifest and benchmarks."""

    searches: int = 0  # by engines
    from_cache: int = 0
    nodes: int = 0  # searched by engines
    search_s: float = 0.0  # the engines' own time, added up
    wall_s: float = 0.0
    engines: int = 0
    lost: int = 0  # engines that were replaced

    @property
    def nodes_per_s(self) -> float:
        """Of one engine while it searches."""
        return self.nodes / self.search_s if self.search_s else 0.0

    @property
    def busy(self) -> float:
        """Share (0 to 1) of the wall time that the engines spent searching."""
        available = self.engines * self.wall_s
        return self.search_s / available if available else 0.0


OnProgress = Callable[[int, Work], None]
"""Is told the number of inquiries that are finished, and the work that they took."""


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


def engine_options(hash_mb: int) -> dict[str, str]:
    """The UCI options that are set where an engine has them."""
    return {"Threads": "1", "Hash": str(hash_mb), "UCI_ShowWDL": "true"}


def identify(means: Means, hash_mb: int) -> EngineIdentity:
    """Start the engine once to learn what it is.

    Raises EngineNotFound if there is none, EngineFailed if it does not greet as a UCI engine does.
    """
    program = means.engine or find_engine()

    async def greet() -> EngineIdentity:
        dialogue, identity = await Dialogue.begin(program, engine_options(hash_mb), means.limits.start_s)
        await dialogue.end()
        return identity

    try:
        return run(greet())
    except EngineLost as lost:
        raise failed(program, lost) from lost


def consult(
    inquiries: Iterable[Inquiry[Found]],
    means: Means,
    *,
    hash_mb: int,
    cache: VerdictCache,
    on_progress: OnProgress = lambda _finished, _work: None,
) -> tuple[list[Found], Work]:
    """What the inquiries found, in their order, and the work it took.

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
            from miner.engine.on_cluster import work_off  # needed on clusters only

            work_off(dispatcher, means.cluster, hash_mb)
        else:
            run(_Pool(dispatcher, engine_options(hash_mb)).work_off())
    finally:
        dispatcher.count()
        cache.commit()
    return [
        found for _, found in sorted(dispatcher.schedule.found.items(), key=lambda one: one[0])
    ], dispatcher.work


@dataclass(slots=True)
class Dispatcher(Generic[Found]):
    """Where jobs are handed out, and verdicts and losses booked, wherever the engines run."""

    program: Path
    cache: VerdictCache
    limits: PoolLimits
    on_progress: OnProgress
    schedule: Schedule[Found]
    work: Work
    began: float = field(default_factory=time.monotonic)
    hopeless: set[str] = field(default_factory=set)  # FENs given up over since the last verdict

    def next_job(self) -> Job | None:
        """The next job that is there now."""
        finished = len(self.schedule.found)
        job = self.schedule.next_job()
        if len(self.schedule.found) > finished:
            self._tell()
        return job

    def take(self, job: Job, verdict: Verdict) -> None:
        """An engine has done a job."""
        self.hopeless.clear()
        self.cache.add(job.request, verdict)
        self.work.searches += 1
        self.work.nodes += verdict.nodes
        self.work.search_s += verdict.seconds
        self.schedule.answer(job, verdict)
        self._tell()

    def lose(self, job: Job, lost: EngineLost) -> None:
        """An engine was lost over a job.

        Raises EngineFailed if one position after the other had to be given up.
        """
        log.warning("an engine was lost over %s: %s", job.request.fen, lost.reason)
        self.work.lost += 1
        # Not engines but positions are counted: one position may kill many engines, and one hand all of them.
        if self.schedule.lose(job, lost.reason):
            self.hopeless.add(job.request.fen)
        if len(self.hopeless) >= self.limits.max_hopeless:
            raise failed(self.program, lost) from lost

    def patience(self, nodes: int) -> float:
        """Seconds after which a search counts as hung."""
        if not self.work.nodes_per_s:
            return max(self.limits.search_s, nodes / self.limits.slowest)
        return max(self.limits.search_s, self.limits.slack * nodes / self.work.nodes_per_s)

    def count(self) -> None:
        """Bring the work up to date."""
        self.work.from_cache = self.schedule.known_answers
        self.work.wall_s = time.monotonic() - self.began

    def _tell(self) -> None:
        self.count()
        self.on_progress(len(self.schedule.found), self.work)


@dataclass(slots=True)
class _Pool(Generic[Found]):
    dispatcher: Dispatcher[Found]
    options: dict[str, str]
    changed: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def work_off(self) -> None:
        """Let the engines work until every inquiry has returned."""
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
            while True:
                job = self.dispatcher.next_job()
                if job is not None:
                    return job
                if self.dispatcher.schedule.is_finished:
                    self.changed.notify_all()
                    return None
                await self.changed.wait()

    async def _start(self, job: Job, failed_before: int) -> Dialogue | None:
        """A new engine; None if it cannot be had now and the job was given back."""
        dispatcher = self.dispatcher
        try:
            engine, identity = await Dialogue.begin(
                dispatcher.program, self.options, dispatcher.limits.start_s
            )
        except EngineLost as lost:
            dispatcher.work.lost += 1
            if failed_before + 1 >= dispatcher.limits.max_starts:
                raise failed(dispatcher.program, lost) from lost
            dispatcher.schedule.give_back(job)
            return None
        if identity != dispatcher.cache.engine:
            await engine.kill()
            raise EngineFailed(
                "the engine's program has changed during the run",
                where=Place(str(dispatcher.program)),
                advice="run the stage again",
            )
        return engine

    async def _search(self, engine: Dialogue, job: Job) -> bool:
        """Have a job done; False: the engine is of no more use."""
        try:
            verdict = await engine.search(job.request, self.dispatcher.patience(job.request.nodes))
        except EngineLost as lost:
            self.dispatcher.lose(job, lost)
            await self._wake_others()
            return False
        self.dispatcher.take(job, verdict)
        await self._wake_others()
        return True

    async def _wake_others(self) -> None:
        async with self.changed:
            self.changed.notify_all()


def _first_of(failures: BaseExceptionGroup[BaseException]) -> BaseException:
    """The first failure in a group, or in a group within it."""
    first = failures.exceptions[0]
    return _first_of(first) if isinstance(first, BaseExceptionGroup) else first


def failed(program: Path, lost: EngineLost) -> EngineFailed:
    """The error that ends a run for want of an engine."""
    said = f"; it said last: {lost.said_last!r}" if lost.said_last else ""
    return EngineFailed(
        f"the engine is of no use: {lost.reason}{said}",
        where=Place(str(program)),
        advice="try it by hand with the command `uci`, or name another by --engine FILE",
    )


def run(work: Coroutine[Any, Any, Result]) -> Result:
    """The result of asynchronous work, from plain code or from under a running loop (a notebook)."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return asyncio.run(work)
    return _run_beside(work)


def _run_beside(work: Coroutine[Any, Any, Result]) -> Result:
    loop = asyncio.new_event_loop()
    task = loop.create_task(work)
    thread = threading.Thread(target=lambda: loop.run_until_complete(asyncio.wait([task])))
    thread.start()
    try:
        thread.join()
    except KeyboardInterrupt:
        loop.call_soon_threadsafe(task.cancel)
        thread.join()
        raise
    finally:
        loop.close()
    return task.result()
