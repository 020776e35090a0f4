"""Published position keys.

Source: the Polyglot opening-book format description, hardy.uhasselt.be/Toga/book_format.html, test positions.
"""

from __future__ import annotations

import pytest

from miner.means import ReaderName
from miner.pgn.readers import make_reader
from tests.reading import decode, each_reader

PUBLISHED = [
    ("", 0x463B96181691FC9C),
    ("e4", 0x823C9B50FD114196),
    ("e4 d5", 0x0756B94461C50FB0),
    ("e4 d5 e5", 0x662FAFB965DB29D4),
    ("e4 d5 e5 f5", 0x22A48B5A8E47FF78),
    ("e4 d5 e5 f5 Ke2", 0x652A607CA3F242C1),
    ("e4 d5 e5 f5 Ke2 Kf7", 0x00FDD303C946BDD9),
    ("a4 b5 h4 b4 c4", 0x3C8123EA7B067637),
    ("a4 b5 h4 b4 c4 bxc3 Ra3", 0x5C3F9B829B279560),
]


@each_reader
@pytest.mark.parametrize(("moves", "key"), PUBLISHED)
def test_position_key(moves: str, key: int, reader: ReaderName) -> None:
    """Both readers give the published key after the moves, and before the move that follows."""
    decoded = decode(make_reader(reader), moves.encode())

    assert decoded.plies[0] == len(moves.split())
    assert int(decoded.last_keys[0]) == key


@each_reader
def test_keys_along_a_line(reader: ReaderName) -> None:
    """Every position of one line has its published key."""
    line, _ = PUBLISHED[6]
    decoded = decode(make_reader(reader), line.encode())

    assert decoded.visits.keys.tolist() == [key for moves, key in PUBLISHED[:6]]
