"""The engines of a cluster: batches of searches for workers that carry the resource `engine`.

The schedule, the cache and all bookkeeping stay here. A batch goes to one engine of one worker, which keeps
its engines between batches. It takes about a second: a kill can lose little, and each engine makes no more
than one task a second for the cluster's scheduler.
"""

from __future__ import annotations

import asyncio
import logging
import os
import threading
import time
from collections import defaultdict
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Generic

from miner.cluster import NO_WORKERS_S, Cluster, ClusterTask, ClusterTasks, Worker, this_worker
from miner.engine.identity import VARIABLE, EngineIdentity, find_engine
from miner.engine.pool import COMMIT_S, Dispatcher, engine_options, failed, identify
from miner.engine.schedule import Found, Job
from miner.engine.uci import Dialogue, EngineLost
from miner.engine.verdicts import Request, Verdict
from miner.errors import ClusterFailed, EngineFailed, EngineNotFound, MinerError, Place
from miner.means import Means, PoolLimits

log = logging.getLogger(__name__)

BATCH_S = 1.0  # that one engine should need for a batch
IDLE_S = 60.0  # after which a worker ends an engine that nobody asks
AHEAD = 2  # batches for each engine: one that it works on, one that waits at its worker


def work_off(dispatcher: Dispatcher[Found], cluster: Cluster, hash_mb: int) -> None:
    """Let the cluster's engines work until every inquiry of the dispatcher has returned.

    Raises ClusterFailed if no worker may run engines, or the cluster is lost; EngineFailed if all that may
    have another engine or none, or engines are lost too often.
    """
    with cluster.cluster_tasks() as cluster_tasks:
        _EnginesOfWorkers(dispatcher, cluster, cluster_tasks, hash_mb).work_off()


@dataclass(frozen=True, slots=True)
class _Searched:
    """What became of a batch at its worker."""

    verdicts: list[Verdict]  # of its first requests
    lost: tuple[str, str] | None = None  # reason and last words of an engine that was lost over the next
    unfit: str = ""  # why the worker has no engine for the batch; empty: it has one
    worker: str = ""  # its address


@dataclass(slots=True)
class _EnginesOfWorkers(Generic[Found]):
    dispatcher: Dispatcher[Found]
    cluster: Cluster
    cluster_tasks: ClusterTasks
    hash_mb: int
    fit: dict[str, Worker] = field(default_factory=dict)  # by address
    unfit: dict[str, str] = field(default_factory=dict)  # address and reason
    out: dict[ClusterTask[Any], tuple[list[Job], list[str]]] = field(
        default_factory=dict
    )  # jobs, and for whom
    looked: float = 0.0
    without_since: float | None = None

    def work_off(self) -> None:
        self._look()
        if not self.fit:
            raise self._nobody()
        while True:
            self._hand_out()
            if not self.out:
                assert self.dispatcher.schedule.is_finished or not self.fit, "jobs wait, engines too"
                if self.dispatcher.schedule.is_finished:
                    return
            self._take(self.cluster_tasks.finished(COMMIT_S))
            if time.monotonic() - self.looked >= COMMIT_S:
                self.dispatcher.cache.commit()
                self._look()

    def _look(self) -> None:
        """See who is there: engines of newcomers are compared, batches of those who left are taken back."""
        here = {worker.address: worker for worker in self.cluster.workers() if worker.engines}
        self.unfit = {address: why for address, why in self.unfit.items() if address in here}
        told = self.cluster.learn(
            f"engine {self.dispatcher.cache.engine.digest}",
            _engine_here,
            str(self.dispatcher.program),
            self.hash_mb,
            self.dispatcher.limits,
            among=[address for address in here if address not in self.unfit],
        )
        for address, engine in told.items():
            why = _unlike(engine, self.dispatcher.cache.engine)
            if why:
                self._leave_out(here[address], why)
        self.fit = {
            address: worker
            for address, worker in here.items()
            if address in told and address not in self.unfit
        }
        self.dispatcher.work.engines = max(
            sum(one.engines for one in self.fit.values()), self.dispatcher.work.engines
        )
        for cluster_task, (jobs, whose) in list(self.out.items()):
            if not self.fit.keys() & set(whose):
                self._give_back(cluster_task, jobs)
        self._require_some()
        self.looked = time.monotonic()

    def _leave_out(self, worker: Worker, why: str) -> None:
        self.unfit[worker.address] = why
        self.fit.pop(worker.address, None)
        if self.cluster.is_new(f"{worker.address} {why}"):
            log.warning("worker %s is left out: %s", worker, why)

    def _require_some(self) -> None:
        now = time.monotonic()
        self.without_since = None if self.fit else self.without_since or now
        if self.without_since is not None and now - self.without_since > NO_WORKERS_S:
            raise self._nobody()

    def _nobody(self) -> MinerError:
        if not self.unfit:
            return ClusterFailed(
                "no worker of the cluster may run engines",
                where=Place(self.cluster.address),
                advice=f"start some with `dask worker {self.cluster.address} --resources engine=2`, "
                "the number of engines that each may run",
            )
        return EngineFailed(
            "; ".join(f"worker {address}: {why}" for address, why in self.unfit.items()),
            where=Place(self.cluster.address),
            advice=f"install the same engine on the workers, and name it there by {VARIABLE}",
        )

    def _hand_out(self) -> None:
        places = AHEAD * sum(worker.engines for worker in self.fit.values())
        while len(self.out) < places and (jobs := self._next_batch()):
            cluster_task = self.cluster_tasks.order(
                search,
                str(self.dispatcher.program),
                self.dispatcher.cache.engine.digest,
                self.hash_mb,
                self.dispatcher.limits,
                [(job.request, self.dispatcher.patience(job.request.nodes)) for job in jobs],
                about="a batch of searches",
                engines=1,
                only=list(self.fit),
            )
            self.out[cluster_task] = jobs, list(self.fit)

    def _next_batch(self) -> list[Job]:
        jobs: list[Job] = []
        room = BATCH_S * self.dispatcher.work.nodes_per_s
        while (job := self.dispatcher.next_job()) is not None:
            jobs.append(job)
            room -= job.request.nodes
            if room <= 0:
                break
        return jobs

    def _take(self, cluster_tasks: list[ClusterTask[Any]]) -> None:
        ended = [cluster_task for cluster_task in cluster_tasks if cluster_task in self.out]
        for cluster_task, searched in zip(ended, self.cluster_tasks.results(ended), strict=True):
            jobs, _ = self.out.pop(cluster_task)
            self.cluster_tasks.forget([cluster_task])
            self._book(jobs, searched)

    def _book(self, jobs: list[Job], searched: _Searched) -> None:
        for job, verdict in zip(jobs, searched.verdicts, strict=False):
            self.dispatcher.take(job, verdict)
        rest = jobs[len(searched.verdicts) :]
        if searched.lost:
            reason, said_last = searched.lost
            self.dispatcher.lose(rest.pop(0), EngineLost(f"{reason} (worker {searched.worker})", said_last))
        for job in rest:
            self.dispatcher.schedule.give_back(job)
        if searched.unfit and (worker := self.fit.get(searched.worker)):
            self._leave_out(worker, searched.unfit)

    def _give_back(self, cluster_task: ClusterTask[Any], jobs: list[Job]) -> None:
        del self.out[cluster_task]
        self.cluster_tasks.forget([cluster_task])
        for job in jobs:
            self.dispatcher.schedule.give_back(job)


def _unlike(engine: EngineIdentity | MinerError, wanted: EngineIdentity) -> str:
    """How a worker's engine differs; empty: it does not."""
    if isinstance(engine, MinerError):
        return str(engine)
    if engine == wanted:
        return ""
    if engine.name != wanted.name:
        return f"its engine is {engine.name}, here it is {wanted.name}"
    what = "program" if engine.sha256 != wanted.sha256 else "options or network"
    return f"its {engine.name} has another {what} than the one here"


# What follows is done by workers.


def _program(named: str) -> Path:
    """The engine of this machine: by its own MINER_ENGINE, else where the run's machine has it."""
    return find_engine(os.environ.get(VARIABLE) or named)


def _engine_here(named: str, hash_mb: int, limits: PoolLimits) -> EngineIdentity:
    return identify(Means(engine=_program(named), limits=limits), hash_mb)


_Kind = tuple[Path, int, str]
"""Program, MB of hash and digest of an engine: a program that was replaced is another one."""


class _Stable:
    """The engines of a worker process, each kept while there is work, with the loop that they live in."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.idle: dict[_Kind, list[Dialogue]] = defaultdict(list)
        threading.Thread(target=self.loop.run_forever, daemon=True, name="engines").start()

    def put(self, kind: _Kind, engine: Dialogue) -> None:
        """Keep an engine for the next batch, but not for ever."""
        self.idle[kind].append(engine)
        self.loop.call_later(IDLE_S, self._end_if_idle, kind, engine, engine.analysis)

    def _end_if_idle(self, kind: _Kind, engine: Dialogue, last: object) -> None:
        if engine in self.idle[kind] and engine.analysis is last:
            self.idle[kind].remove(engine)
            self.ending = self.loop.create_task(engine.end())


@cache
def _stable() -> _Stable:
    return _Stable()


_ONE = threading.Lock()


def search(
    named: str, digest: str, hash_mb: int, limits: PoolLimits, batch: list[tuple[Request, float]]
) -> _Searched:
    """The verdicts of requests, each with its patience in seconds, by an engine of this worker."""
    with _ONE:  # threads of a worker begin at the same time
        stable = _stable()
    worker = this_worker()
    try:
        program = _program(named)
    except EngineNotFound as error:
        return _Searched([], unfit=str(error), worker=worker)
    work = _search(stable, program, digest, hash_mb, limits, batch, worker)
    return asyncio.run_coroutine_threadsafe(work, stable.loop).result()


async def _search(
    stable: _Stable,
    program: Path,
    digest: str,
    hash_mb: int,
    limits: PoolLimits,
    batch: list[tuple[Request, float]],
    worker: str,
) -> _Searched:
    kind = program, hash_mb, digest
    idle = stable.idle[kind]
    try:
        engine = idle.pop() if idle else await _begin(program, digest, hash_mb, limits)
    except EngineLost as lost:
        return _Searched([], unfit=failed(program, lost).what, worker=worker)
    except EngineFailed as error:
        return _Searched([], unfit=error.what, worker=worker)
    verdicts: list[Verdict] = []
    for request, patience_s in batch:
        try:
            verdicts.append(await engine.search(request, patience_s))
        except EngineLost as lost:
            await engine.kill()
            return _Searched(verdicts, (lost.reason, lost.said_last), worker=worker)
    stable.put(kind, engine)
    return _Searched(verdicts, worker=worker)


async def _begin(program: Path, digest: str, hash_mb: int, limits: PoolLimits) -> Dialogue:
    engine, identity = await Dialogue.begin(program, engine_options(hash_mb), limits.start_s)
    if identity.digest != digest:
        await engine.kill()
        raise EngineFailed("its engine has changed during the run")
    return engine
