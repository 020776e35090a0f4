"""Processes of this machine: how they begin and end, and a pure function on many values by several."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import forkserver
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import ModuleType
from typing import Any, TypeVar

from miner.errors import MinerError

Given = TypeVar("Given")
Made = TypeVar("Made")

AT_ONCE = 16
"""Values that a process is given at once."""
FEW = 4 * AT_ONCE
"""Values up to which no process is worth its start."""


def mapped(
    function: Callable[[Given], Made],
    values: Sequence[Given],
    processes: int | None = None,
    on_done: Callable[[int], None] = lambda _count: None,
) -> list[Made]:
    """The function of each value, in their order; `on_done` is told of so many more that are done.

    `processes`: None: one per core. Function and values must be such as can be pickled. Few values are worked
    on by this process.
    Raises what the function raises, and MinerError if a process dies.
    """
    processes = processes or os.cpu_count() or 1
    if processes < 2 or len(values) <= FEW:
        made = []
        for value in values:
            made.append(function(value))
            on_done(1)
        return made
    by_start: dict[int, list[Made]] = {}
    with started(context_of(), _work, (function,), processes) as workers:
        for start, some in _worked_off(workers, values):
            by_start[start] = some
            on_done(len(some))
    return [one for _, some in sorted(by_start.items()) for one in some]


@dataclass(frozen=True, slots=True)
class Worker:
    """A process, and the line to it."""

    process: BaseProcess
    connection: Connection


def _worked_off(workers: list[Worker], values: Sequence[Any]) -> Iterator[tuple[int, list[Any]]]:
    """What the workers make of some values at a time, and the place of the first of these."""
    starts = iter(range(0, len(values), AT_ONCE))
    at_work: dict[object, Worker] = {}

    def give(worker: Worker) -> None:
        if (start := next(starts, None)) is not None:
            worker.connection.send((start, values[start : start + AT_ONCE]))
            at_work[worker.connection] = worker

    try:
        for worker in workers:
            give(worker)
        while at_work:
            for connection in wait([worker.connection for worker in at_work.values()]):
                worker = at_work.pop(connection)
                start, made = worker.connection.recv()
                if isinstance(made, Exception):
                    raise made
                give(worker)
                yield start, made
    except (EOFError, OSError) as error:
        raise MinerError(
            "a worker process has died", advice="run it again; if memory is short, close other programs"
        ) from error


def context_of(preloaded: Sequence[str] = ()) -> Any:
    """How processes are started: from one that has imported these modules already, where the system can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    if preloaded:
        context.set_forkserver_preload(list(preloaded))
        forkserver.ensure_running()
    return context


@contextmanager
def started(
    context: Any, target: Callable[..., None], arguments: tuple[Any, ...], count: int
) -> Iterator[list[Worker]]:
    """So many processes that run `target`, given its end of the line and the arguments; killed in the end."""
    workers: list[Worker] = []
    try:
        for _ in range(count):
            ours, theirs = context.Pipe()
            process = context.Process(target=target, args=(theirs, *arguments), daemon=True)
            with _main_hidden():
                process.start()
            theirs.close()
            workers.append(Worker(process, ours))
        yield workers
    finally:
        for worker in workers:
            worker.connection.close()
            worker.process.kill()
            worker.process.join()
            worker.process.close()


def apart() -> dict[str, Any]:
    """How a program is started that Ctrl-C in the terminal does not reach: who starts it ends it, too."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


@contextmanager
def _main_hidden() -> Iterator[None]:
    """Keep new processes from importing the program that runs here: all of a command line, for nothing.

    They need the module of their target alone. And a notebook or a script on standard input has no file to
    import.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


def _work(connection: Connection, function: Callable[[Any], Any]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends its workers
    with suppress(EOFError, OSError):  # the parent is gone
        while True:
            start, values = connection.recv()
            try:
                made: Any = [function(value) for value in values]
            except Exception as error:  # noqa: BLE001 - passed on, whatever it is
                made = error
            connection.send((start, made))
