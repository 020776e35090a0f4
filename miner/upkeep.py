"""Keeping a store in order: later stages made again, files looked over and put right."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import replace

from miner import pipeline
from miner.engine.identity import find_engine
from miner.errors import StoreError
from miner.means import USUAL, Means
from miner.pipeline import OnDone, StageDone
from miner.read.contents import Contents, Forgotten, number_of
from miner.read.mend import mend
from miner.read.removal import forget, remove
from miner.read.stage import add
from miner.settings import settings_of
from miner.store import FOLDERS, STAGES, DamagedManifest, Fault, Store
from miner.store.numbers import PupilNumbers

__all__ = ["add", "check", "forget", "remake", "remove", "repair"]

_NOT_TO_BE_MADE_AGAIN = {
    "salt": "put it back from a copy of this store; without it no player is known again",
    "pupils": "put it back from a copy; or delete it: pupils then get new numbers",
    "forgotten": "put it back from a copy; or forget the players again: without the list their games come "
    "back with the next `miner read` of all sources",
}
"""Files that nothing makes again, with the advice for each."""


def remake(
    store: Store, stages: Collection[str] = STAGES, means: Means = USUAL, *, on_done: OnDone | None = None
) -> list[StageDone]:
    """Run those of the later stages that are named, in order; what is up to date is skipped.

    Each runs under the settings that it was begun with last, one that never was under the usual ones.
    Raises StoreError if no games were read yet, and what the stages raise.
    """
    store.require("read")
    done = []
    with store.writing():
        settings = settings_of(store.settings())
        for stage in STAGES[1:]:
            if stage in stages:
                before = store.manifest(stage)
                manifest = pipeline.run_later(stage, store, settings, means)
                done.append(StageDone(manifest, manifest == before))
                if on_done:
                    on_done(done[-1])
    return done


def check(store: Store) -> list[Fault]:
    """All that is not as the stages left it; reads every file. Raises StoreError if a run is at work."""
    with store.resting():
        return (
            store.faults()
            + _unreadable("salt", lambda: store.salt)
            + _list_of_forgotten(store)
            + _unreadable("pupils", lambda: PupilNumbers.of(store))
        )


def _unreadable(name: str, read: Callable[[], object]) -> list[Fault]:
    """A fault if what a file of the store tells cannot be had."""
    try:
        read()
    except DamagedManifest:  # told already
        return []
    except StoreError as error:
        return [Fault(name, error.what, "read")]
    return []


def _list_of_forgotten(store: Store) -> list[Fault]:
    try:
        manifest = store.manifest("read")
        if manifest is None or Forgotten.of(store).digest == Contents.of(store, manifest).forgotten:
            return []
    except DamagedManifest:  # told already
        return []
    except StoreError as error:
        return [Fault("forgotten", error.what, "read")]
    return [Fault("forgotten", "not the list that was applied", "read")]


def repair(store: Store, means: Means = USUAL, *, on_done: Callable[[str], None] | None = None) -> list[str]:
    """Put right what `check` finds; gives a line on each thing that was done, as `on_done` is told at once.

    Files of games are made again from their sources, later tables and manifests by running their stages again
    under their settings.

    Raises StoreError where something is lost for good: the manifest of the games, the salt, or the list of
    forgotten players; SourceError if a source is missing or changed; and what the stages raise.
    """
    lines = []
    for line in _repaired(store, means):
        lines.append(line)
        if on_done:
            on_done(line)
    return lines


def _repaired(store: Store, means: Means) -> Iterator[str]:
    with store.writing():
        faults = check(store)
        _check_manifest_of_games(store)
        damaged = [fault for fault in faults if not fault.is_stray]
        for fault in damaged:
            _check_reparable(store, fault)
        for fault in faults:
            if fault.is_stray:
                (store.root / fault.name).unlink()
                yield f"{fault.name}: deleted, since no stage knows of it"
        yield from _mend_games(store, damaged, means)
        yield from _mend_later(store, damaged, means)


def _check_manifest_of_games(store: Store) -> None:
    """Raises StoreError if it is missing though games were read: all their files would count as strays."""
    if not (store.root / "read.json").exists() and any(
        (store.root / f"{stage}.json").exists() for stage in STAGES[1:]
    ):
        raise StoreError(
            "the manifest of the games is missing; which sources they are from is lost with it",
            where=store.root / "read.json",
            advice="put it back from a copy, or read the sources again, `miner read SOURCE... --store DIR`: "
            "if they are the same, all later stages stay up to date",
        )


def _check_reparable(store: Store, fault: Fault) -> None:
    where = store.root / fault.name
    if fault.name == "read.json":
        raise StoreError(
            f"{fault.what}; which sources the games are from is lost with it",
            where=where,
            advice="delete it and read the sources again, `miner read SOURCE... --store DIR`: "
            "if they are the same, all later stages stay up to date",
        )
    if fault.name in _NOT_TO_BE_MADE_AGAIN:
        raise StoreError(
            f"{fault.what}; it cannot be made again", where=where, advice=_NOT_TO_BE_MADE_AGAIN[fault.name]
        )


def _mend_games(store: Store, faults: list[Fault], means: Means) -> Iterator[str]:
    damaged = [fault.name for fault in faults if fault.name.partition("/")[0] in FOLDERS]
    if not damaged:
        return
    _, sources = mend(store, {number_of(name) for name in damaged}, means)
    for name in damaged:
        yield f"{name}: made again from {', '.join(sources)}"


def _mend_later(store: Store, faults: list[Fault], means: Means) -> Iterator[str]:
    for fault in faults:
        if fault.name == f"{fault.stage}.json":
            (store.root / fault.name).unlink()  # it tells nothing, and would be in the way
    settings = store.settings(made_with=True)
    for stage in STAGES[1:]:
        damaged = [fault.name for fault in faults if fault.stage == stage]
        if not damaged:
            continue
        # A stage whose file is missing is done anew; one without settings is to leave nothing behind.
        for name in damaged if stage in settings else store.files_of(stage):
            (store.root / name).unlink(missing_ok=True)
        if stage not in settings:
            yield f"{stage}.json: its settings are lost, so its tables went, too; run `miner {stage}` again"
            continue
        store.begin({stage: settings[stage]})  # it is to be as it was, whatever was begun since
        engaged = replace(means, engine=means.engine or find_engine())  # there may be none
        remake(store, [stage], engaged)
        yield f"{', '.join(damaged)}: made again by `{stage}`"
