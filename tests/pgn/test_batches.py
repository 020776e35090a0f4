from __future__ import annotations

import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from miner.pgn.batches import Span, _cut_out


@given(data=st.data())
def test_cuts_do_not_depend_on_blocks(data: st.DataObject) -> None:
    """Each span is its part of the text, however the text comes in blocks; none lies beyond its end."""
    text = data.draw(st.binary(max_size=60))
    edges = sorted(data.draw(st.lists(st.integers(0, 70), max_size=8)))
    spans = [
        Span(start, end, number)
        for number, (start, end) in enumerate(zip(edges[::2], edges[1::2], strict=False))
    ]
    cuts = sorted(data.draw(st.lists(st.integers(0, len(text)), max_size=6)))
    blocks = [text[start:end] for start, end in zip([0, *cuts], [*cuts, len(text)], strict=True)]

    found = dict(_cut_out(iter(blocks), spans))

    assert found == {
        span.game: text[span.start_byte : span.end_byte] for span in spans if span.end_byte <= len(text)
    }


def test_no_more_of_a_text_is_held_than_a_span_needs() -> None:
    """Of a text of which every byte is wanted, a few blocks are in memory at a time."""
    size, block = 1_000, (1 << 20) + 1
    spans = [Span(start, start + size, start) for start in range(0, 16 * block - size, size)]

    tracemalloc.start()
    try:
        found = sum(len(text) for _, text in _cut_out((b"x" * block for _ in range(16)), spans))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert found == size * len(spans)
    assert peak < 5 * block
