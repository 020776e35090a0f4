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
from miner.engine.dispatch import COMMIT_S, Dispatcher, engine_options, failed, identify
from miner.engine.identity import VARIABLE, EngineIdentity, find_engine
from miner.engine.schedule import Found, Job
from miner.engine.uci import Dialogue, EngineLost
from miner.engine.verdicts import Request, Verdict
from miner.errors import ClusterFailed, EngineFailed, EngineNotFound, MinerError
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
    identity = dispatcher.cache.engine
    wanted = _Wanted(str(dispatcher.program), identity.digest, hash_mb, dispatcher.limits)
    with cluster.cluster_tasks() as cluster_tasks:
        _EnginesOfWorkers(dispatcher, cluster, cluster_tasks, wanted).work_off()


@dataclass(frozen=True, slots=True)
class _Wanted:
    named: str  # where the run's machine has its program
    digest: str
    hash_mb: int
    limits: PoolLimits


@dataclass(frozen=True, slots=True)
class _Searched:
    worker: str  # its address
    verdicts: list[Verdict] = field(default_factory=list)  # of the first requests
    # Reason, last words, and whether for a false claim, of an engine that was lost over the next.
    lost: tuple[str, str, bool] | None = None
    unfit: str = ""  # why the worker has no engine for the batch; empty: it has one


@dataclass(slots=True)
class _EnginesOfWorkers(Generic[Found]):
    dispatcher: Dispatcher[Found]
    cluster: Cluster
    cluster_tasks: ClusterTasks
    wanted: _Wanted
    fit: dict[str, Worker] = field(default_factory=dict)  # by address
    unfit: dict[str, str] = field(default_factory=dict)  # address and reason
    # Jobs of the batches that are under way, and the addresses of the workers that may do them.
    out: dict[ClusterTask[Any], tuple[list[Job], list[str]]] = field(default_factory=dict)
    looked: float = 0.0
    without_since: float | None = None

    def work_off(self) -> None:
        self._look()
        if not self.fit:
            raise self._nobody()
        while True:
            self._hand_out()
            if not self.out:
                if self.dispatcher.schedule.is_finished:
                    return
                assert not self.fit, "jobs wait, engines too"
            self._take(self.cluster_tasks.finished(COMMIT_S))
            if time.monotonic() - self.looked >= COMMIT_S:
                self.dispatcher.cache.commit()
                self._look()

    def _look(self) -> None:
        """See who is there: engines of newcomers are compared, batches of those who left are taken back."""
        here = {worker.address: worker for worker in self.cluster.workers() if worker.engines}
        self.unfit = {address: why for address, why in self.unfit.items() if address in here}
        engines = self.cluster.learn(
            f"engine {self.wanted.digest}",
            _engine_here,
            self.wanted,
            among=[address for address in here if address not in self.unfit],
        )
        for address, engine in engines.items():
            if why := _unlike(engine, self.dispatcher.cache.engine):
                self._leave_out(here[address], why)
        self.fit = {address: here[address] for address in engines if address not in self.unfit}
        work, now = self.dispatcher.work, time.monotonic()
        work.engines = max(work.engines, self._count_engines())
        for cluster_task, (_, addresses) in list(self.out.items()):
            if self.fit.keys().isdisjoint(addresses):
                self.dispatcher.schedule.give_back(*self._drop(cluster_task))
        self.without_since = None if self.fit else self.without_since or now
        if self.without_since is not None and now - self.without_since > NO_WORKERS_S:
            raise self._nobody()
        self.looked = now

    def _count_engines(self) -> int:
        return sum(worker.engines for worker in self.fit.values())

    def _leave_out(self, worker: Worker, why: str) -> None:
        self.unfit[worker.address] = why
        self.fit.pop(worker.address, None)
        if self.cluster.is_new(f"{worker.address} {why}"):
            log.warning("worker %s is left out: %s", worker, why)

    def _nobody(self) -> MinerError:
        if not self.unfit:
            return ClusterFailed(
                "no worker of the cluster may run engines",
                where=self.cluster.address,
                advice=f"start some with `dask worker {self.cluster.address} --resources engine=2`, "
                "the number of engines that each may run",
            )
        return EngineFailed(
            "; ".join(f"worker {address}: {why}" for address, why in self.unfit.items()),
            where=self.cluster.address,
            advice=f"install the same engine on the workers, and name it there by {VARIABLE}",
        )

    def _hand_out(self) -> None:
        places = AHEAD * self._count_engines()
        while len(self.out) < places and (jobs := self._next_batch()):
            cluster_task = self.cluster_tasks.order(
                search,
                self.wanted,
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
            jobs = self._drop(cluster_task)
            for job, verdict in zip(jobs, searched.verdicts, strict=False):
                self.dispatcher.take(job, verdict)
            rest = jobs[len(searched.verdicts) :]
            if searched.lost:
                reason, said_last, is_false_claim = searched.lost
                reason = f"{reason} (worker {searched.worker})"
                lost = EngineLost(reason, said_last, is_false_claim=is_false_claim)
                self.dispatcher.lose(rest.pop(0), lost)
            self.dispatcher.schedule.give_back(*rest)
            if searched.unfit and (worker := self.fit.get(searched.worker)):
                self._leave_out(worker, searched.unfit)

    def _drop(self, cluster_task: ClusterTask[Any]) -> list[Job]:
        jobs, _ = self.out.pop(cluster_task)
        self.cluster_tasks.forget([cluster_task])
        return jobs


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


def _engine_here(wanted: _Wanted) -> EngineIdentity:
    return identify(Means(engine=_program(wanted.named), limits=wanted.limits), wanted.hash_mb)


_Kind = tuple[Path, _Wanted]
"""Engines that may do the same batches: a program that was replaced has another digest."""


class _KeptEngines:
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


_kept_engines = cache(_KeptEngines)
_BEGINNING = threading.Lock()


def search(wanted: _Wanted, batch: list[tuple[Request, float]]) -> _Searched:
    """The verdicts of requests, each with its patience in seconds, by an engine of this worker."""
    with _BEGINNING:  # threads of a worker begin at the same time
        kept = _kept_engines()
    try:
        kind = _program(wanted.named), wanted
    except EngineNotFound as error:
        return _Searched(this_worker(), unfit=str(error))
    work = _search(kept, kind, batch, this_worker())
    return asyncio.run_coroutine_threadsafe(work, kept.loop).result()


async def _search(
    kept: _KeptEngines, kind: _Kind, batch: list[tuple[Request, float]], worker: str
) -> _Searched:
    idle = kept.idle[kind]
    try:
        engine = idle.pop() if idle else await _begin(*kind)
    except EngineFailed as error:
        return _Searched(worker, unfit=error.what)
    verdicts: list[Verdict] = []
    for request, patience_s in batch:
        try:
            verdicts.append(await engine.search(request, patience_s))
        except EngineLost as lost:
            await engine.kill()
            return _Searched(worker, verdicts, (lost.reason, lost.said_last, lost.is_false_claim))
    kept.put(kind, engine)
    return _Searched(worker, verdicts)


async def _begin(program: Path, wanted: _Wanted) -> Dialogue:
    options, start_s = engine_options(wanted.hash_mb), wanted.limits.start_s
    try:
        engine, identity = await Dialogue.begin(program, options, start_s)
    except EngineLost as lost:
        raise failed(program, lost) from lost
    if identity.digest != wanted.digest:
        await engine.kill()
        raise EngineFailed("its engine has changed during the run")
    return engine
