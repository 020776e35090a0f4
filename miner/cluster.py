"""A Dask cluster that shares the work of the stages: the one place where Dask is met.

A stage that is given a `Cluster` orders tasks: functions of ours, with their arguments, that some worker
does; a task may work on what another has made, which stays on the worker that made it. If a worker dies,
Dask has another one do its tasks again, so that each must be harmless to repeat.

Dask is imported when a cluster is asked for, and not before. Its protocol carries pickled objects, and its
scheduler and workers obey whoever can connect to them: a cluster must be trusted and private.
"""

from __future__ import annotations

import hashlib
import logging
import queue
import re
import secrets
import socket
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import count, islice
from typing import Any, Concatenate, Generic, ParamSpec, TypeVar

from miner.distribution import VERSION, with_extra
from miner.errors import ClusterFailed, MinerError, UsageError
from miner.store.places import Location

log = logging.getLogger(__name__)

Result = TypeVar("Result")
Held = TypeVar("Held")
Given = ParamSpec("Given")

ENGINE = "engine"
"""The resource of a worker that may run UCI engines: how many at once."""

CONNECT_S = 10.0
_ADDRESS = re.compile(r"(?:\w+://)?(?P<host>\[[0-9a-fA-F:.]+\]|[^\s/:]+):(?P<port>[0-9]+)")
FETCH_S = 120.0  # for results that are ready; longer if their worker has died and they are made again
NO_WORKERS_S = 30.0  # that a cluster may be without a worker: one that died is started again by its nanny
_LOOK_S = 1.0


@dataclass(frozen=True, order=True, slots=True)
class Worker:
    """A worker process of the cluster."""

    address: str
    name: str
    threads: int  # tasks that it does at once
    engines: int  # UCI engines that it may run at once

    def __str__(self) -> str:
        return self.address if self.name == self.address else f"{self.name} ({self.address})"


@dataclass(frozen=True, eq=False, slots=True)
class Sealed(Generic[Held]):
    """Something that the logs of a cluster do not show: names of players may be in it."""

    held: Held = field(repr=False)


@dataclass(frozen=True, slots=True)
class _Refused:
    """An error of ours that ended a task: an answer, not a failure that a worker's log need hold."""

    error: MinerError


@dataclass(eq=False, slots=True)
class ClusterTask(Generic[Result]):
    """Something that a worker is to do; `about` names it for whoever reads of its failure."""

    future: Any
    about: str


class ClusterTasks:
    """The tasks of one piece of work; what is not done when it ends is called off."""

    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self._done: queue.SimpleQueue[ClusterTask[Any]] = queue.SimpleQueue()
        self._open: dict[ClusterTask[Any], None] = {}

    def order(
        self,
        function: Callable[Given, Result],
        *given: Any,
        about: str,
        engines: int = 0,
        only: Sequence[str] | None = None,
        is_urgent: bool = False,
    ) -> ClusterTask[Result]:
        """Have a worker call `function`; a task among the arguments stands for its result.

        `engines`: how many of its worker's engines it needs. `only`: addresses of workers that may do it.
        What is urgent is done before what is not, whenever it was ordered.
        """
        client = self._cluster.client
        inputs = [argument.future for argument in given if isinstance(argument, ClusterTask)]
        plain = [_Input() if isinstance(argument, ClusterTask) else argument for argument in given]
        with self._cluster.explained():
            future = client.submit(
                _perform,
                Sealed((function, plain)),
                *inputs,
                key=f"{function.__name__.strip('_')}-{self._cluster.run}-{next(self._cluster.numbers)}",
                pure=False,
                resources={ENGINE: engines} if engines else None,
                workers=list(only) if only is not None else None,
                priority=int(is_urgent),
            )
        task: ClusterTask[Result] = ClusterTask(future, about)
        self._open[task] = None
        future.add_done_callback(lambda _: self._done.put(task))
        return task

    def finished(self, timeout_s: float) -> list[ClusterTask[Any]]:
        """Tasks that have ended since the last call, waited for up to `timeout_s`; none twice.

        Raises ClusterFailed if the cluster has no worker for longer than it takes to start one.
        """
        try:
            done = [self._done.get(timeout=timeout_s)]
        except queue.Empty:
            self._cluster.require_workers()
            return []
        with suppress(queue.Empty):
            while True:
                done.append(self._done.get_nowait())
        return [task for task in done if task in self._open]

    def results(self, tasks: Sequence[ClusterTask[Result]]) -> list[Result]:
        """The results of ended tasks, in their order.

        Raises the MinerError that one of them ended with, ClusterFailed if workers died over one or the
        scheduler is lost.
        """
        for task in tasks:
            if task.future.status == "error":
                raise self._cluster.failure_of(task)
        gather = partial(self._cluster.client.gather, [task.future for task in tasks], asynchronous=True)
        with self._cluster.explained():
            # All in one message.
            gathered: list[Sealed[Any]] = self._cluster.client.sync(gather, callback_timeout=FETCH_S)
        results = [sealed.held for sealed in gathered]
        for result in results:
            if isinstance(result, _Refused):
                raise result.error
        return results

    def forget(self, tasks: Iterable[ClusterTask[Any]]) -> None:
        """Drop the results of tasks; those that have not begun are called off."""
        for task in tasks:
            self._open.pop(task, None)
            task.future.release()

    def in_order(
        self,
        function: Callable[Concatenate[Held, Given], Result],
        things: Iterable[Held],
        *given: Any,
        about: str,
    ) -> Iterator[Result]:
        """The results of `function` for each thing, in order; few at a time are ahead of the slowest."""
        waiting: list[ClusterTask[Result]] = []
        ended: set[ClusterTask[Any]] = set()
        upcoming = iter(things)
        ahead = self._cluster.ahead
        while True:
            waiting += [
                self.order(function, thing, *given, about=about)
                for thing in islice(upcoming, ahead - len(waiting))
            ]
            if not waiting:
                return
            while waiting and waiting[0] in ended:
                first = waiting.pop(0)
                [result] = self.results([first])
                self.forget([first])
                ended.remove(first)
                yield result
            if waiting:
                ended.update(self.finished(_LOOK_S))

    def close(self) -> None:
        """Have the cluster drop whatever is left."""
        self.forget(list(self._open))


class Cluster:
    """The workers behind the scheduler at an address. Use `connected`."""

    def __init__(self, client: Any, address: str) -> None:
        self.client = client
        self.address = address
        self.run = secrets.token_hex(6)  # in the names of its tasks: no other run has it
        self.numbers = count()
        self._empty_since: float | None = None
        self._learned: dict[str, dict[str, Any]] = {}
        self._remarks: set[str] = set()

    @property
    def ahead(self) -> int:
        """How many tasks keep all workers busy while their results travel."""
        return max(4, 2 * sum(worker.threads for worker in self.workers()))

    def cluster_tasks(self) -> closing[ClusterTasks]:
        """Room for tasks that belong together; what is not done at its end is called off."""
        return closing(ClusterTasks(self))

    def workers(self) -> list[Worker]:
        """The workers that are there now, by address. Raises ClusterFailed if the scheduler is lost."""
        with self.explained():
            identity = self.client.sync(self.client.scheduler.identity, callback_timeout=CONNECT_S)
        return sorted(
            Worker(
                address, str(facts["name"]), int(facts["nthreads"]), int(facts["resources"].get(ENGINE, 0))
            )
            for address, facts in identity["workers"].items()
        )

    def require_workers(self) -> None:
        """Raise ClusterFailed if there has been no worker for some time."""
        if self.workers():
            self._empty_since = None
            return
        now = time.monotonic()
        self._empty_since = self._empty_since or now
        if now - self._empty_since > NO_WORKERS_S:
            raise ClusterFailed(
                "the cluster has no worker left",
                where=self.address,
                advice="start some and run it again; what was finished is kept",
            )

    def on_each(
        self, function: Callable[Given, Result], *given: Any, only: Sequence[str] | None = None
    ) -> dict[str, Result | MinerError]:
        """The result of a short function on each worker, by address, however busy it is; or its error.

        A worker that has gone meanwhile is left out.
        """
        order = Sealed((function, list(given)))
        with self.explained():
            answers = self.client.run(_perform, order, workers=only, on_error="return")
        found: dict[str, Result | MinerError] = {}
        for address, answer in answers.items():
            if isinstance(answer, Sealed):
                found[address] = answer.held.error if isinstance(answer.held, _Refused) else answer.held
            elif not isinstance(answer, OSError):
                raise ClusterFailed(
                    f"a worker cannot do its part: {answer}",
                    where=address,
                    advice="install the same miner on all workers",
                ) from answer
        return found

    def learn(
        self, what: str, function: Callable[Given, Result], *given: Any, among: Sequence[str]
    ) -> dict[str, Result | MinerError]:
        """The result of a short function on each of some workers; each is asked only once for `what`.

        A worker that has gone meanwhile is left out.
        """
        known = self._learned.setdefault(what, {})
        new = [address for address in among if address not in known]
        if new:
            known |= self.on_each(function, *given, only=new)
        return {address: known[address] for address in among if address in known}

    def is_new(self, remark: str) -> bool:
        """Whether this was not remarked on before."""
        is_new = remark not in self._remarks
        self._remarks.add(remark)
        return is_new

    def require_file(self, file: Location) -> None:
        """Raise ClusterFailed if a worker does not see a file just as it is here."""
        here = _digest(file.resolve())
        for address, there in self.on_each(_digest, file.resolve()).items():
            if there != here:
                what = "does not see" if there is None else "sees another"
                raise ClusterFailed(
                    f"a worker {what} {file.resolve()}",
                    where=address,
                    advice="the folder must be on a file system that all workers have under the same path",
                )

    def failure_of(self, task: ClusterTask[Any]) -> BaseException:
        """Why a task has failed: ClusterFailed if workers died over it, else what its function raised."""
        from distributed.scheduler import KilledWorker

        with self.explained():
            error: BaseException = task.future.exception(timeout=FETCH_S)
        if not isinstance(error, KilledWorker):
            return error
        failed = ClusterFailed(
            "one worker after the other died over it",
            where=task.about,
            advice="give the workers more memory, or look into their logs",
        )
        failed.__cause__ = error
        return failed

    @contextmanager
    def explained(self) -> Iterator[None]:
        """Dask's failures as errors of ours."""
        try:
            yield
        except (CancelledError, OSError, RuntimeError) as error:
            # A client whose connection is lost has its futures cancelled, and refuses everything else.
            raise ClusterFailed(
                "the scheduler of the cluster is lost",
                where=self.address,
                advice="see that it runs, and run it again; what was finished is kept",
            ) from error


@dataclass(frozen=True, slots=True)
class _Input:
    """Stands among the arguments for the result of another task."""


def _perform(order: Sealed[tuple[Callable[..., Any], list[Any]]], *inputs: Sealed[Any]) -> Sealed[Any]:
    function, given = order.held
    results = iter(inputs)
    arguments = [next(results).held if isinstance(argument, _Input) else argument for argument in given]
    for argument in arguments:
        if isinstance(argument, _Refused):
            return Sealed(argument)
    try:
        return Sealed(function(*arguments))
    except MinerError as error:
        return Sealed(_Refused(error))


def this_worker() -> str:
    """The address of the worker that does what it was ordered to do."""
    from distributed import get_worker

    address: str = get_worker().address
    return address


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """The cluster whose scheduler listens at an address such as `tcp://10.0.0.1:8786`.

    Raises UsageError if Dask is not installed or that is no address, ClusterFailed if nobody answers there
    within seconds, there are no workers, or one has another version of the miner.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "work on a cluster needs Dask, which is not installed",
            advice=with_extra("cluster"),
        ) from error

    _quieten()
    parts = _ADDRESS.fullmatch(address)
    if parts is None:
        raise UsageError(
            f"{address!r} is no address of a scheduler", advice="write it like tcp://10.0.0.1:8786"
        )
    try:
        # Dask goes on trying where nobody listens, for it might be too early.
        socket.create_connection((parts["host"].strip("[]"), int(parts["port"])), CONNECT_S).close()
        client = Client(address, timeout=CONNECT_S, set_as_default=False, name="miner")
    except (OSError, OverflowError) as error:
        raise ClusterFailed(
            "no scheduler answers there",
            where=address,
            advice="start one with `dask scheduler`, and workers with `dask worker ADDRESS`",
        ) from error
    try:
        cluster = Cluster(client, address)
        _require_our_version(cluster)
        yield cluster
    finally:
        with suppress(OSError, TimeoutError):
            client.close(timeout=CONNECT_S)


def _quieten() -> None:
    """Keep Dask from logging lost connections, of which our own errors tell."""
    if logging.getLogger().getEffectiveLevel() > logging.DEBUG:
        for name in ("distributed.client", "distributed.core", "distributed.comm"):
            logging.getLogger(name).setLevel(logging.CRITICAL)


def _require_our_version(cluster: Cluster) -> None:
    workers = cluster.workers()
    if not workers:
        raise ClusterFailed(
            "the cluster has no workers",
            where=cluster.address,
            advice=f"start some with `dask worker {cluster.address}`",
        )
    ours = _our_version()
    for address, theirs in cluster.on_each(_our_version).items():
        if theirs != ours:
            raise ClusterFailed(
                f"the worker has version {theirs} of the miner, here it is {ours}",
                where=address,
                advice="install the same on all workers",
            )
    log.info("%d workers at %s", len(workers), cluster.address)


def _our_version() -> str:
    return VERSION


def _digest(file: Location) -> str | None:
    """SHA-256 of a short file; None: it cannot be read."""
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return None
