"""Reading by the workers of a cluster: the conversation of `workers`, with a worker for each lot.

    here                                  a worker
    lot                ->                 reads the text where it can, parses, decodes, computes keys
                       <-  Told           (counts of games and lines, signatures)
    Answer             ->                 (in the order of the lots) writes the two files
                       <-  Outcome

What was parsed stays on its worker between the two steps. If that dies, another one reads the lot again, to
the same end; and a file that is written twice is the same file.
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

import numpy as np

from miner.cluster import Cluster, ClusterTask, ClusterTasks
from miner.pgn.batches import Batch, Piece
from miner.pgn.ledger import Answer, BatchReader, Pending, Report
from miner.pgn.portions import Lot, Stretch, Whole, cut_lots, read_lot
from miner.pgn.sources import ReportBytes, Source
from miner.read.numbering import Numbering
from miner.read.workers import Job, Outcome, begins_source, write

_log = logging.getLogger(__name__)

_LOOK_S = 1.0


@dataclass(frozen=True, slots=True)
class _Parsed:
    """A lot that is read but not numbered yet."""

    batch: Batch  # without its texts
    pending: Pending
    told: _Told


@dataclass(frozen=True, slots=True)
class _Told:
    """What must be known of a lot before those after it can be numbered."""

    begins_source: list[bool]  # of each piece
    is_relative: bool  # it does not know where in the text it begins
    text_bytes: int
    report: Report


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
    lots = cut_lots(sources, _seen(sources, cluster), report)
    with cluster.cluster_tasks() as cluster_tasks:
        yield from _Reading(cluster_tasks, job, report, numbering or Numbering()).read(lots, cluster.ahead)


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
class _Lot:
    """A lot in the hands of the workers."""

    stored_bytes: int  # that its worker reads
    parsed: ClusterTask[_Parsed]
    about: str
    told: _Told | None = None


class _Reading:
    def __init__(
        self, cluster_tasks: ClusterTasks, job: Job, report: ReportBytes, numbering: Numbering
    ) -> None:
        self._cluster_tasks = cluster_tasks
        self._job = job
        self._report = report
        self._numbering = numbering
        self._lots: dict[int, _Lot] = {}
        self._asked: dict[ClusterTask[Any], int] = {}  # what is to be told of a lot, by its number
        self._writing: dict[ClusterTask[Any], int] = {}
        self._next = job.first_batch  # to be answered
        self._text_bytes = 0  # of the source so far

    def read(self, lots: Iterator[Lot], ahead: int) -> Iterator[Outcome]:
        numbered = enumerate(lots, start=self._job.first_batch)
        upcoming = next(numbered, None)
        while upcoming or self._lots:
            if upcoming and len(self._lots) < ahead:
                self._begin(*upcoming)
                upcoming = next(numbered, None)
                continue
            ended = self._cluster_tasks.finished(_LOOK_S)
            self._hear([cluster_task for cluster_task in ended if cluster_task in self._asked])
            yield from self._finish([cluster_task for cluster_task in ended if cluster_task in self._writing])

    def _begin(self, number: int, lot: Lot) -> None:
        about = lot[0].source if isinstance(lot[0], Piece) else str(lot[0])
        parsed = self._cluster_tasks.order(_parse, lot, self._job, about=about)
        stored = sum(one.stored_bytes for one in lot if isinstance(one, Stretch | Whole))
        self._lots[number] = _Lot(stored, parsed, about)
        self._asked[self._cluster_tasks.order(_tell, parsed, about=about, is_urgent=True)] = number

    def _hear(self, cluster_tasks: list[ClusterTask[Any]]) -> None:
        for cluster_task, told in zip(cluster_tasks, self._cluster_tasks.results(cluster_tasks), strict=True):
            self._lots[self._asked.pop(cluster_task)].told = told
            self._cluster_tasks.forget([cluster_task])
        while (lot := self._lots.get(self._next)) and lot.told:
            answer = self._numbering.answer(lot.told.begins_source, lot.told.report)
            if lot.told.begins_source[0]:
                self._text_bytes = 0
            first_byte = self._text_bytes if lot.told.is_relative else 0
            self._text_bytes += lot.told.text_bytes
            writing = self._cluster_tasks.order(
                _write, self._next, lot.parsed, answer, first_byte, self._job, about=lot.about, is_urgent=True
            )
            self._writing[writing] = self._next
            self._next += 1

    def _finish(self, cluster_tasks: list[ClusterTask[Any]]) -> Iterator[Outcome]:
        for cluster_task, outcome in zip(
            cluster_tasks, self._cluster_tasks.results(cluster_tasks), strict=True
        ):
            lot = self._lots.pop(self._writing.pop(cluster_task))
            self._cluster_tasks.forget([cluster_task, lot.parsed])
            self._report(lot.stored_bytes)
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


def _parse(lot: Lot, job: Job) -> _Parsed:
    batch = read_lot(lot)
    pending = _reader(job, get_ident()).read(batch)
    is_relative = isinstance(lot[0], Stretch) and lot[0].is_relative
    told = _Told(
        begins_source=[begins and not is_relative for begins in begins_source(batch)],
        is_relative=is_relative,
        text_bytes=sum(len(piece.text) for piece in batch),
        report=pending.report,
    )
    return _Parsed([replace(piece, text=b"") for piece in batch], pending, told)


def _tell(parsed: _Parsed) -> _Told:
    return parsed.told


def _write(number: int, parsed: _Parsed, answer: Answer, first_byte: int, job: Job) -> Outcome:
    columns = parsed.pending.columns
    shifted = {name: np.asarray(columns[name]) + first_byte for name in ("start_byte", "end_byte")}
    pending = replace(parsed.pending, columns={**columns, **shifted})
    return write(number, parsed.batch, pending, answer, job)
