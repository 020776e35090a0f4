"""Tags as columns, the filters that go by them, and players as hashes."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.means import ReaderName
from miner.pgn.readers import make_reader
from miner.pgn.tags import (
    Players,
    is_set_up,
    is_variant,
    is_within,
    openings,
    rated_of,
    rating_of,
    time_class_of,
)
from tests.reading import each_reader


def tags_of(text: str | bytes, reader: ReaderName = "auto") -> dict[str, list[str]]:
    data = text.encode() if isinstance(text, str) else text
    columns = make_reader(reader).read_tags(data, np.array([0]), np.array([len(data)]))
    return {name: column.strings().to_pylist() for name, column in columns.items()}


@pytest.mark.parametrize(
    ("line", "white"),
    [
        (b'[White "Ada"]', "Ada"),
        (b'[White  \t "Ada"]', "Ada"),
        (b'[White\t"Ada"]', "Ada"),
        (b'[White "Ada"]  ', "Ada"),
        (b'[White "Ada"] ', "Ada"),
        (b'[White ""]', ""),
        (b'[White "A \\"big\\" B"]', 'A "big" B'),
        (b'[White "A "big" B"]', "A "),
        (b'[White "C:\\"]', "C:\\"),
        (b'[ECO "C41"] [Opening "Philidor"]  [White "Ada"][Black "Bo"]', "Ada"),
        (b'  [ White"Ada" ]', ""),
        (b'[\tWhite"Ada" ]', "Ada"),
        (b'[Opening "Italian [White "Bo"]\n[White "Ada"]', "Ada"),
        (b'[White "J\xf6rg"]', "Jörg"),
        ('[White "Jörg"]'.encode(), "Jörg"),
        (b'[White "Ada"]\n[White "Bo"]', "Bo"),
        (b'[WhiteTeam "x"]', ""),
        (b'[White Ada]\n[Black "Bo"]', ""),
        (b"[White", ""),
    ],
)
@each_reader
def test_value_of_a_tag(line: bytes, white: str, reader: ReaderName) -> None:
    """A tag's value is found however its line is spaced, quoted and encoded."""
    assert tags_of(line + b"\n", reader)["White"] == [white]


@each_reader
def test_absent_and_long_tags(reader: ReaderName) -> None:
    """Long names are told from others that begin alike; an absent tag is empty."""
    tags = tags_of(
        '[TimeControl "300"]\n[TimeControlled "x"]\n[WhiteElo "1500"]\n[BlackElos "3"]\n[TimeCont0123 "9"]\n',
        reader,
    )

    assert tags["TimeControl"] == ["300"]
    assert tags["WhiteElo"] == ["1500"]
    assert tags["BlackElo"] == [""]


def test_opening_and_variation() -> None:
    """A variation's name follows its opening's."""
    data = b'[Opening "Italian Game"]\n[Variation "Two Knights"]\n'
    columns = make_reader("auto").read_tags(data, np.array([0]), np.array([len(data)]))

    assert openings(columns).strings().to_pylist() == ["Italian Game: Two Knights"]


@pytest.mark.parametrize(
    ("value", "rating"),
    [
        ("1500", 1500),
        ("1500?", 1500),
        ("?", 0),
        ("-", 0),
        ("", 0),
        ("0", 0),
        ("99999", 0),
        ("1 500", 0),
        ("-200", 0),
        ("4001", 0),
        ("Elo 1500", 1500),
    ],
)
def test_rating(value: str, rating: int) -> None:
    """A rating is the number in the tag, or 0."""
    assert rating_of(value) == rating


@pytest.mark.parametrize(
    ("control", "time_class"),
    [
        ("179", "bullet"),
        ("60+3", "blitz"),
        ("479", "blitz"),
        ("300+5", "rapid"),
        ("1500", "classical"),
        ("40/7200:3600", "classical"),
        ("1/259200", "correspondence"),
        ("10/2592000", "correspondence"),
        ("0+86400", "correspondence"),
        ("1/86399", "classical"),
        ("1/30", "rapid"),
        ("20/200", "blitz"),
        ("20/200:60", "blitz"),
        ("60/3600", "classical"),
        ("0/300", "blitz"),
        ("259200", "classical"),
        ("", "unknown"),
        ("fast", "unknown"),
    ],
)
def test_time_class(control: str, time_class: str) -> None:
    """The time for 40 moves decides, and whether a move has a day."""
    assert time_class_of(control) == time_class


def test_variants_and_set_ups() -> None:
    """Standard chess from the start position, however it is said, is neither a variant nor set up."""
    assert [is_variant(one) for one in ("", "Standard", "normal", "From Position", "Chess960", "Atomic")] == [
        False,
        False,
        False,
        False,
        True,
        True,
    ]
    start = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1"
    assert [is_set_up(one) for one in ("", "?", start, start.replace(" w ", " b "))] == [
        False,
        False,
        False,
        True,
    ]


@pytest.mark.parametrize(
    ("date", "since", "until", "passes"),
    [
        ("2024.09.15", "", "", True),
        ("2024.09.15", "2024.09.15", "2024.09.15", True),
        ("2024.09.14", "2024.09.15", "", False),
        ("2024.09.??", "2024", "2024", True),
        ("2024.09.??", "2024.09", "", True),
        ("2024.09.??", "2024.09.01", "", False),
        ("2024.??.??", "", "2024.12", False),
        ("????.??.??", "1900", "", False),
        ("", "1900", "", False),
        ("2025.01.01", "", "2024", False),
    ],
)
def test_dates(date: str, since: str, until: str, passes: bool) -> None:
    """A date passes if it is known as far as the limit goes and lies within."""
    assert is_within(date, since, until) is passes


@pytest.mark.parametrize(
    ("event", "rated"),
    [
        ("Rated blitz game", "rated"),
        ("Casual game", "casual"),
        ("Unrated game", "casual"),
        ("Club evening", ""),
    ],
)
def test_rated(event: str, rated: str) -> None:
    """The event says whether a game was rated, or nothing."""
    assert rated_of(event) == rated


BLOCK = 64  # bytes that SHA-256 takes at a time


def by_definition(salt: bytes, message: bytes) -> bytes:
    """HMAC-SHA256 as RFC 2104 defines it, of a salt no longer than a block."""
    inner, outer = (bytes(byte ^ pad for byte in salt.ljust(BLOCK, b"\0")) for pad in (0x36, 0x5C))
    return hashlib.sha256(outer + hashlib.sha256(inner + message).digest()).digest()


@given(
    name=st.text("abcdefgh äöé'", min_size=1).map(lambda rest: f"Player {rest}".rstrip()),
    salt=st.binary(min_size=1, max_size=BLOCK),
)
def test_hash_is_that_of_the_definition(name: str, salt: bytes) -> None:
    """Stores that were read by earlier versions hold the same hashes, whoever computes them."""
    digest = by_definition(salt, " ".join(name.lower().split()).encode())

    player = Players(salt, "hash").player(name)

    assert player.shown == digest[:8].hex()
    assert player.number == max(1, int.from_bytes(digest[:4], "big"))
    assert player.identity == max(1, int.from_bytes(digest[:8], "big"))
