"""The fuzz targets, on texts that once broke something and on some at random."""

from __future__ import annotations

import random

import pytest

from tests.fuzz.targets import TARGETS, words_of

FOUND = {
    "splitter": [b'[Event "x"]1. e4 "]\n\n1. e4 e5\n\n', b'[Event "x"] e4 [x]\n\n1. e4 e5\n\n'],
    "headers": [b'\xef\xbb\xbf[Event "Club"]\n\n1. e4'],
    "settings": [
        b"[read]\nplies = " + b"9" * 5_000,
        b"[read]\nevents = " + b"[" * 5_000,
        b"[judge]\nloss_threshold = 1" + b"0" * 400,
    ],
    "names": [b"x" * 5_000 + b".pgn", b"\xff", b"[", b"\0", b"*/\0*"],
}
"""What a target once failed on."""


@pytest.mark.parametrize("target", TARGETS)
def test_target(target: str) -> None:
    """Texts that once broke a target, and a few of its words in any order, break it no more."""
    draw = random.Random(target)
    words = [word.encode() for word in words_of(target)]
    drawn = [b" ".join(draw.choices(words, k=draw.randint(0, 25))) for _ in range(60)]

    for data in [*FOUND.get(target, []), *drawn]:
        TARGETS[target](data)


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS)
def test_target_on_many(target: str) -> None:
    """The same for a thousand texts with a damaged byte in each."""
    draw = random.Random(target)
    words = [word.encode() for word in words_of(target)]
    for _ in range(1_000):
        data = bytearray(b"".join(draw.choices(words, k=draw.randint(1, 40))))
        data[draw.randrange(len(data))] = draw.randrange(256)
        TARGETS[target](bytes(data))
