"""Engines wherever they run: how they are set up, and who hands them jobs and books the results."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Coroutine
from dataclasses import astuple, dataclass, field, replace
from operator import add
from pathlib import Path
from typing import Any, Generic, TypeVar

import chess

from miner.engine.cache import VerdictCache
from miner.engine.identity import EngineIdentity, find_engine
from miner.engine.schedule import Found, Job, Schedule
from miner.engine.uci import Dialogue, EngineLost
from miner.engine.verdicts import Request, Verdict
from miner.errors import EngineFailed
from miner.means import Means, PoolLimits

log = logging.getLogger(__name__)
Result = TypeVar("Result")

COMMIT_S = 1.0  # a kill loses the verdicts of so long at the most


@dataclass(slots=True)
class Work:
    """The work of engines in figures, for the manifest and benchmarks."""

    searches: int = 0  # by engines
    from_cache: int = 0
    nodes: int = 0  # searched by engines
    search_s: float = 0.0  # the engines' own time, added up
    wall_s: float = 0.0
    engines: int = 0
    lost: int = 0  # engines that were replaced
    false_claims: int = 0  # for which some of them were

    @property
    def nodes_per_s(self) -> float:
        """Nodes per second of one engine while it searches."""
        return self.nodes / self.search_s if self.search_s else 0.0

    @property
    def busy(self) -> float:
        """Share (0 to 1) of the wall time that the engines spent searching."""
        available = self.engines * self.wall_s
        return self.search_s / available if available else 0.0

    def __add__(self, other: Work) -> Work:
        """Both, one after the other: with the engines of that which had more."""
        together = Work(*map(add, astuple(self), astuple(other)))
        return replace(together, engines=max(self.engines, other.engines))

    @property
    def facts(self) -> dict[str, Any]:
        """The work as a stage's manifest has it."""
        return {
            "searches": self.searches,
            "searches_from_cache": self.from_cache,
            "nodes": self.nodes,
            "wall_s": round(self.wall_s, 3),
            "engines_lost": self.lost,
            "false_claims": self.false_claims,
        }


@dataclass(slots=True)
class Dispatcher(Generic[Found]):
    """Hands out jobs and books verdicts and losses, wherever the engines run."""

    program: Path
    cache: VerdictCache
    limits: PoolLimits
    on_progress: Callable[[int, Work], None]
    schedule: Schedule[Found]
    work: Work
    began: float = field(default_factory=time.monotonic)
    hopeless: set[str] = field(default_factory=set)  # FENs given up over since the last verdict

    def next_job(self) -> Job | None:
        """The next job; None: there is none now."""
        finished = len(self.schedule.found)
        job = self.schedule.next_job()
        if len(self.schedule.found) > finished:
            self._report()
        return job

    def take(self, job: Job, verdict: Verdict) -> None:
        """Book the verdict of an engine on a job."""
        self.hopeless.clear()
        self.cache.add(job.request, verdict)
        self.work.searches += 1
        self.work.nodes += verdict.nodes
        self.work.search_s += verdict.seconds
        self.schedule.answer(job, verdict)
        self._report()

    def lose(self, job: Job, lost: EngineLost) -> None:
        """Book that an engine was lost over a job.

        Raises EngineFailed if one position after the other had to be given up.
        """
        log.warning("an engine was lost over %s: %s", job.request.fen, lost.reason)
        self.work.lost += 1
        self.work.false_claims += lost.is_false_claim
        # Not engines but positions are counted: one position may kill many engines, and one hand all of them.
        if self.schedule.lose(job, lost.reason):
            self.hopeless.add(job.request.fen)
        if len(self.hopeless) >= self.limits.max_hopeless:
            raise failed(self.program, lost) from lost

    def patience(self, nodes: int) -> float:
        """Seconds after which a search counts as hung."""
        speed = self.work.nodes_per_s
        expected_s = self.limits.slack * nodes / speed if speed else nodes / self.limits.slowest
        return max(self.limits.search_s, expected_s)

    def count(self) -> None:
        """Bring the figures of the work up to date."""
        self.work.from_cache = self.schedule.known_answers
        self.work.wall_s = time.monotonic() - self.began

    def _report(self) -> None:
        self.count()
        self.on_progress(len(self.schedule.found), self.work)


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


def speed_of(means: Means, hash_mb: int, nodes: int = 200_000) -> float:
    """Nodes per second of one engine, by one search of the start position.

    Raises EngineNotFound if there is none, EngineFailed if it is of no use.
    """
    program = means.engine or find_engine()

    async def search() -> Verdict:
        dialogue, _ = await Dialogue.begin(program, engine_options(hash_mb), means.limits.start_s)
        try:
            return await dialogue.search(Request.of(chess.Board(), nodes), nodes / means.limits.slowest)
        finally:
            await dialogue.kill()

    try:
        verdict = run(search())
    except EngineLost as lost:
        raise failed(program, lost) from lost
    return verdict.nodes / max(verdict.seconds, 1e-3)


def failed(program: Path, lost: EngineLost) -> EngineFailed:
    """The error that ends a run for want of an engine."""
    said = f"; it said last: {lost.said_last!r}" if lost.said_last else ""
    return EngineFailed(
        f"the engine is of no use: {lost.reason}{said}",
        where=program,
        advice="try it by hand with the command `uci`, or name another by --engine FILE",
    )


def run(work: Coroutine[Any, Any, Result]) -> Result:
    """The result of asynchronous work, from plain code or from under a running loop (a notebook)."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return asyncio.run(work)
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
