"""Reading by the workers of a cluster: the conversation of `workers`, with a worker for each portion.

    here                                  a worker
    portion            ->                 reads the text where it can, parses, decodes, computes keys
                       <-  Report         (counts of games and lines, signatures)
    Answer             ->                 (in the order of the portions) writes the two files
                       <-  Outcome

What was parsed stays on its worker between the two steps. If that dies, another one reads the portion again,
to the same end; and a file that is written twice is the same file.
"""

from __future__ import annotations

import logging
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from threading import get_ident
from typing import Any

from miner.cluster import Cluster, ClusterTask, ClusterTasks
from miner.pgn.batches import Piece
from miner.pgn.ledger import BatchReader, Pending
from miner.pgn.numbering import Numbering, Report
from miner.pgn.portions import Portion, cut_portions, read_portion
from miner.pgn.sources import ReportBytes, Source
from miner.read.workers import Job, Outcome, write

_log = logging.getLogger(__name__)

_LOOK_S = 1.0


def read_on_cluster(
    sources: Sequence[Source],
    job: Job,
    cluster: Cluster,
    report: ReportBytes,
    numbering: Numbering | None = None,
) -> Iterator[Outcome]:
    """Read and write the games of all sources; what became of each batch, in no particular order.

    `numbering`: of the games before them; None: there are none. The store's folder must be one that all
    workers see. So should the sources be: those that are not are read here.
    Raises SourceError for a source that cannot be read, ClusterFailed.
    """
    job = replace(job, folder=job.folder.resolve())
    portions = cut_portions(sources, _seen(sources, cluster), report)
    with cluster.cluster_tasks() as cluster_tasks:
        reading = _Reading(cluster_tasks, job, report, numbering or Numbering())
        yield from reading.read(portions, cluster.ahead)


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


@dataclass(slots=True)
class _InHand:
    """A portion that a worker reads or has read."""

    stored_bytes: int  # that its worker reads
    parsed: ClusterTask[Pending]
    about: str
    report: Report | None = None


class _Reading:
    def __init__(
        self, cluster_tasks: ClusterTasks, job: Job, report: ReportBytes, numbering: Numbering
    ) -> None:
        self._cluster_tasks = cluster_tasks
        self._job = job
        self._report = report
        self._numbering = numbering
        self._in_hand: dict[int, _InHand] = {}  # by the batch's number
        self._reporting: dict[ClusterTask[Any], int] = {}
        self._writing: dict[ClusterTask[Any], int] = {}
        self._next = job.first_batch  # to be answered

    def read(self, portions: Iterator[Portion], ahead: int) -> Iterator[Outcome]:
        numbered = enumerate(portions, start=self._job.first_batch)
        upcoming = next(numbered, None)
        while upcoming or self._in_hand:
            if upcoming and len(self._in_hand) < ahead:
                self._begin(*upcoming)
                upcoming = next(numbered, None)
                continue
            ended = self._cluster_tasks.finished(_LOOK_S)
            self._answer([task for task in ended if task in self._reporting])
            yield from self._finish([task for task in ended if task in self._writing])

    def _begin(self, number: int, portion: Portion) -> None:
        first = portion[0]
        about = first.name if isinstance(first, Piece) else str(first)
        parsed = self._cluster_tasks.order(_parse, portion, self._job, about=about)
        stored = sum(part.stored_bytes for part in portion if not isinstance(part, Piece))
        self._in_hand[number] = _InHand(stored, parsed, about)
        self._reporting[self._cluster_tasks.order(_tell, parsed, about=about, is_urgent=True)] = number

    def _answer(self, tasks: list[ClusterTask[Any]]) -> None:
        for task, report in zip(tasks, self._cluster_tasks.results(tasks), strict=True):
            self._in_hand[self._reporting.pop(task)].report = report
            self._cluster_tasks.forget([task])
        while (portion := self._in_hand.get(self._next)) and portion.report:
            answer = self._numbering.answer(portion.report)
            writing = self._cluster_tasks.order(
                write, self._next, portion.parsed, answer, self._job, about=portion.about, is_urgent=True
            )
            self._writing[writing] = self._next
            self._next += 1

    def _finish(self, tasks: list[ClusterTask[Any]]) -> Iterator[Outcome]:
        for task, outcome in zip(tasks, self._cluster_tasks.results(tasks), strict=True):
            portion = self._in_hand.pop(self._writing.pop(task))
            self._cluster_tasks.forget([task, portion.parsed])
            self._report(portion.stored_bytes)
            yield outcome


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
def _reader(job: Job, thread: int) -> BatchReader:  # noqa: ARG001 - each thread has its own
    return job.batch_reader()


def _parse(portion: Portion, job: Job) -> Pending:
    return _reader(job, get_ident()).read(read_portion(portion))


def _tell(parsed: Pending) -> Report:
    return parsed.report
