"""Workers that read batches side by side, and the conversation with whoever reads one elsewhere.

    here                                a worker
    batch            ->                 parses, decodes, computes keys
                     <-  Report         (counts of games and lines, signatures)
    Answer           ->                 (in the order of the batches) writes the two files
                     <-  Outcome        (games in each state, rows)

What a batch's rows are depends on the batches before it only through the answer, so that the result is the
same whatever the number of workers. These are threads where the reader is compiled, since the core, numpy and
Arrow let each other run, and begin at once; the reference reader, which is Python, needs processes.
"""

from __future__ import annotations

import os
import signal
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor
from concurrent.futures import wait as wait_for
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import chain, islice
from multiprocessing.connection import Connection, wait
from typing import Any, Protocol

from miner.errors import MinerError
from miner.means import ReaderName
from miner.pgn.batches import Batch
from miner.pgn.ledger import BatchReader, Count, EarlierGames, Numbering, Pending, Report, count_states
from miner.pgn.readers import make_reader
from miner.processes import Worker, context_of, started
from miner.read.contents import write_batch
from miner.settings import ReadSettings
from miner.store.places import Location


@dataclass(frozen=True, slots=True)
class BatchJob:
    """How a worker reads all its batches, and where it writes."""

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
class BatchAccount:
    """The account of a batch whose files are written."""

    number: int  # of the batch
    first_game: int  # number in the store of its first game
    counts: Sequence[Count]  # of each piece
    states: Counter[str]  # games in each state of the ledger
    moves: int  # rows of moves
    digests: dict[str, str]  # SHA-256 of the two files, by their paths in the store


def read_batches(
    batches: Iterator[Batch], job: BatchJob, processes: int, numbering: Numbering
) -> Iterator[BatchAccount]:
    """Read and write all batches; an account of each, in no particular order.

    A single batch is read right here, since no process would be started sooner than it is done.
    Raises MinerError if a worker process dies.
    """
    numbered = enumerate(batches, start=job.first_batch)
    start = list(islice(numbered, 2))
    is_shared_out = len(start) == 2 and processes > 1
    reader = job.batch_reader()
    # Popped, so that no batch stays in memory once it is done.
    upcoming = chain((start.pop(0) for _ in range(len(start))), numbered)
    if is_shared_out and reader.is_compiled:
        with ThreadPoolExecutor(processes) as pool:
            try:
                yield from converse(_Threads(pool, processes, reader, job), upcoming, numbering)
            finally:
                pool.shutdown(cancel_futures=True)
        return
    # The workers' first steps, which are to import everything, take as long as a batch does.
    context = context_of([__name__]) if is_shared_out else None
    for_here = islice(upcoming, 1 if context else None)
    yield from (_read_batch(number, batch, reader, numbering, job) for number, batch in for_here)
    if context:
        with _workers(context, job, processes) as workers:
            yield from converse(_Processes(workers), upcoming, numbering)


def _read_batch(
    number: int, batch: Batch, reader: BatchReader, numbering: Numbering, job: BatchJob
) -> BatchAccount:
    pending = reader.read(batch)
    return write(number, pending, numbering.answer(pending.report), job)


def write(number: int, pending: Pending, answer: EarlierGames, job: BatchJob) -> BatchAccount:
    """Write the files of a batch that was read, to be settled."""
    rows = pending.rows(answer)
    return BatchAccount(
        number=number,
        first_game=answer.first_game,
        counts=pending.counts,
        states=count_states(rows.games),
        moves=rows.moves.num_rows,
        digests=write_batch(job.folder, number, rows, settled=False),
    )


class Readers(Protocol):
    """Those who read batches elsewhere, several at once, each in two steps."""

    def has_room(self) -> bool:
        """Whether one more batch can be begun."""

    def begin(self, number: int, given: Any) -> None:
        """Have a batch read, by its number."""

    def ended(self) -> Iterator[tuple[int, Report | BatchAccount]]:
        """Steps that have ended meanwhile, by the numbers of their batches; waits for some, not for ever."""

    def answer(self, number: int, answer: EarlierGames) -> None:
        """Have a batch that was reported on written."""


def converse(
    readers: Readers, batches: Iterator[tuple[int, Any]], numbering: Numbering
) -> Iterator[BatchAccount]:
    """Have numbered batches read, of which the reports are answered in their order."""
    reports: dict[int, Report] = {}
    open_batches = 0
    upcoming = next(batches, None)
    next_answered = upcoming[0] if upcoming else 0
    while upcoming or open_batches:
        if upcoming and readers.has_room():
            readers.begin(*upcoming)
            open_batches += 1
            upcoming = next(batches, None)
            continue
        for number, message in readers.ended():
            if isinstance(message, Report):
                reports[number] = message
            else:
                open_batches -= 1
                yield message
        while next_answered in reports:
            readers.answer(next_answered, numbering.answer(reports.pop(next_answered)))
            next_answered += 1


class _Threads:
    """Threads of this process, each of which reads one batch at a time."""

    def __init__(self, pool: ThreadPoolExecutor, threads: int, reader: BatchReader, job: BatchJob) -> None:
        self._pool, self._threads, self._reader, self._job = pool, threads, reader, job
        self._steps: dict[Future[Pending | BatchAccount], int] = {}  # that are being done, of which batch
        self._read: dict[int, Pending] = {}  # batches that wait for their answers

    def has_room(self) -> bool:
        return len(self._steps) + len(self._read) < self._threads

    def begin(self, number: int, given: Batch) -> None:
        self._steps[self._pool.submit(self._reader.read, given)] = number

    def ended(self) -> Iterator[tuple[int, Report | BatchAccount]]:
        for step in wait_for(self._steps, return_when=FIRST_COMPLETED).done:
            number, result = self._steps.pop(step), step.result()
            if isinstance(result, Pending):
                self._read[number] = result
                yield number, result.report
            else:
                yield number, result

    def answer(self, number: int, answer: EarlierGames) -> None:
        self._steps[self._pool.submit(write, number, self._read.pop(number), answer, self._job)] = number


class _Worker(Worker):
    __slots__ = ()

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
            f"a worker process {how}", advice="run it again; if memory is short, use fewer processes"
        )


class _Processes:
    """Worker processes on this machine, each of which reads one batch at a time."""

    def __init__(self, workers: Sequence[_Worker]) -> None:
        self._idle = list(workers)
        self._busy: dict[int, _Worker] = {}  # by the batch they work on

    def has_room(self) -> bool:
        return bool(self._idle)

    def begin(self, number: int, given: Batch) -> None:
        worker = self._busy[number] = self._idle.pop()
        # The texts by themselves, since pickling would copy them.
        worker.send((number, [replace(piece, text=b"") for piece in given]))
        for piece in given:
            worker.send(piece.text)

    def ended(self) -> Iterator[tuple[int, Report | BatchAccount]]:
        ready = wait([worker.connection for worker in self._busy.values()])
        for number, worker in list(self._busy.items()):
            if worker.connection in ready:
                message = worker.receive()
                if isinstance(message, BatchAccount):
                    self._idle.append(self._busy.pop(number))
                yield number, message

    def answer(self, number: int, answer: EarlierGames) -> None:
        self._busy[number].send(answer)


@contextmanager
def _workers(context: Any, job: BatchJob, processes: int) -> Iterator[list[_Worker]]:
    # A server of processes has the environment of its own beginning, perhaps without today's keys.
    with started(context, _work, (job, dict(os.environ)), processes) as begun:
        workers = [_Worker(worker.process, worker.connection) for worker in begun]
        yield workers
        for worker in workers:
            worker.send(None)
            worker.process.join()


def _work(connection: Connection, job: BatchJob, environment: dict[str, str]) -> None:
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


def _work_on_batch(connection: Connection, reader: BatchReader, job: BatchJob) -> bool:
    """Whether there was another batch."""
    message = connection.recv()
    if message is None:
        return False
    number, textless = message
    pending = reader.read([replace(piece, text=connection.recv_bytes()) for piece in textless])
    connection.send(pending.report)
    connection.send(write(number, pending, connection.recv(), job))
    return True
