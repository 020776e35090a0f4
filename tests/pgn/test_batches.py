"""Tests of cutting sources, from the middle too, and of the texts of single games."""

from __future__ import annotations

import tracemalloc
from hashlib import sha256
from pathlib import Path

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from miner.errors import SourceError
from miner.pgn import batches
from miner.pgn.batches import (
    Piece,
    Portion,
    Span,
    Stretch,
    WholeSource,
    _cut_out,
    cut_portions,
    cut_stretches,
    frame_places,
    read_portion,
    texts_of,
)
from miner.pgn.sources import Source
from tests.reading import game_text, read_tables

KB = 1 << 10
# A remark in which tags stand, as long as a comment may be, and blank lines within the moves.
REMARK = "{" + "".join(f'[Event "no game {number}"]\n\n' for number in range(40)) + "}"
GAMES = [
    game_text(
        f"1. e4 {REMARK if number % 9 == 0 else ''} e5 2. Nf3 Nc6", Site=sha256(bytes(number)).hexdigest()
    )
    for number in range(6_000)
]
"""Their sites do not let themselves be compressed much."""


@pytest.fixture(autouse=True)
def small_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some hundred KB of games are many batches."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 128 * KB)
    monkeypatch.setattr(batches, "STORED_BYTES", 32 * KB)
    monkeypatch.setattr(batches, "MOST_STORED", 128 * KB)
    monkeypatch.setattr(batches, "LOOK_BYTES", 96 * KB)


def source_of(path: Path, data: bytes) -> Source:
    path.write_bytes(data)
    return Source(str(path), path)


def framed(text: bytes, size: int = 32 * KB) -> bytes:
    """Compressed in frames of so much text each, the second of them behind a frame that is to be skipped."""
    parts = [text[at : at + size] for at in range(0, len(text), size)]
    frames = [zstandard.ZstdCompressor(write_checksum=True).compress(part) for part in parts]
    return b"".join([frames[0], b"\x50\x2a\x4d\x18\x04\x00\x00\x00skip", *frames[1:]])


def texts(stretches: list[Stretch] | None) -> list[bytes]:
    assert stretches is not None
    return [piece.text for stretch in stretches for piece in read_portion([stretch])]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("kind", ["pgn", "pgn.zst"])
def test_stretches_are_whole_games_and_all_of_them(kind: str, line_end: str, tmp_path: Path) -> None:
    """Joined they are the text; each begins with a game, also where tags stand in remarks."""
    text = "".join(GAMES).replace("\n", line_end).encode()
    source = source_of(tmp_path / f"games.{kind}", framed(text) if kind == "pgn.zst" else text)

    found = texts(cut_stretches(source, 0))

    assert b"".join(found) == text.replace(b"\r\n", b" \n")
    assert len(found) >= 5
    assert all(part.startswith(b'[Event "Club"]') for part in found)


@pytest.mark.parametrize("kind", ["pgn", "pgn.zst"])
def test_only_the_first_stretch_begins_its_text(kind: str, tmp_path: Path) -> None:
    """Where the others begin is the sum of the sizes before; in a plain file, also where they are stored."""
    text = "".join(GAMES).encode()
    source = source_of(tmp_path / f"games.{kind}", text if kind == "pgn" else framed(text))

    stretches = cut_stretches(source, 3)

    assert stretches is not None
    pieces = [read_portion([stretch])[0] for stretch in stretches]
    assert [piece.begins_text for piece in pieces] == [True] + [False] * (len(pieces) - 1)
    assert {piece.origin for piece in pieces} == {3}
    if kind == "pgn":
        assert [stretch.begin.stored for stretch in stretches] == [
            sum(len(piece.text) for piece in pieces[:number]) for number in range(len(pieces))
        ]


def test_frames_are_found_without_being_read(tmp_path: Path) -> None:
    """The places are where a reader of the whole file begins a frame."""
    path = tmp_path / "games.pgn.zst"
    path.write_bytes(framed("".join(GAMES).encode()))

    places = frame_places(path)

    assert len(places) > 5
    for place in places:
        assert path.read_bytes()[place : place + 4] == zstandard.FRAME_HEADER


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda stored: stored[:-1], id="cut off"),
        pytest.param(lambda stored: stored + b"more", id="followed by something else"),
        pytest.param(lambda _: zstandard.compress("".join(GAMES).encode()), id="of one frame"),
        pytest.param(lambda _: b"", id="empty"),
    ],
)
def test_files_that_are_not_cut(spoil, tmp_path: Path) -> None:  # type: ignore[no-untyped-def] # noqa: ANN001
    """They are read from beginning to end, by the one reader that knows what to do about them."""
    stored = framed("".join(GAMES).encode())

    assert cut_stretches(source_of(tmp_path / "games.pgn.zst", spoil(stored)), 0) is None


def test_text_without_sure_places_is_not_cut(tmp_path: Path) -> None:
    """A cut might be within a game."""
    text = b'[Event "Club"]\n\n' + b"1. e4 e5 {remark} \n" * 40_000

    assert cut_stretches(source_of(tmp_path / "games.pgn", text), 0) is None


def test_frames_that_break_are_an_error_that_names_the_place(tmp_path: Path) -> None:
    """Nothing is made up in their place."""
    stored = bytearray(framed("".join(GAMES).encode()))
    whole = cut_stretches(source_of(tmp_path / "whole.pgn.zst", bytes(stored)), 0)
    assert whole is not None
    stored[whole[2].begin.stored - 2] ^= 0xFF  # the checksum of the frame before
    broken = cut_stretches(source_of(tmp_path / "broken.pgn.zst", bytes(stored)), 0)

    with pytest.raises(
        SourceError, match=r"broken\.pgn\.zst from byte [\d,]+: the data cannot be read: .*copy"
    ):
        texts(broken)


def test_portions_follow_the_order_of_the_sources(tmp_path: Path) -> None:
    """Small files share a portion, large ones are cut, what others do not see is sent as text."""
    small = [
        source_of(tmp_path / name, GAMES[number].encode()) for number, name in enumerate(["a.pgn", "b.pgn"])
    ]
    large = source_of(tmp_path / "c.pgn", "".join(GAMES).encode())
    own = source_of(tmp_path / "d.pgn", GAMES[2].encode())
    last = source_of(tmp_path / "e.pgn.zst", zstandard.compress(GAMES[3].encode()))
    read_here: list[int] = []

    portions = list(cut_portions([*small, large, own, last], {*small, large, last}, read_here.append))

    assert kinds(portions[0]) == [(WholeSource, 0), (WholeSource, 1)]
    assert {tuple(kinds(portion)) for portion in portions[1:-2]} == {((Stretch, 2),)}
    assert [kinds(portion) for portion in portions[-2:]] == [[(Piece, 3)], [(WholeSource, 4)]]
    assert [piece.text for piece in read_portion([*portions[0], *portions[-1]])] == [
        GAMES[number].encode() for number in (0, 1, 3)
    ]
    assert sum(read_here) == own.size_bytes


def kinds(portion: Portion) -> list[tuple[type, int]]:
    return [(type(part), part.origin) for part in portion]


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


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("indent", ["", "   ", "\t"])
@pytest.mark.parametrize("between", ["\n", " ", "   "])
def test_games_are_cut_out_of_the_file_as_it_is(
    tmp_path: Path, line_end: str, indent: str, between: str
) -> None:
    """The bytes that the ledger names hold each game's tags and moves, and nothing of its neighbours'."""
    file = tmp_path / "games.pgn"
    games = [
        between.join([f'[White "{name}"]', '[Black "Bo"]', f"{moves} 1-0"]).replace("\n", f"\n{indent}")
        for name, moves in (("Ada", "1. e4 e5 2. Nf3"), ("Cleo", "1. d4 d5"), ("Dan", "1. c4 c5"))
    ]
    text = f"{indent}{games[0]} {games[1]}\n\n{indent}{games[2]}\n"
    file.write_bytes(text.replace("\n", line_end).encode())
    rows = read_tables(tmp_path, [file], names="keep").games

    spans = [Span(row["start_byte"], row["end_byte"], row["game"]) for row in rows]
    cut = dict(texts_of(Source(str(file), file), {str(file): spans}))

    assert [row["white"] for row in rows] == ["Ada", "Cleo", "Dan"]
    assert [cut[number].split() for number in range(3)] == [game.encode().split() for game in games]
