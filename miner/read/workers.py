"""Worker processes that read batches, and the one conversation each has with the parent over a batch.

    parent                              worker
    batch            ->                 parses, decodes, computes keys
                     <-  Report         (counts of games and lines, signatures)
    Answer           ->                 (in the order of the batches) writes the two files
                     <-  Outcome        (games in each state, rows)

What a batch's rows are depends on the batches before it only through the answer, so that the result is the
same whatever the number of processes.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import chain, islice
from multiprocessing import forkserver
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import ModuleType
from typing import Any

from miner.errors import MinerError
from miner.means import ReaderName
from miner.pgn.batches import Batch
from miner.pgn.decode import make_reader
from miner.pgn.ledger import (
    Answer,
    BatchReader,
    Count,
    Pending,
    Report,
    count_states,
    ledger_table,
    moves_table,
)
from miner.read.contents import write_batch
from miner.read.numbering import Numbering
from miner.settings import ReadSettings
from miner.store.places import Location


@dataclass(frozen=True, slots=True)
class Job:
    """What a worker must know before its first batch."""

    settings: ReadSettings
    salt: bytes
    reader: ReaderName
    folder: Location  # whose folders `games` and `moves` the files go to
    first_batch: int = 0  # number of the first file
    forgotten: frozenset[int] = frozenset()  # identities of players whose games are not to be known

    def batch_reader(self) -> BatchReader:
        """A reader of batches for this job."""
        return BatchReader(self.settings, self.salt, make_reader(self.reader), self.forgotten)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a batch."""

    number: int  # of the batch
    first_game: int  # number in the store of its first game
    pieces: list[tuple[int, Count]]  # of each piece: which of the sources it is of, and what it holds
    states: Counter[str]  # games in each state of the ledger
    moves: int  # rows of moves
    digests: dict[str, str]  # SHA-256 of the two files, by their paths in the store


def read_batches(
    batches: Iterator[Batch], job: Job, processes: int, numbering: Numbering | None = None
) -> Iterator[Outcome]:
    """Read and write all batches; what became of each, in no particular order.

    `numbering`: of the games before them; None: there are none.

    A single batch is read in this process, since no other would be started sooner than it is done.

    Raises MinerError if a worker dies.
    """
    start = list(islice(batches, 2))
    is_small = len(start) < 2
    # Popped, so that no batch stays in memory once it is done.
    everything = chain((start.pop(0) for _ in range(len(start))), batches)
    numbered = enumerate(everything, start=job.first_batch)
    if is_small or processes == 1:
        yield from _read_here(numbered, job, numbering or Numbering())
    else:
        yield from _read_in_workers(numbered, job, processes, numbering or Numbering())


def _read_here(batches: Iterator[tuple[int, Batch]], job: Job, numbering: Numbering) -> Iterator[Outcome]:
    reader = job.batch_reader()
    for number, batch in batches:
        yield _read_batch(number, batch, reader, numbering, job)


def _read_batch(number: int, batch: Batch, reader: BatchReader, numbering: Numbering, job: Job) -> Outcome:
    pending = reader.read(batch)
    answer = numbering.answer(begins_source(batch), pending.report)
    return write(number, batch, pending, answer, job)


def begins_source(batch: Batch) -> list[bool]:
    """Whether each piece is the beginning of its source."""
    return [piece.first_byte == 0 for piece in batch]


def write(number: int, batch: Batch, pending: Pending, answer: Answer, job: Job) -> Outcome:
    """Write the files of a batch that was read, to be settled; its texts are not needed any more."""
    ledger = ledger_table(pending, answer)
    moves = moves_table(pending, answer)
    return Outcome(
        number=number,
        first_game=answer.first_game,
        pieces=[(piece.origin, count) for piece, count in zip(batch, pending.counts, strict=True)],
        states=count_states(ledger),
        moves=moves.num_rows,
        digests=write_batch(job.folder, number, ledger, moves, settled=False),
    )


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    connection: Connection
    number: int = 0  # of the batch it works on
    begins_source: Sequence[bool] = ()
    report: Report | None = None  # not answered yet

    def work_on(self, number: int, batch: Batch) -> None:
        """Send a batch; the texts by themselves, since pickling would copy them."""
        self.number, self.begins_source = number, begins_source(batch)
        self.send((number, [replace(piece, text=b"") for piece in batch]))
        for piece in batch:
            self.send(piece.text)

    def send(self, message: Any) -> None:
        try:
            if isinstance(message, bytes):
                self.connection.send_bytes(message)
            else:
                self.connection.send(message)
        except OSError as error:
            raise self._died() from error

    def receive(self) -> Any:
        try:
            message = self.connection.recv()
        except (EOFError, OSError) as error:
            raise self._died() from error
        if isinstance(message, Exception):
            raise message
        return message

    def _died(self) -> MinerError:
        self.process.join(timeout=5)
        code = self.process.exitcode
        how = f"was killed by signal {-code}" if code is not None and code < 0 else f"ended with code {code}"
        return MinerError(
            f"a worker process {how}",
            advice="run it again; if memory is short, use fewer processes",
        )


def _read_in_workers(
    batches: Iterator[tuple[int, Batch]], job: Job, processes: int, numbering: Numbering
) -> Iterator[Outcome]:
    context = _context()
    # The workers' first steps, which are to import everything, take as long as a batch does.
    number, batch = next(batches)
    yield _read_batch(number, batch, job.batch_reader(), numbering, job)
    next_answered = number + 1
    del batch
    with _workers(context, job, processes) as idle:
        busy: dict[int, _Worker] = {}  # by the batch they work on
        upcoming = next(batches, None)
        while upcoming or busy:
            if upcoming and idle:
                number, batch = upcoming
                worker = busy[number] = idle.pop()
                worker.work_on(number, batch)
                del batch
                upcoming = next(batches, None)
                continue
            ready = wait([worker.connection for worker in busy.values()])
            for worker in [one for one in busy.values() if one.connection in ready]:
                message = worker.receive()
                if isinstance(message, Report):
                    worker.report = message
                else:
                    idle.append(busy.pop(worker.number))
                    yield message
            while next_answered in busy and (report := busy[next_answered].report) is not None:
                worker = busy[next_answered]
                worker.report = None
                worker.send(numbering.answer(worker.begins_source, report))
                next_answered += 1


def _context() -> Any:
    """How processes are started: from one that has imported everything already, where the system can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    forkserver.ensure_running()
    return context


@contextmanager
def _main_hidden() -> Iterator[None]:
    """Keep new processes from importing the program that runs here: all of a command line, for nothing.

    They need this module alone. And a notebook or a script on standard input has no file to import.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


@contextmanager
def _workers(context: Any, job: Job, processes: int) -> Iterator[list[_Worker]]:
    workers: list[_Worker] = []
    try:
        for _ in range(processes):
            ours, theirs = context.Pipe()
            # A server of processes has the environment of its own beginning, perhaps without today's keys.
            process = context.Process(target=_work, args=(theirs, job, dict(os.environ)), daemon=True)
            with _main_hidden():
                process.start()
            theirs.close()
            workers.append(_Worker(process, ours))
        yield list(workers)
        for worker in workers:
            worker.send(None)
            worker.process.join()
    finally:
        for worker in workers:
            worker.connection.close()
            worker.process.kill()
            worker.process.join()
            worker.process.close()


def _work_on_batch(connection: Connection, reader: BatchReader, job: Job) -> bool:
    """Whether there was another batch."""
    message = connection.recv()
    if message is None:
        return False
    number, textless = message
    pending = reader.read([replace(piece, text=connection.recv_bytes()) for piece in textless])
    connection.send(pending.report)
    connection.send(write(number, textless, pending, connection.recv(), job))
    return True


def _work(connection: Connection, job: Job, environment: dict[str, str]) -> None:
    os.environ.update(environment)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends its workers
    reader = job.batch_reader()
    try:
        while _work_on_batch(connection, reader, job):
            # Nothing of a batch stays in memory while the next one arrives.
            pass
    except (EOFError, ConnectionError):  # the parent is gone
        return
    except Exception as error:
        connection.send(error)
        raise
