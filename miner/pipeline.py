"""The stages in order; what is up to date is skipped."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

from miner.engine.dispatch import speed_of
from miner.errors import UsageError
from miner.export.formats import export
from miner.follow.stage import follow
from miner.judge.stage import judge
from miner.means import USUAL, Means
from miner.pgn.sources import check_sources
from miner.rank.stage import check_thresholds, rank
from miner.read.stage import read
from miner.scan.stage import NODES_OF_GAME, SCANS_AT, scan
from miner.settings import Settings, as_dict
from miner.store import STAGES, Manifest, Store
from miner.tally.stage import tally

__all__ = [
    "Means",
    "StageDone",
    "check",
    "check_sources",
    "expected_minutes",
    "export",
    "follow",
    "judge",
    "rank",
    "read",
    "run",
    "scan",
    "tally",
]

_LATER: dict[str, Callable[[Store, Any, Means], Manifest]] = {
    "tally": tally,
    "judge": judge,
    "scan": scan,
    "follow": follow,
    "rank": rank,
}


@dataclass(frozen=True, slots=True)
class StageDone:
    """A stage that is finished."""

    manifest: Manifest
    was_current: bool  # nothing had changed, so nothing was done


OnDone = Callable[[StageDone], None]
"""What is told of a finished stage."""


def check(sources: Sequence[str], settings: Settings) -> None:
    """Check all that can be checked of a run before there is a store: the sources, and the bands.

    Raises SourceError for a source that is missing or unreadable, UsageError for a band that the tally will
    not have, and for settings of one stage alone.
    """
    _check_settings(settings)
    check_sources(sources)


def expected_minutes(settings: Settings, means: Means = USUAL) -> tuple[int, int] | None:
    """Minutes that judging and scanning take at the most, on this machine; None: nobody knows.

    That is without a limit of one of them, or on a cluster. By one short search, and as if nothing were in
    the cache yet.
    Raises EngineNotFound or EngineFailed if there is no engine to be had.
    """
    judging, scanning = settings.judge.nodes_in_all, settings.scan.games * NODES_OF_GAME
    if means.cluster is not None or not judging or not scanning:
        return None
    speed = (means.engines or os.cpu_count() or 1) * speed_of(means, settings.scan.hash_mb)
    return math.ceil(judging / speed / 60), math.ceil(scanning / SCANS_AT / speed / 60)


def _check_settings(settings: Settings) -> None:
    if not isinstance(settings, Settings):  # a notebook's cell has no type checker
        given = type(settings).__name__
        stages = [one.name for one in fields(Settings) if one.default_factory is type(settings)]
        example = f"Settings({stages[0]}={given}(...))" if stages else "Settings(rank=RankSettings(...))"
        raise UsageError(f"settings of all stages are wanted, not {given}", advice=f"write {example}")
    settings.tally.bands.require(settings.rank.bands)
    check_thresholds(settings.rank, as_dict(settings.judge))


def run(
    sources: Sequence[str],
    store: Store,
    settings: Settings | None = None,
    means: Means = USUAL,
    *,
    on_done: OnDone | None = None,
) -> list[StageDone]:
    """Read, tally, judge, scan, follow and rank; `on_done` is told of each stage as soon as it is done.

    Raises what the stages raise, and at once UsageError for a band that the tally will not have. What they
    have finished by then is kept.
    """
    settings = settings or Settings()
    _check_settings(settings)
    done = []

    def tell(manifest: Manifest, before: Manifest | None) -> None:
        done.append(StageDone(manifest, manifest == before))
        if on_done:
            on_done(done[-1])

    with store.writing():
        before = {stage: store.manifest(stage) for stage in STAGES}
        later = {stage: as_dict(getattr(settings, stage)) for stage in _LATER}
        if before["read"] is None:  # else a run that fails at once would change what is to be made again
            store.begin(later)
        read_now = read(sources, store, settings.read, means)
        store.begin(later)
        tell(read_now, before["read"])
        for stage in _LATER:
            tell(run_later(stage, store, settings, means), before[stage])
    return done


def run_later(stage: str, store: Store, settings: Settings, means: Means) -> Manifest:
    """Run one of the stages after `read`. Raises what it raises."""
    return _LATER[stage](store, getattr(settings, stage), means)
