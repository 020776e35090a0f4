"""The read stage: PGN sources in, the tables `games` and `moves` out."""

from __future__ import annotations

import logging
import os
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter

from miner.errors import Place, SourceError
from miner.means import USUAL, Means
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import Count, Numbering, Seen
from miner.pgn.readers import make_reader
from miner.pgn.sources import Source, check_readable, find_sources, total_bytes
from miner.read.clustered import read_on_cluster
from miner.read.contents import Contents, Forgotten, make_folders, signatures_in
from miner.read.known import Described, Difference, compare, describe, readable_again
from miner.read.removal import without
from miner.read.workers import BatchJob, read_batches
from miner.settings import ReadSettings, as_dict, settings_of
from miner.store import Manifest, Store, StoreChange, check_value
from miner.store.change import settling
from miner.store.places import Location, is_shared

_log = logging.getLogger(__name__)

_NOT_PGN = "is it PGN? what stands before its lines, such as the signs of a quoted mail, must go"
_EFFORT = ("games_read", "seconds", "games_per_second")  # facts of a manifest about the last run


@dataclass(frozen=True, slots=True)
class _Run:
    """The store that games are read into, and who reads them under which settings."""

    store: Store
    settings: ReadSettings
    forgotten: Forgotten
    salt: bytes
    means: Means
    is_addition: bool = False  # of games to those that are there, which stay


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
        run = _run(store, settings, means)
        manifest = store.manifest("read")
        if manifest is not None and _goes_on(manifest, run):
            return _bring_up(run, manifest, found)
        for source in found:
            check_readable(source)
        _tell_unnamed(manifest, found)
        return _read_afresh(run, describe(found))


def add(sources: Sequence[str], store: Store, means: Means = USUAL) -> Manifest:
    """Read more sources into a store, under the settings that it was read under.

    What is in it stays, wherever its sources are now; a source that is named again counts as in `read`.
    Raises StoreError if it was not read into yet, or its files are not all there, and what `read` does.
    """
    found = find_sources(sources)
    make_reader(means.reader)
    with store.writing():
        manifest = store.require_whole("read")
        run = replace(_run(store, settings_of({"read": manifest.settings}).read, means), is_addition=True)
        return _bring_up(run, manifest, found, keeps_unnamed=True)


def _run(store: Store, settings: ReadSettings, means: Means) -> _Run:
    if means.cluster is not None:
        means.cluster.require_file(store.root / "salt")
    return _Run(store, settings, Forgotten.of(store), store.salt, means)


def _goes_on(manifest: Manifest, run: _Run) -> bool:
    """Whether what the store holds was read as it would be read now."""
    inputs = manifest.inputs
    return (
        run.store.is_current("read", as_dict(run.settings), inputs)
        and manifest.facts.get("forgotten") == run.forgotten.digest
    )


def _tell_unnamed(manifest: Manifest | None, found: Sequence[Source]) -> None:
    """Say which sources of a store that is read afresh are not among those that are read now."""
    named = {source.path.name if source.path else source.name for source in found}
    for known in manifest.inputs.get("sources", []) if manifest else []:
        if known["name"] not in named:
            _log.warning("%s is not named any more; its games go", known["name"])


def _bring_up(
    run: _Run, manifest: Manifest, found: Sequence[Source], *, keeps_unnamed: bool = False
) -> Manifest:
    """Take out what is gone or must be read again, and read what is not in the store.

    `keeps_unnamed`: sources that are not among the found ones stay.
    """
    contents = Contents.of(run.store, manifest)
    difference = compare(contents.sources, describe(found, contents.sources))
    # Known from the store alone, which must not lose them if this is cut off.
    has_unnamed = keeps_unnamed and bool(difference.gone)
    if keeps_unnamed:
        difference = _with_unnamed(difference, contents)
    again, dropped = _to_read(contents, difference)
    kept = {number: now for number, now in difference.same.items() if number not in dropped}
    renewed = replace(
        contents,
        sources=tuple(
            kept[number].met_again(source) if number in kept else source
            for number, source in enumerate(contents.sources)
        ),
    )
    for described in again:
        check_readable(described.source)
    _tell(contents, difference, dropped)
    if again and not kept and not has_unnamed:
        return _read_afresh(run, again)
    if again or dropped:
        return _change(run, renewed, dropped, again)
    if renewed != contents:
        # Only where the sources lie and their times are others: nothing was done.
        effort = {name: manifest.facts[name] for name in _EFFORT if name in manifest.facts}
        run.store.record(replace(manifest, facts=renewed.manifest({}).facts | effort))
    return manifest


def _with_unnamed(difference: Difference, contents: Contents) -> Difference:
    """The sources that are not named counted among those that are the same, wherever they are now.

    So is what came by standard input before: what comes by it now is something else.
    Raises SourceError if games of standard input would have to be read again.
    """
    piped = {number: now for number, now in difference.changed.items() if now.source.path is None}
    changed = {number: now for number, now in difference.changed.items() if number not in piped}
    difference = replace(difference, changed=changed, new=difference.new + list(piped.values()))
    unnamed = {number: Described.as_before(contents.sources[number]) for number in [*difference.gone, *piped]}
    first = min(changed, default=len(contents.sources))
    if later := [number for number in unnamed if number > first]:
        # They are read again after the changed one, as they are now.
        described = describe([readable_again(contents.sources[number]) for number in later], contents.sources)
        unnamed |= dict(zip(later, described, strict=True))
    return replace(difference, same=difference.same | unnamed, gone=[])


def _to_read(contents: Contents, difference: Difference) -> tuple[list[Described], set[int]]:
    """The sources to be read, in order, and the numbers of those whose games go, for ever or until then."""
    count = len(contents.sources)
    after = range(min(difference.changed, default=count), count)
    now = difference.same | difference.changed
    again = [now[number] for number in after if number in now]
    return again + difference.new, {*difference.gone, *after}


def _tell(contents: Contents, difference: Difference, dropped: set[int]) -> None:
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


def _read_afresh(run: _Run, described: Sequence[Described]) -> Manifest:
    started = time.perf_counter()
    nothing = Contents(forgotten=run.forgotten.digest, salt_check=check_value(run.salt))
    make_folders(run.store.root)  # empty until all is read, for whoever looks
    with StoreChange(run.store) as change:
        for name in run.store.files_of("read"):
            change.take_out(name)
        contents = _read_all(run, change.folder, nothing, Seen(), described)
        return change.commit(_manifest(run, contents, contents, started))


def _change(run: _Run, contents: Contents, dropped: set[int], described: Sequence[Described]) -> Manifest:
    """Take sources, by their numbers, out of what the store holds, and read others behind the rest.

    Both or neither: whoever adds games need not know of those that are read again for them.
    """
    started = time.perf_counter()
    with run.store.changing() as change:
        if dropped:
            contents = without(run.store, change, contents, dropped, run.settings, run.means.reader)
        if not described:
            return change.commit(contents.manifest(as_dict(run.settings)))
        seen = Seen(signatures_in(change, contents.digests, contents.ledger.total()))
        added = _read_all(run, change.folder, contents, seen, described)
        return change.commit(_manifest(run, contents.plus(added), added, started))


def _manifest(run: _Run, contents: Contents, added: Contents, started: float) -> Manifest:
    seconds = time.perf_counter() - started
    games = added.ledger.total()
    _log.info("read %d games in %.1f s", games, seconds)
    return contents.manifest(as_dict(run.settings), games_read=games, seconds=seconds)


def _read_all(
    run: _Run, folder: Location, before: Contents, seen: Seen, described: Sequence[Described]
) -> Contents:
    """The contents of sources that are read into files below `folder`, behind those before.

    `seen`: the games of those.
    """
    make_folders(folder)
    sources, means = [now.source for now in described], run.means
    job = BatchJob(run.settings, run.salt, means.reader, folder, before.next_batch, run.forgotten.identities)
    numbering = Numbering(before.next_game, seen)
    added = Contents(forgotten=before.forgotten, salt_check=before.salt_check)
    moves = 0
    counts: list[tuple[int, Count]] = []  # of the pieces of each batch, by its number
    processes = (means.processes or os.cpu_count() or 1) if is_shared(folder) else 1
    started = time.perf_counter()
    total = total_bytes(sources)
    with settling() as settle, means.progress.task("reading games", total=total, unit="B") as task:
        outcomes = (
            read_batches(cut_batches(sources, task.advance), job, processes, numbering)
            if means.cluster is None
            else read_on_cluster(sources, job, means.cluster, task.advance, numbering)
        )
        for outcome in outcomes:
            counts += [(outcome.number, count) for count in outcome.counts]
            moves += outcome.moves
            added.ledger.update(outcome.states)
            added.digests.update(outcome.digests)
            settle(folder / name for name in outcome.digests)
            batch_games = outcome.states.total()
            added.batches[outcome.number] = (outcome.first_game, outcome.first_game + batch_games)
            task.facts(f"{added.ledger.total() / (time.perf_counter() - started):,.0f} games/s")
    games, skipped, signs = Counter[int](), Counter[int](), dict[int, str]()
    for _, count in sorted(counts, key=itemgetter(0)):
        games[count.origin] += count.games
        skipped[count.origin] += count.skipped
        if count.skipped:
            signs.setdefault(count.origin, count.sign)
    _tell_skipped(sources, games, skipped, signs, must_have_games=run.is_addition or not before.sources)
    known = []
    first_game = before.next_game
    for origin, now in enumerate(described):
        now.check_unchanged()
        known.append(now.known(first_game, games[origin], skipped[origin]))
        first_game += games[origin]
    return replace(added, sources=tuple(known), moves=moves)


def _tell_skipped(
    sources: Sequence[Source],
    games: Counter[int],
    skipped: Counter[int],
    signs: Mapping[int, str],
    *,
    must_have_games: bool,
) -> None:
    """Warn of sources without a game, and of lines that are none.

    Raises SourceError if there is no game at all where there must be one.
    """
    found = []
    for origin, source in enumerate(sources):
        lines = f"{skipped[origin]:,} line{'s are' if skipped[origin] > 1 else ' is'} no game"
        sign = f'; the first begins with "{signs[origin]}"' if signs.get(origin) else ""
        words = [] if games[origin] else ["no game is found"]
        words += [f"{lines}{sign}"] if skipped[origin] else []
        found.append((source.name, ": ".join(words)))
    is_error = must_have_games and bool(found) and not games.total()
    if is_error and len(found) == 1:
        raise SourceError(found[0][1], where=Place(found[0][0]), advice=_NOT_PGN)
    for name, said in found:
        if said:
            _log.warning("%s: %s", name, said)
    if is_error:
        raise SourceError(f"no game is found in any of {len(found):,} sources", advice=_NOT_PGN)
