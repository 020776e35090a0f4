"""The read stage: PGN sources in, the tables `games` and `moves` out."""

from __future__ import annotations

import logging
import os
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from miner.progress import Progress, Silent, Task
from miner.read.batches import cut_batches
from miner.read.decode import ReaderName, make_reader
from miner.read.sources import Source, check_readable, digest_of, find_sources
from miner.read.workers import Job, Outcome, read_batches
from miner.schema import LEDGER_STATES
from miner.settings import ReadSettings, as_dict
from miner.store import Manifest, Store

_log = logging.getLogger(__name__)


def read(
    sources: Sequence[str],
    store: Store,
    settings: ReadSettings,
    *,
    reader: ReaderName = "auto",
    processes: int | None = None,
    progress: Progress | None = None,
) -> Manifest:
    """Read games into the store's tables `games` and `moves`, and say what became of each in the ledger.

    Does nothing if the store was read from the same sources under the same settings. The tables are the same
    whichever reader decodes the moves and however many processes (default: one for each processor) share the
    work.

    Raises SourceError if a source is missing, unknown or unreadable from its very beginning, UsageError if a
    reader is asked for that is not installed, MinerError if a worker process dies.
    """
    found = find_sources(sources)
    make_reader(reader)
    inputs = digest_of(found)
    manifest = store.manifest("read")
    # Of standard input nobody can tell in advance whether it holds the same again.
    is_known = all(source.path is not None for source in found)
    if manifest and is_known and store.is_current("read", as_dict(settings), inputs):
        return manifest
    for source in found:
        check_readable(source)
    started = time.perf_counter()
    store.begin("read")
    job = Job(settings, store.salt, reader, _emptied(store.path("games")), _emptied(store.path("moves")))
    sizes = [source.size_bytes for source in found]
    total = sum(size for size in sizes if size is not None) if None not in sizes else None
    with (progress or Silent()).task("reading games", total=total, unit="B") as task:
        states, moves, skipped, digests = _read_all(
            found, job, processes or os.cpu_count() or 1, task, started
        )
    elapsed_s = time.perf_counter() - started
    games = states.total()
    manifest = Manifest(
        stage="read",
        settings=as_dict(settings),
        inputs=inputs,
        rows={"games": games, "moves": moves},
        facts={
            "ledger": {state: states[state] for state in LEDGER_STATES},
            "games": games,
            "skipped_texts": skipped,
            "seconds": round(elapsed_s, 3),
            "games_per_second": round(games / elapsed_s),
        },
        digests=digests,
    )
    _log.info("read %d games in %.1f s", games, elapsed_s)
    return store.finish(manifest)


def _emptied(folder: Path) -> Path:
    """The folder without what an earlier read, finished or not, left in it."""
    folder.mkdir(exist_ok=True)
    for file in folder.iterdir():
        file.unlink()
    return folder


def _read_all(
    sources: Sequence[Source], job: Job, processes: int, task: Task, started: float
) -> tuple[Counter[str], int, int, dict[str, str]]:
    """Games in each state, rows of moves, blocks of text between games, and the files' digests."""
    digests: dict[str, str] = {}
    states: Counter[str] = Counter()
    moves = skipped = 0
    outcome: Outcome
    for outcome in read_batches(cut_batches(sources, task.advance), job, processes):
        states += outcome.states
        moves += outcome.moves
        skipped += outcome.skipped
        digests |= outcome.digests
        task.facts(f"{states.total() / (time.perf_counter() - started):,.0f} games/s")
    return states, moves, skipped, digests
