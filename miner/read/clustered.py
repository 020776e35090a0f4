"""Reading by the workers of a cluster, who hold the conversation of `workers` over portions of sources.

What was parsed stays on its worker between the two steps. If that dies, another one reads the portion again,
to the same end; and a file that is written twice is the same file.
"""

from __future__ import annotations

import logging
import stat
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from threading import get_ident
from typing import Any

from miner.cluster import Cluster, ClusterTask, ClusterTasks
from miner.pgn.batches import Piece, Portion, cut_portions, read_portion
from miner.pgn.ledger import BatchReader, EarlierGames, Numbering, Pending, Report
from miner.pgn.sources import ReportBytes, Source
from miner.read.workers import BatchAccount, BatchJob, converse, write

_log = logging.getLogger(__name__)

_LOOK_S = 1.0


def read_on_cluster(
    sources: Sequence[Source], job: BatchJob, cluster: Cluster, report: ReportBytes, numbering: Numbering
) -> Iterator[BatchAccount]:
    """Read and write the games of all sources; an account of each batch, in no particular order.

    The store's folder must be one that all workers see. Sources that they do not see are read here.
    Raises SourceError for a source that cannot be read, ClusterFailed.
    """
    job = replace(job, folder=job.folder.resolve())
    portions = enumerate(cut_portions(sources, _seen(sources, cluster), report), start=job.first_batch)
    with cluster.cluster_tasks() as tasks:
        readers = _ClusterReaders(tasks, job, report, cluster.ahead)
        yield from converse(readers, portions, numbering)


def _seen(sources: Sequence[Source], cluster: Cluster) -> set[Source]:
    """The sources that all workers see as they are here."""
    files = [source.path.resolve() for source in sources if source.path]
    here = _looks(files)
    common = [
        set(zip(files, there, strict=True))
        for there in cluster.on_each(_looks, files).values()
        if isinstance(there, list)
    ]
    seen = {file for file, _ in set(zip(files, here, strict=True)).intersection(*common)}
    for source in sources:
        if source.path and source.path.resolve() not in seen:
            _log.warning("%s is not seen by all workers as it is here; it is read here", source.name)
    return {source for source in sources if source.path and source.path.resolve() in seen}


class _ClusterReaders:
    """The workers of a cluster, for as many portions at once as keep them busy."""

    def __init__(self, tasks: ClusterTasks, job: BatchJob, report: ReportBytes, ahead: int) -> None:
        self._tasks = tasks
        self._job = job
        self._report = report
        self._ahead = ahead
        self._portions: dict[int, tuple[ClusterTask[Pending], int]] = {}  # and the stored bytes to be read
        self._numbers: dict[ClusterTask[Any], int] = {}  # of the tasks that somebody waits for

    def has_room(self) -> bool:
        return len(self._portions) < self._ahead

    def begin(self, number: int, given: Portion) -> None:
        about = given[0].name if isinstance(given[0], Piece) else str(given[0])
        parsed = self._tasks.order(_parse, given, self._job, about=about)
        stored = sum(part.stored_bytes for part in given if not isinstance(part, Piece))
        self._portions[number] = parsed, stored
        self._numbers[self._tasks.order(_report_of, parsed, about=about, is_urgent=True)] = number

    def ended(self) -> Iterator[tuple[int, Report | BatchAccount]]:
        ended = [task for task in self._tasks.finished(_LOOK_S) if task in self._numbers]
        for task, message in zip(ended, self._tasks.results(ended), strict=True):
            number = self._numbers.pop(task)
            self._tasks.forget([task])
            if isinstance(message, BatchAccount):
                parsed, stored = self._portions.pop(number)
                self._tasks.forget([parsed])
                self._report(stored)
            yield number, message

    def answer(self, number: int, answer: EarlierGames) -> None:
        parsed, _ = self._portions[number]
        writing = self._tasks.order(
            write, number, parsed, answer, self._job, about=parsed.about, is_urgent=True
        )
        self._numbers[writing] = number


# What follows is done by workers.


def _looks(files: list[Path]) -> list[tuple[int, int] | None]:
    """Size and time of change in microseconds of files; None: it is not there, or may not be looked at."""
    return [_look(file) for file in files]


def _look(file: Path) -> tuple[int, int] | None:
    # The size alone would take an older copy for the file, of which perhaps one result was put right.
    try:
        found = file.stat()
    except OSError:
        return None
    return (found.st_size, found.st_mtime_ns // 1000) if stat.S_ISREG(found.st_mode) else None


@lru_cache(maxsize=32)
def _reader(job: BatchJob, thread: int) -> BatchReader:  # noqa: ARG001 - each thread has its own
    return job.batch_reader()


def _parse(portion: Portion, job: BatchJob) -> Pending:
    return _reader(job, get_ident()).read(read_portion(portion))


def _report_of(parsed: Pending) -> Report:
    return parsed.report
