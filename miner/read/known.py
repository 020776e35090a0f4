"""Telling which sources are the same as when the store was read, without hashing gigabytes again."""

from __future__ import annotations

import time
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace

from miner.errors import Place, SourceError
from miner.pgn.sources import Source, SourceDigest, source_digest
from miner.read.contents import KnownSource

_TICK_NS = 2_000_000_000
"""Coarsest step of file times, of FAT: what was changed so shortly before it was hashed may change unseen."""


@dataclass(frozen=True, slots=True)
class Described:
    """A source as it is now."""

    source: Source
    digest: SourceDigest
    stamp: list[int] | None  # of the file; None: standard input
    is_settled: bool  # whether any change from now on shows in the stamp

    @classmethod
    def as_before(cls, known: KnownSource) -> Described:
        """A source that nobody looked at, as it was when the store was read."""
        return cls(known.source, known.digest, known.stamp, known.stamp is not None)

    @property
    def place(self) -> str:
        """Path of the file; empty: standard input."""
        return str(self.source.place or "")

    def known(self, first_game: int, games: int, skipped: int) -> KnownSource:
        """The source as the store remembers it."""
        known = KnownSource(
            name=self.source.name,
            place="",
            stamp=None,
            first_game=first_game,
            games=games,
            skipped=skipped,
            digest=self.digest,
        )
        return self.met_again(known)

    def met_again(self, known: KnownSource) -> KnownSource:
        """A known source with the place and the times that it has now."""
        return replace(known, place=self.place, stamp=self.stamp if self.is_settled else None)

    def check_unchanged(self) -> None:
        """Raises SourceError if the file is not as it was described."""
        if self.stamp != _stamp(self.source):
            raise SourceError(
                "the file changed while it was read",
                where=Place(self.source.name),
                advice="read it again once nobody writes to it",
            )


def describe(sources: Sequence[Source], known: Sequence[KnownSource] = ()) -> list[Described]:
    """The sources as they are now.

    Hashed are those that are not known, or whose size, times or inode are others than when they were hashed:
    any difference counts, since clocks go wrong.
    Raises SourceError for a source that cannot be read.
    """
    digests = {(source.place, *source.stamp): source.digest for source in known if source.stamp is not None}
    found = []
    for source in sources:
        stamp = _stamp(source)
        digest = digests.get((str(source.place), *stamp)) if stamp else None
        is_settled = True
        if digest is None:
            begun_ns = time.time_ns()  # noqa: TID251 - to be compared with file times, which go by the time of day
            digest = source_digest(source)
            is_settled = (
                stamp is not None and max(stamp[1:3]) + _TICK_NS < begun_ns and _stamp(source) == stamp
            )
        found.append(Described(source, digest, stamp, is_settled))
    return found


def _stamp(source: Source) -> list[int] | None:
    """Size, times of change of the contents and of the entry in ns, and inode; None: standard input."""
    if source.path is None:
        return None
    try:
        found = source.path.stat()
    except OSError as error:
        raise SourceError(
            f"the file cannot be read: {error.strerror}",
            where=Place(source.name),
            advice="check that it is there and that you may read it",
        ) from error
    return [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]


@dataclass(frozen=True, slots=True)
class Difference:
    """How sources differ from those of the store."""

    same: dict[int, Described]  # by their number among those of the store
    changed: dict[int, Described]  # what stands in their place now
    gone: list[int]  # numbers of those that are not among them any more
    new: list[Described]


def compare(known: Sequence[KnownSource], now: Sequence[Described]) -> Difference:
    """How the sources differ from the known ones; in which order they are named does not count."""
    left_known, left = dict(enumerate(known)), dict(enumerate(now))

    def pair(mark: Callable[[KnownSource | Described], Hashable]) -> dict[int, Described]:
        """Those with equal marks, taken from both sides; None is no mark."""
        waiting: dict[Hashable, list[int]] = {}
        for at, described in reversed(left.items()):
            waiting.setdefault(mark(described), []).append(at)
        waiting.pop(None, None)
        pairs = {
            number: waiting[mark(source)].pop()
            for number, source in left_known.items()
            if waiting.get(mark(source))
        }
        for number in pairs:
            del left_known[number]
        return {number: left.pop(at) for number, at in pairs.items()}

    # Of standard input nobody can tell whether it holds the same again.
    same = pair(lambda source: (source.place, *sorted(source.digest.items())) if source.place else None)
    same |= pair(lambda source: tuple(sorted(source.digest.items())) if source.place else None)
    changed = pair(lambda source: source.place)
    return Difference(same, changed, list(left_known), list(left.values()))


def readable_again(known: KnownSource) -> Source:
    """The source of games that are to be read again, whatever it holds now.

    Raises SourceError for standard input, which is gone.
    """
    if not known.place:
        raise SourceError(
            "standard input cannot be read again",
            where=Place(known.name),
            advice="read all sources again into a new store",
        )
    return known.source


def unchanged(known: KnownSource) -> Source:
    """The source of games that are to be read again just as they were.

    Raises SourceError if it is not there any more, or holds something else now.
    """
    source = readable_again(known)
    [now] = describe([source], [known])
    if now.digest != known.digest:
        raise SourceError(
            "the file is not what was read into the store",
            where=Place(source.name),
            advice="put the file back, or read all sources again: `miner read`",
        )
    return source
