"""The read stage: PGN sources in, the tables `games` and `moves` out."""

from __future__ import annotations

import logging
import os
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from miner.means import USUAL, Means
from miner.pgn.batches import cut_batches
from miner.pgn.decode import make_reader
from miner.pgn.sources import Source, check_readable, find_sources
from miner.read.clustered import read_on_cluster
from miner.read.contents import Contents, KnownSource, inputs_of, signatures_in
from miner.read.forgotten import Forgotten
from miner.read.known import Described, Difference, as_named, compare, describe, readable_again
from miner.read.numbering import Numbering, Seen
from miner.read.removal import without
from miner.read.workers import Job, read_batches
from miner.settings import ReadSettings, as_dict, settings_of
from miner.store import FOLDERS, Manifest, Store
from miner.store.change import settling
from miner.store.places import Location, is_shared

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Work:
    """By what and with what games are read."""

    settings: ReadSettings
    forgotten: Forgotten
    means: Means


def read(
    sources: Sequence[str],
    store: Store,
    settings: ReadSettings,
    means: Means = USUAL,
) -> Manifest:
    """Read games into the store's tables `games` and `moves`, and say what became of each in the ledger.

    Does nothing if the store was read from the same sources under the same settings. If there are more now,
    only these are read, and their games come after the others; games of a source that is not named any more
    go. A source that has changed is read again, with those that were read after it: which of two equal games
    is kept depends on what came before. The tables are the same whichever reader decodes the moves and
    however many processes, or workers of a cluster, share the work.

    Raises SourceError if a source is missing, unknown, unreadable from its very beginning or changes while it
    is read, UsageError if a reader is asked for that is not installed, MinerError if a worker process dies,
    ClusterFailed.
    """
    found = find_sources(sources)
    make_reader(means.reader)
    with store.writing():
        work = _work(store, settings, means)
        manifest = store.manifest("read")
        if manifest is None or not _goes_on(store, manifest, work):
            for source in found:
                check_readable(source)
            _tell_unnamed(manifest, found)
            return _read_afresh(store, describe(found), work)
        contents = Contents.of(store, manifest)
        difference = compare(contents.sources, describe(found, contents.sources))
        return _bring_up(store, manifest, contents, difference, work)


def add(sources: Sequence[str], store: Store, means: Means = USUAL) -> Manifest:
    """Read more sources into a store, under the settings that it was read under.

    What is in it stays, wherever its sources are now; a source that is named again counts as in `read`.
    Raises StoreError if it was not read into yet, or its files are not all there, and what `read` does.
    """
    found = find_sources(sources)
    make_reader(means.reader)
    with store.writing():
        manifest = store.require_whole("read")
        work = _work(store, settings_of({"read": manifest.settings}).read, means)
        contents = Contents.of(store, manifest)
        difference = compare(contents.sources, describe(found, contents.sources))
        all_named = _with_unnamed(difference, contents)
        return _bring_up(store, manifest, contents, all_named, work, unnamed=bool(difference.gone))


def _work(store: Store, settings: ReadSettings, means: Means) -> _Work:
    if means.cluster is not None:
        means.cluster.require_file(store.root / "salt")
    return _Work(settings, Forgotten.of(store), means)


def _goes_on(store: Store, manifest: Manifest, work: _Work) -> bool:
    """Whether what the store holds was read as it would be read now."""
    inputs = manifest.inputs
    return (
        store.is_current("read", as_dict(work.settings), inputs)
        and inputs == inputs_of(inputs["sources"], work.forgotten.digest)
        and "batches" in manifest.facts
    )


def _with_unnamed(difference: Difference, contents: Contents) -> Difference:
    """The sources that are not named counted among those that are the same, wherever they are now.

    So is what came by standard input before: what comes by it now is something else.
    Raises SourceError if games of standard input would have to be read again.
    """
    piped = {number: one for number, one in difference.changed.items() if one.source.path is None}
    changed = {number: one for number, one in difference.changed.items() if number not in piped}
    difference = replace(difference, changed=changed, new=difference.new + list(piped.values()))
    unnamed = {number: _as_it_was(contents.sources[number]) for number in [*difference.gone, *piped]}
    first = difference.first_changed
    if first is not None and (later := [number for number in unnamed if number > first]):
        # They are read again after the changed one, as they are now.
        described = describe([readable_again(contents.sources[number]) for number in later], contents.sources)
        unnamed |= dict(zip(later, described, strict=True))
    return replace(difference, same=difference.same | unnamed, gone=[])


def _as_it_was(known: KnownSource) -> Described:
    return Described(as_named(known), known.digest, known.stamp, known.stamp is not None)


def _bring_up(
    store: Store,
    manifest: Manifest,
    contents: Contents,
    difference: Difference,
    work: _Work,
    *,
    unnamed: bool = False,
) -> Manifest:
    """Take out what is gone or must be read again, and read what is not in the store.

    `unnamed`: some sources are known from the store alone, which must not lose them if this is cut off.
    """
    again, dropped = _to_read(contents, difference)
    kept = [number for number in difference.same if number not in dropped]
    renewed = replace(
        contents,
        sources=tuple(
            _met_again(source, difference.same[number]) if number in kept else source
            for number, source in enumerate(contents.sources)
        ),
    )
    for one in again:
        check_readable(one.source)
    _tell(contents, difference, dropped)
    if again and not kept and not unnamed:
        return _read_afresh(store, again, work)
    if again or dropped:
        return _change(store, renewed, dropped, again, work)
    if renewed != contents:
        # Only where the sources lie and their times are others: nothing was done.
        store.record(replace(manifest, facts=renewed.manifest({}).facts | _effort(manifest)))
    return manifest


def _to_read(contents: Contents, difference: Difference) -> tuple[list[Described], set[int]]:
    """The sources to be read, in order, and the numbers of those whose games go, for ever or until then."""
    first = difference.first_changed
    after = range(len(contents.sources) if first is None else first, len(contents.sources))
    now = difference.same | difference.changed
    again = [now[number] for number in after if number in now]
    return again + difference.new, {*difference.gone, *after}


def _tell_unnamed(manifest: Manifest | None, found: Sequence[Source]) -> None:
    """Say which sources of a store that is read afresh are not among those that are read now."""
    named = {source.path.name if source.path else source.name for source in found}
    for known in manifest.inputs.get("sources", []) if manifest else []:
        if known["name"] not in named:
            _log.warning("%s is not named any more; its games go", known["name"])


def _met_again(known: KnownSource, now: Described) -> KnownSource:
    """A source that is the same, with the place and the times that it has now."""
    return replace(known, place=now.place, stamp=now.stamp if now.is_settled else None)


def _effort(manifest: Manifest) -> dict[str, object]:
    names = ("games_read", "seconds", "games_per_second")
    return {name: manifest.facts[name] for name in names if name in manifest.facts}


def _tell(contents: Contents, difference: Difference, dropped: set[int]) -> None:
    """Say which sources are read again or go, and why."""
    for number in sorted(difference.gone):
        name = contents.sources[number].name
        _log.warning("%s is not named any more; its games go (`miner add` keeps them)", name)
    for number in sorted(difference.changed):
        name = difference.changed[number].source.name
        _log.warning("%s has changed since it was read; it is read again", name)
    behind = [number for number in dropped if number in difference.same]
    if behind:
        _log.warning(
            "%s read after that %s read again, since repeated games are found in reading order",
            "the source" if len(behind) == 1 else f"the {len(behind):,} sources",
            "is" if len(behind) == 1 else "are",
        )


def _read_afresh(store: Store, described: Sequence[Described], work: _Work) -> Manifest:
    """Read all sources into a store that holds nothing of worth."""
    started = time.perf_counter()
    store.begin("read")
    for table in FOLDERS:
        _empty(store.path(table))
    nothing = Contents(forgotten=work.forgotten.digest)
    contents = _read_all(store, store.root, nothing, Seen(), described, work)
    manifest = _manifest(contents, contents, work, started)
    return store.finish(manifest)


def _change(
    store: Store, contents: Contents, dropped: set[int], described: Sequence[Described], work: _Work
) -> Manifest:
    """Take sources, by their numbers, out of what the store holds, and read others behind the rest.

    Both or neither: whoever adds games need not know of those that are read again for them.
    """
    started = time.perf_counter()
    with store.changing() as change:
        if dropped:
            contents = without(store, change, contents, dropped, work.settings, work.means.reader)
        if not described:
            return change.commit(contents.manifest(as_dict(work.settings)))
        seen = Seen(signatures_in(change, contents.digests, contents.ledger.total()))
        added = _read_all(store, change.folder, contents, seen, described, work)
        return change.commit(_manifest(contents.plus(added), added, work, started))


def _manifest(contents: Contents, added: Contents, work: _Work, started: float) -> Manifest:
    seconds = time.perf_counter() - started
    games = added.ledger.total()
    _log.info("read %d games in %.1f s", games, seconds)
    return contents.manifest(as_dict(work.settings), games_read=games, seconds=seconds)


def _empty(folder: Location) -> None:
    """Make a folder, without what an earlier read, finished or not, left in it."""
    folder.mkdir(exist_ok=True)
    for file in folder.iterdir():
        file.unlink()


def _read_all(
    store: Store,
    folder: Location,
    before: Contents,
    seen: Seen,
    described: Sequence[Described],
    work: _Work,
) -> Contents:
    """The contents of sources that are read into files below `folder`, behind those before.

    `seen`: the games of those.
    """
    for table in FOLDERS:
        (folder / table).mkdir(exist_ok=True)
    sources, means = [one.source for one in described], work.means
    job = Job(work.settings, store.salt, means.reader, folder, before.next_batch, work.forgotten.identities)
    numbering = Numbering(before.next_game, seen)
    states: Counter[str] = Counter()
    games, skipped = [0] * len(sources), [0] * len(sources)
    batches: dict[int, tuple[int, int]] = {}
    digests: dict[str, str] = {}
    moves = 0
    processes = (means.processes or os.cpu_count() or 1) if is_shared(folder) else 1
    started = time.perf_counter()
    total = _size_bytes(sources)
    with settling() as files, means.progress.task("reading games", total=total, unit="B") as task:
        outcomes = (
            read_batches(cut_batches(sources, task.advance), job, processes, numbering)
            if means.cluster is None
            else read_on_cluster(sources, job, means.cluster, task.advance, numbering)
        )
        for outcome in outcomes:
            for origin, count in outcome.pieces:
                games[origin] += count.games
                skipped[origin] += count.skipped
            states += outcome.states
            moves += outcome.moves
            digests |= outcome.digests
            files.settle(folder / name for name in outcome.digests)
            batches[outcome.number] = (outcome.first_game, outcome.first_game + outcome.states.total())
            task.facts(f"{states.total() / (time.perf_counter() - started):,.0f} games/s")
    known = []
    first_game = before.next_game
    for one, held, blocks in zip(described, games, skipped, strict=True):
        one.check_unchanged()
        known.append(one.known(first_game, held, blocks))
        first_game += held
    return Contents(
        sources=tuple(known),
        ledger=states,
        moves=moves,
        batches=batches,
        digests=digests,
        forgotten=before.forgotten,
    )


def _size_bytes(sources: Sequence[Source]) -> int | None:
    """Bytes of all sources as they are stored; None: not known."""
    sizes = [source.size_bytes for source in sources]
    return sum(size for size in sizes if size is not None) if None not in sizes else None
