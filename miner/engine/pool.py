"""Many single-threaded engines of this machine at work."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Generic

from miner.engine.dispatch import COMMIT_S, Dispatcher, engine_options, failed
from miner.engine.schedule import Found, Job
from miner.engine.uci import Dialogue, EngineLost
from miner.errors import EngineFailed, Place


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
            is_lost = True
        else:
            self.dispatcher.take(job, verdict)
            is_lost = False
        async with self.changed:
            self.changed.notify_all()
        return not is_lost


def _first_of(failures: BaseExceptionGroup[BaseException]) -> BaseException:
    """The first failure in a group, or in a group within it."""
    first = failures.exceptions[0]
    return _first_of(first) if isinstance(first, BaseExceptionGroup) else first
