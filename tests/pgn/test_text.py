"""Lines, and bytes looked at eight at a time."""

from __future__ import annotations

import numpy as np
import pytest

from miner.pgn.text import Lines

TEXT = b"1. e4 e5 1-0"  # twelve bytes


@pytest.mark.parametrize(
    ("at", "eight"),
    [(0, b"1. e4 e5"), (3, b"e4 e5 1-"), (4, b"4 e5 1-0"), (5, b" e5 1-0\0"), (11, b"0" + bytes(7))],
)
def test_eight_bytes_from_a_place(at: int, eight: bytes) -> None:
    """The last eight of the text as they are; further on, the missing ones are 0."""
    [found] = Lines(TEXT).eight_bytes(np.array([at]))

    assert int(found).to_bytes(8, "little") == eight


@pytest.mark.parametrize(
    ("end", "eight"), [(12, b"4 e5 1-0"), (8, b"1. e4 e5"), (7, b"\x001. e4 e"), (1, bytes(7) + b"1")]
)
def test_eight_bytes_up_to_a_place(end: int, eight: bytes) -> None:
    """The first eight of the text as they are; further back, the missing ones are 0."""
    [found] = Lines(TEXT).eight_bytes(np.array([end - 8]))

    assert int(found).to_bytes(8, "little") == eight


def test_blank_lines() -> None:
    """Empty ones, and those of one blank; two blanks are a text."""
    assert Lines(b"e4\n\n \n\t\n  \ne5").is_blank.tolist() == [False, True, True, True, False, False]
