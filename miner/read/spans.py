"""Single games cut out of their sources by the bytes that the table `games` tells."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass

from miner.read.sources import BrokenOff, Source, open_texts

log = logging.getLogger(__name__)


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
                    yield from _cut(text.blocks, sorted(wanted[text.name]))
                except BrokenOff as error:
                    log.warning("%s: %s", text.name, error)
                left.remove(text.name)
            if not left:
                return


def _cut(blocks: Iterator[bytes], spans: Sequence[Span]) -> Iterator[tuple[int, bytes]]:
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
