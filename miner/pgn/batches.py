"""Sources cut into batches of whole games; and the texts of single games."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass

import numpy as np

from miner.pgn.sources import BrokenOff, ReportBytes, Source, Text, open_texts
from miner.pgn.split import last_sure_start, one_line_end

BATCH_BYTES = 8 << 20
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
            whole = b"".join(parts)
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
        yield Piece(text.name, b"".join(parts), first_byte == 0, broken, origin)


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
