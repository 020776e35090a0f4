"""Sources cut into batches, or into portions that other machines can read; and the texts of single games.

Portions: a PGN file that is not compressed can be read from any byte, a `.zst` file of many frames from the
beginning of each. A cut is made at the first game that surely begins some way behind such a place, which is
found by a look at a hundred KB: none of the rest is read here. Whatever cannot be cut is read here and sent
as text. Games and ledger are those of a reading from beginning to end.
"""

from __future__ import annotations

import logging
import mmap
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import zstandard

from miner.errors import Place, SourceError
from miner.pgn.sources import BrokenOff, ReportBytes, Source, Text, open_texts
from miner.pgn.split import first_sure_start, last_sure_start, one_line_end, unindented

BATCH_BYTES = 8 << 20
STORED_BYTES = BATCH_BYTES // 4
"""Size of a stretch of compressed text, as it is stored."""
MOST_STORED = 16 * STORED_BYTES
"""Size of a frame above which a file is not cut, since a worker would have to hold its text whole."""
LOOK_BYTES = 1 << 20
"""Behind a place for a cut, within which a game must surely begin."""

_SKIPPABLE = range(0x184D2A50, 0x184D2A60)
_LONGEST_HEADER = 18
_WINDOW = 1 << 31
_PART_BYTES = 1 << 16
_LINE_BYTES = 16  # a line takes as much memory as so many bytes at the least
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of whole games of one text."""

    name: str  # of the text
    text: bytes  # LF line ends
    begins_text: bool  # whether nothing of the text lies before it
    broken: str = ""  # how the data break off at its end, within its last game; empty: they do not
    origin: int = 0  # which of the sources that are read together it is of


Batch = list[Piece]


def cut_batches(sources: Sequence[Source], report: ReportBytes, first_origin: int = 0) -> Iterator[Batch]:
    """The games of all sources in batches of about BATCH_BYTES of text; small sources share one."""

    def pieces() -> Iterator[Piece]:
        for origin, source in enumerate(sources, start=first_origin):
            for text in open_texts(source, report):
                yield from cut_pieces(text, BATCH_BYTES, origin)

    return in_batches(pieces())


def in_batches(pieces: Iterator[Piece]) -> Iterator[Batch]:
    """Pieces put together to batches of about BATCH_BYTES of text."""
    batch: Batch = []
    size = 0
    for piece in pieces:
        batch.append(piece)
        size += _weight(piece.text)
        del piece
        if size >= BATCH_BYTES * 3 // 4:  # a piece ends where a game does, so a little too soon
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def cut_pieces(text: Text, piece_bytes: int, origin: int = 0) -> Iterator[Piece]:
    """One text in pieces of about `piece_bytes`, cut between games.

    Where no place between two games is sure, the piece grows, to four times the size at the most.
    """
    parts: list[bytes] = []
    size = weight = first_byte = 0
    wanted = piece_bytes
    broken = ""
    try:
        for block in _line_blocks(text):
            parts.append(block)
            size += len(block)
            weight += _weight(block)
            if weight < wanted:
                continue
            whole = unindented(b"".join(parts))
            cut = _cut_of(whole, is_full=weight >= 4 * piece_bytes)
            parts, piece = [whole[cut:]], Piece(text.name, whole[:cut], first_byte == 0, origin=origin)
            del whole  # before the next piece is gathered, and while this one is worked on
            first_byte += cut
            size -= cut
            wanted = piece_bytes if cut else 2 * weight
            weight = _weight(parts[0])
            if cut:
                yield piece
            del piece
    except BrokenOff as error:
        broken = str(error)
        _log.warning(
            "%s, after %s bytes of its text: %s; the games before that are kept",
            text.name,
            f"{first_byte + size:,}",
            broken,
        )
    if size or broken:
        yield Piece(text.name, unindented(b"".join(parts)), first_byte == 0, broken, origin)


def _line_blocks(text: Text) -> Iterator[bytes]:
    """The text's blocks with LF line ends, every other byte in its place."""
    held = b""
    for block in text.blocks:
        block = held + block
        # A CR at the end may be half of a CRLF.
        held = block[-1:] if block.endswith(b"\r") else b""
        yield one_line_end(block[: len(block) - len(held)])
    if held:
        yield b"\n"


def _cut_of(text: bytes, *, is_full: bool) -> int:
    """How much of the text is surely whole games; at least something if it may not grow any more."""
    cut = last_sure_start(text)
    if cut == 0 and is_full:
        cut = text.rfind(b"\n\n") + 2 if b"\n\n" in text else text.rfind(b"\n") + 1 or len(text)
    return cut


def _weight(text: bytes) -> int:
    """Size of a text by the memory it takes: short lines take more, since each has its places in arrays."""
    lines = np.count_nonzero(np.frombuffer(text, dtype=np.uint8) == ord("\n"))
    return max(len(text), _LINE_BYTES * int(lines))


@dataclass(frozen=True, order=True, slots=True)
class Span:
    """Where a game's text stands in the decompressed text of its source."""

    start_byte: int
    end_byte: int  # exclusive
    game: int


def texts_of(source: Source, wanted: Mapping[str, Sequence[Span]]) -> Iterator[tuple[int, bytes]]:
    """The texts of the wanted games of a source, in its order, each with the game's number.

    `wanted`: the spans in each text of the source, by the text's name. One pass, as far as the last of them.
    """
    left = {name for name, spans in wanted.items() if spans}
    with closing(open_texts(source, lambda _: None)) as texts:  # type: ignore[type-var]
        for text in texts:
            if text.name in left:
                try:
                    yield from _cut_out(text.blocks, sorted(wanted[text.name]))
                except BrokenOff as error:
                    _log.warning("%s: %s", text.name, error)
                left.remove(text.name)
            if not left:
                return


def _cut_out(blocks: Iterator[bytes], spans: Sequence[Span]) -> Iterator[tuple[int, bytes]]:
    """The bytes of each span (in order, none within another) of a text that comes in blocks."""
    held, begin = b"", 0  # text from byte `begin` on
    for span in spans:
        while begin + len(held) < span.end_byte:
            block = next(blocks, None)
            if block is None:
                return
            # What lies before the span goes: held would grow to the whole text, and be copied for each block.
            passed = min(span.start_byte - begin, len(held))
            begin, held = begin + passed, held[passed:] + block
        yield span.game, held[span.start_byte - begin : span.end_byte - begin]


@dataclass(frozen=True, slots=True)
class WholeSource:
    """A small source, of any kind."""

    source: Source
    origin: int  # which of the sources that are read together it is

    @property
    def stored_bytes(self) -> int:
        """Its size."""
        return self.source.size_bytes or 0

    def __str__(self) -> str:
        return self.source.name

    def pieces(self) -> Iterator[Piece]:
        """Its text, and those of an archive's other members."""
        for text in open_texts(self.source, lambda _: None):
            yield from cut_pieces(text, BATCH_BYTES, self.origin)


@dataclass(frozen=True, slots=True)
class Cut:
    """A place between two games: so many bytes of text behind a place that a source can be read from."""

    stored: int  # byte of the source as it is stored
    skip: int = 0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Whole games from the middle of a source that is a file."""

    source: Source
    origin: int  # which of the sources that are read together it is of
    begin: Cut
    end: Cut | None  # None: the end of the source

    @property
    def path(self) -> Path:
        """The file."""
        assert self.source.path is not None, "standard input has no middle"
        return self.source.path

    @property
    def stored_bytes(self) -> int:
        """How much of the source as it is stored."""
        return (self.end.stored if self.end else self.path.stat().st_size) - self.begin.stored

    def __str__(self) -> str:
        return f"{self.source.name} from byte {self.begin.stored:,}"

    def pieces(self) -> Iterator[Piece]:
        """Its text as one piece. Raises SourceError if it cannot be read or decompressed any more."""
        try:
            text = unindented(one_line_end(self._text()))
        except (OSError, zstandard.ZstdError, EOFError) as error:
            raise SourceError(
                f"the data cannot be read: {error}",
                where=Place(str(self)),
                advice="copy the file again; read without --cluster, the games before that are kept",
            ) from error
        yield Piece(self.source.name, text, self.begin == Cut(0), origin=self.origin)

    def _text(self) -> bytes:
        with self.path.open("rb") as file:
            file.seek(self.begin.stored)
            stored = file.read(self.stored_bytes)
        if len(stored) < self.stored_bytes:
            raise EOFError("the file has become shorter")
        if _is_plain(self.path):
            return stored
        text = _frames().decompress(stored)
        if len(text) < self.begin.skip:
            raise EOFError("its frames hold next to nothing")
        parts = [text[self.begin.skip :]]
        if self.end is not None:
            missing = self.end.skip
            for part in _text_from(self.path, self.end.stored):
                parts.append(part[:missing])
                missing -= len(parts[-1])
                if not missing:
                    break
        return b"".join(parts)


Portion = Sequence[Piece | Stretch | WholeSource]
"""The parts of one batch, each as text or as the place of a text."""


def cut_portions(
    sources: Sequence[Source], seen: Collection[Source], report: ReportBytes
) -> Iterator[Portion]:
    """The games of all sources in portions for workers, in order.

    `seen`: the sources that the workers see, too. `report` counts the bytes that are read here alone.
    Raises SourceError as `open_texts` does.
    """
    small: list[WholeSource] = []
    weight = 0
    for origin, source in enumerate(sources):
        if source in seen and (size := _weight_if_small(source)) is not None:
            small.append(WholeSource(source, origin))
            weight += size
        else:
            if small:
                yield small
            small, weight = [], 0
            stretches = cut_stretches(source, origin) if source in seen else None
            if stretches is None:
                yield from cut_batches([source], report, origin)
            else:
                yield from ([stretch] for stretch in stretches)
        if weight >= BATCH_BYTES:
            yield small
            small, weight = [], 0
    if small:
        yield small


def read_portion(portion: Portion) -> Batch:
    """The texts of a portion. Raises SourceError for one that cannot be read or decompressed any more."""
    return [piece for part in portion for piece in ([part] if isinstance(part, Piece) else part.pieces())]


def _weight_if_small(source: Source) -> int | None:
    """About the size of a small source's text; None: it is not small."""
    assert source.path is not None
    size = source.path.stat().st_size
    stored_in_batch = BATCH_BYTES if _is_plain(source.path) else STORED_BYTES
    return size * BATCH_BYTES // stored_in_batch if size <= stored_in_batch else None


def cut_stretches(source: Source, origin: int) -> list[Stretch] | None:
    """A source in stretches of about a batch; None: it cannot be read from the middle, or not surely."""
    if source.path is None:
        return None
    match source.path.suffix.lower():
        case ".pgn":
            places = list(range(0, source.path.stat().st_size, BATCH_BYTES))
        case ".zst":
            places = frame_places(source.path)
        case _:
            return None
    cuts = [Cut(0)]
    try:
        for place in places[1:]:
            skip = _skip_behind(source.path, place)
            if skip is not None:
                cuts.append(Cut(place + skip) if _is_plain(source.path) else Cut(place, skip))
    except _Unsure:
        return None
    if len(cuts) < 2:
        return None
    return [Stretch(source, origin, begin, end) for begin, end in zip(cuts, [*cuts[1:], None], strict=True)]


def _is_plain(path: Path) -> bool:
    return path.suffix.lower() == ".pgn"


def frame_places(path: Path) -> list[int]:
    """Where the frames of a zstd file begin, STORED_BYTES or more apart; none if one is too long or cut off.

    Source: RFC 8878, 3.1: a frame is a header, blocks that tell their size in 3 bytes, and a checksum.
    """
    places, since = [0], 0  # bytes of frames that hold text
    if not path.stat().st_size:
        return []
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as stored:
        at = 0
        while at < len(stored):
            end = _end_of_frame(stored, at)
            if end is None or end > len(stored) or end - at > MOST_STORED:
                return []
            since += 0 if _is_skippable(stored, at) else end - at
            at = end
            if since >= STORED_BYTES and at < len(stored):
                places.append(at)
                since = 0
    return places


def _is_skippable(stored: mmap.mmap, at: int) -> bool:
    return int.from_bytes(stored[at : at + 4], "little") in _SKIPPABLE


def _end_of_frame(stored: mmap.mmap, at: int) -> int | None:
    """Where a frame ends; None: it does not, or there is none."""
    if _is_skippable(stored, at):
        return at + 8 + int.from_bytes(stored[at + 4 : at + 8], "little")
    header = stored[at : at + _LONGEST_HEADER]
    try:
        has_checksum = zstandard.get_frame_parameters(header).has_checksum
        at += zstandard.frame_header_size(header)
    except zstandard.ZstdError:
        return None
    is_last = False
    while not is_last:
        block = int.from_bytes(stored[at : at + 3], "little")
        is_last, is_one_byte_repeated = bool(block & 1), block >> 1 & 3 == 1
        at += 3 + (1 if is_one_byte_repeated else block >> 3)
        if at > len(stored):
            return None
    return at + (4 if has_checksum else 0)


class _Unsure(Exception):
    """At some place no game surely begins, so that no cut there is known to be right."""


def _skip_behind(path: Path, place: int) -> int | None:
    """How far behind a place a game surely begins; None: the text ends before.

    Raises _Unsure if none does for long.
    """
    text = b""
    for part in _text_from(path, place):
        text += part
        start = first_sure_start(unindented(one_line_end(text)))
        if start is not None:
            return start
        if len(text) > LOOK_BYTES:
            raise _Unsure
    return None


def _text_from(path: Path, place: int) -> Iterator[bytes]:
    with path.open("rb") as file:
        file.seek(place)
        frames = None if _is_plain(path) else _frames()
        while part := file.read(_PART_BYTES if frames is None else _PART_BYTES // 4):
            yield part if frames is None else frames.decompress(part)


def _frames() -> Any:
    return zstandard.ZstdDecompressor(max_window_size=_WINDOW).decompressobj(read_across_frames=True)
