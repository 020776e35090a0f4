"""The stages in order; what is up to date is skipped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from miner.cluster import Cluster
from miner.export.formats import export
from miner.follow.stage import follow
from miner.judge.stage import judge
from miner.pgn.decode import ReaderName
from miner.pgn.sources import check_sources
from miner.progress import Progress
from miner.rank.stage import check_thresholds, rank
from miner.read.stage import read
from miner.settings import Settings, as_dict
from miner.store import STAGES, Manifest, Store
from miner.tally.replies import Resources
from miner.tally.stage import DEFAULT_RESOURCES, tally

__all__ = [
    "Machinery",
    "StageDone",
    "check",
    "check_sources",
    "export",
    "follow",
    "judge",
    "rank",
    "read",
    "run",
    "tally",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Machinery:
    """What a run works with; changes no result but by the engine."""

    engine: Path
    cache: Path
    engines: int | None = None  # None: one per core
    reader: ReaderName = "auto"
    processes: int | None = None  # None: one per core
    resources: Resources = DEFAULT_RESOURCES
    cluster: Cluster | None = None  # whose workers do the work; None: this machine does


@dataclass(frozen=True, slots=True)
class StageDone:
    """A stage that is finished."""

    manifest: Manifest
    was_current: bool  # nothing had changed, so nothing was done


def check(sources: Sequence[str], settings: Settings) -> None:
    """What can be told of a run before there is a store: looks into the sources, and at the bands.

    Raises SourceError for a source that is missing or unreadable, UsageError for a band that the tally will
    not have.
    """
    _check_settings(settings)
    check_sources(sources)


def _check_settings(settings: Settings) -> None:
    settings.tally.bands.require(settings.rank.bands)
    check_thresholds(settings.rank, as_dict(settings.judge))


def run(
    sources: Sequence[str], store: Store, settings: Settings, machinery: Machinery, *, progress: Progress
) -> Iterator[StageDone]:
    """Read, tally, judge, follow and rank; tells of each stage as soon as it is done.

    Raises what the stages raise, and at once UsageError for a band that the tally will not have. What they
    have finished by then is kept.
    """
    _check_settings(settings)
    with store.writing():
        yield from _run(sources, store, settings, machinery, progress)


def _run(
    sources: Sequence[str], store: Store, settings: Settings, machinery: Machinery, progress: Progress
) -> Iterator[StageDone]:
    before = {stage: store.manifest(stage) for stage in STAGES}

    def done(manifest: Manifest) -> StageDone:
        return StageDone(manifest, manifest == before[manifest.stage])

    yield done(
        read(
            sources,
            store,
            settings.read,
            reader=machinery.reader,
            processes=machinery.processes,
            progress=progress,
            cluster=machinery.cluster,
        )
    )
    for stage in STAGES[1:]:
        yield done(run_later(stage, store, settings, machinery, progress=progress))


def run_later(
    stage: str, store: Store, settings: Settings, machinery: Machinery, *, progress: Progress
) -> Manifest:
    """Run one of the stages after `read`. Raises what it raises."""
    cluster = machinery.cluster
    match stage:
        case "tally":
            return tally(
                store, settings.tally, resources=machinery.resources, progress=progress, cluster=cluster
            )
        case "judge":
            return judge(
                store,
                settings.judge,
                engine=machinery.engine,
                engines=machinery.engines,
                cache=machinery.cache,
                progress=progress,
                cluster=cluster,
            )
        case "follow":
            return follow(
                store,
                settings.follow,
                engine=machinery.engine,
                engines=machinery.engines,
                cache=machinery.cache,
                progress=progress,
                cluster=cluster,
            )
    return rank(store, settings.rank, progress=progress)
