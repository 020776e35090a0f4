"""Sources that are broken, made to do harm, or no games: the others are read, and memory has bounds."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
import random
import stat
import subprocess
import sys
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import zstandard

from miner.errors import SourceError
from miner.follow.wins import source_of
from miner.means import ReaderName
from miner.pgn.sources import find_sources
from miner.pgn.split import walk_games
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Store
from tests.faults.measured import checked, needs_peak, read_measured
from tests.reading import Tables, each_reader, game_text, read_tables, read_text

MB, GB = 1 << 20, 1 << 30
MOST_MB = 900  # a process that reads; 250 for ordinary files
GOOD = game_text("1. e4 e5 2. Nf3 Nc6", White="First").encode()
LAST = game_text("1. d4 d5", White="Last").encode()
MOVES = "1. e4 e5 2. Nf3 Nc6"
SUFFIXES = (".pgn.gz", ".pgn.bz2", ".pgn.xz", ".pgn.zst", ".zip")


# What real files hold, one of each kind: the game, its state, plies, and what else is to be seen of it.
MESS: dict[str, tuple[bytes, str, int, dict[str, Any]]] = {
    "ISO-8859-1": (game_text(MOVES, White="J\xf6rg").encode("latin-1"), "kept", 4, {"white": "J\xf6rg"}),
    "Windows-1252": (game_text(MOVES, Opening="Caf\u20ac").encode("cp1252"), "kept", 4, {}),
    "byte-order mark": (b"\xef\xbb\xbf" + game_text(MOVES).encode(), "kept", 4, {}),
    "CRLF": (game_text(MOVES, White="Ada").replace("\n", "\r\n").encode(), "kept", 4, {"white": "Ada"}),
    "CR": (game_text(MOVES).replace("\n", "\r").encode(), "kept", 4, {}),
    "cut off in its tags": (game_text(MOVES).encode()[:60], "no moves", 0, {}),
    "cut off in its moves": (game_text(MOVES).encode()[:-8], "kept", 3, {"result": "1-0"}),
    "cut off in a comment": (game_text("1. e4 {so").encode()[:-8], "kept to open bracket", 1, {}),
    "comments and commands": (
        game_text("1. e4 {[%clk 0:01:02] [%eval 0.3]} 1... e5 {x} 2. Nf3 $1 {y} 2... Nc6").encode(),
        "kept",
        4,
        {},
    ),
    "nested variations": (game_text("1. e4 (1. d4 d5 (1... Nf6 2. c4)) 1... e5").encode(), "kept", 2, {}),
    "rating ?": (game_text(MOVES, WhiteElo="?", BlackElo="900").encode(), "kept", 4, {"white_rating": 0}),
    "rating -": (game_text(MOVES, WhiteElo="-").encode(), "kept", 4, {"white_rating": 0}),
    "rating 0": (game_text(MOVES, WhiteElo="0").encode(), "kept", 4, {"white_rating": 0}),
    "rating on one side": (game_text(MOVES, BlackElo="900").encode(), "kept", 4, {"black_rating": 900}),
    "no final result": (game_text(MOVES).encode().removesuffix(b" 1-0\n\n") + b"\n\n", "kept", 4, {}),
    "results that disagree": (
        game_text(MOVES, "0-1").replace('"0-1"', '"1-0"').encode(),
        "kept",
        4,
        {"result": "1-0"},
    ),
    "no blank line": (game_text(MOVES).replace("\n\n1.", "\n1.").encode(), "kept", 4, {}),
    "text between games": (b"Round two, Sunday\n\n" + game_text(MOVES).encode(), "kept", 4, {}),
    "castling with zeros": (game_text(f"{MOVES} 3. Bc4 Bc5 4. 0-0 Nf6 5. d3 0-0").encode(), "kept", 10, {}),
    "null move": (game_text("1. e4 -- 2. d4").encode(), "kept to illegal move", 1, {}),
    "set-up": (game_text("1. e4", FEN="4k3/8/8/8/8/8/4P3/4K3 w - - 0 1").encode(), "set-up position", 0, {}),
    "broken set-up": (game_text("1. e4", FEN="9/9/nonsense w").encode(), "set-up position", 0, {}),
    "Chess960": (game_text(MOVES, Variant="Chess960").encode(), "variant", 0, {"detail": "Chess960"}),
    "another variant": (game_text(MOVES, Variant="Antichess").encode(), "variant", 0, {}),
    "illegal move": (game_text("1. e4 e5 2. Ke3 Nc6").encode(), "kept to illegal move", 2, {}),
    "first move illegal": (game_text("1. Ke3").encode(), "unreadable", 0, {}),
    "NUL bytes": (game_text("1. e4 \0 e5 \0\0 2. Nf3").encode(), "kept", 3, {}),
    "NUL in a tag": (game_text(MOVES, White="A\0da").encode(), "kept", 4, {"white": "A\0da"}),
    "a thousand plies": (game_text("Nf3 Nf6 Ng1 Ng8 " * 250).encode(), "kept", 30, {}),
    "every byte there is": (bytes(range(256)) + b"\n\n" + game_text(MOVES).encode(), "kept", 4, {}),
}


@each_reader
@pytest.mark.parametrize("kind", MESS)
def test_mess_of_real_files(tmp_path: Path, kind: str, reader: ReaderName) -> None:
    """A game that is written badly ends in its state, and the games before and after it are read."""
    game, state, plies, told = MESS[kind]
    is_end = kind.startswith("cut off")

    tables = read_text(tmp_path, GOOD + game + (b"" if is_end else LAST), reader=reader, names="keep")

    checked(tables)
    assert tables.states == ["kept", state, "kept"][: 3 - is_end]
    assert tables.games[1]["plies"] == plies
    assert {name: value for name, value in tables.games[1].items() if name in told}.items() <= told.items()


def test_same_game_in_two_files(tmp_path: Path) -> None:
    """A game that stands in two files is kept from the first."""
    for name in ("a.pgn", "b.pgn"):
        (tmp_path / name).write_bytes(GOOD)

    assert checked(read_tables(tmp_path, [tmp_path / "a.pgn", tmp_path / "b.pgn"])).states == [
        "kept",
        "duplicate",
    ]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_sixteen_bits_a_letter(tmp_path: Path, encoding: str) -> None:
    """Text of 16 or 32 bits a letter is told, with a mark at its beginning or without."""
    with pytest.raises(SourceError, match=r"games\.pgn: the text is UTF-16; save it as UTF-8"):
        read_text(tmp_path, GOOD.decode().encode(encoding))


def test_eight_and_sixteen_bits_mixed(tmp_path: Path) -> None:
    """A stretch of UTF-16 between games of UTF-8 costs no other game."""
    wide = game_text("1. c4 c5", White="Wide").encode("utf-16")

    tables = checked(read_text(tmp_path, GOOD + wide + b"\n\n" + LAST))

    assert [tables.states[0], tables.states[-1]] == ["kept", "kept"]
    assert tables.games[-1]["plies"] == 2


def many(count: int = 400) -> bytes:
    """Games that hardly compress, as all of them have other names."""
    draw = random.Random(3)
    names = (draw.randbytes(30).hex() for _ in range(count))
    return b"".join(game_text(MOVES, White=name).encode() for name in names)


def packed(data: bytes, suffix: str) -> bytes:
    """The data as a file of that kind, with a checksum where there is a choice."""
    if suffix == ".zip":
        written = io.BytesIO()
        with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("club.pgn", data)
        return written.getvalue()
    packers: dict[str, Callable[[bytes], bytes]] = {
        ".pgn.gz": gzip.compress,
        ".pgn.bz2": lambda text: bz2.compress(text, 1),
        ".pgn.xz": lzma.compress,
        ".pgn.zst": zstandard.ZstdCompressor(write_checksum=True).compress,
    }
    return packers[suffix](data)


def outcome(folder: Path, *sources: Path) -> Tables | SourceError:
    """What a read of the sources leaves, or the error that it ends in."""
    try:
        return checked(read_tables(folder, sources))
    except SourceError as error:
        return error


@pytest.mark.parametrize("suffix", SUFFIXES[:-1])
def test_data_cut_off_anywhere(tmp_path: Path, suffix: str, caplog: pytest.LogCaptureFixture) -> None:
    """Wherever a file breaks off, the games before that are kept, and what broke is told with its place."""
    text = many()
    whole = read_text(tmp_path / "whole", text)
    data = packed(text, suffix)

    for cut in range(len(data) // 13, len(data), len(data) // 12):
        folder = tmp_path / str(cut)
        folder.mkdir()
        source = folder / f"club{suffix}"
        source.write_bytes(data[:cut])
        caplog.clear()
        tables = outcome(folder, source)
        if isinstance(tables, SourceError):  # nothing of it can be had
            assert str(source) in str(tables)
            continue
        assert_begins_like(tables, whole)
        assert f"{source}, after " in caplog.text
        assert "the games before that are kept" in caplog.text


def assert_begins_like(tables: Tables, whole: Tables) -> None:
    """All games but the last are the first ones of the whole file; the last is told as broken."""
    places = ("number", "start_byte", "end_byte", "state", "plies")
    before = [[game[name] for name in places] for game in tables.games[:-1]]
    assert before == [[game[name] for name in places] for game in whole.games[: len(before)]]
    assert tables.states[-1] == "unreadable"
    assert tables.games[-1]["detail"]


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_data_damaged_anywhere(tmp_path: Path, suffix: str, caplog: pytest.LogCaptureFixture) -> None:
    """A changed byte is noticed, is told with the file's name, and the other source is read."""
    data = packed(many(150), suffix)
    good = tmp_path / "good.pgn"
    good.write_bytes(LAST)

    for at in range(40, len(data) - 120, (len(data) - 160) // 9):
        folder = tmp_path / str(at)
        folder.mkdir()
        source = folder / f"club{suffix}"
        source.write_bytes(data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :])
        caplog.clear()
        tables = outcome(folder, source, good)
        if isinstance(tables, SourceError):
            assert str(source) in str(tables)
            continue
        assert str(source) in caplog.text
        assert tables.games[-1]["source"] == str(good)
        assert tables.states[-1] == "kept"


@pytest.mark.parametrize("suffix", [".pgn", *SUFFIXES])
def test_empty_file(tmp_path: Path, suffix: str) -> None:
    """A file of no bytes has no games, or is no archive; either way that is told and nothing else is."""
    source = tmp_path / f"club{suffix}"
    source.touch()

    found = outcome(tmp_path, source)

    assert str(source) in str(found) if isinstance(found, SourceError) else found.games == []


def repeated_frames(data: bytes, suffix: str, times: int) -> Iterator[bytes]:
    """A file that unpacks to so many times the data."""
    if suffix == ".zip":
        yield from repeated_member(data, times)
        return
    frame = packed(data, suffix)
    yield from (frame for _ in range(times))


def repeated_member(data: bytes, times: int) -> Iterator[bytes]:
    """A zip archive of one member, deflated block by block. Source: PKWARE's APPNOTE, 4.3 and 4.4."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    first = packer.compress(data) + packer.flush(zlib.Z_FULL_FLUSH)
    end = zlib.compressobj(9, zlib.DEFLATED, -15).flush()
    crc = 0
    for _ in range(times):
        crc = zlib.crc32(data, crc)
    size, name = len(first) * times + len(end), b"club.pgn"
    plain = min(0xFFFFFFFF, len(data) * times)

    def header(signature: bytes, more: bytes) -> bytes:
        common = b"\x14\0\0\0\x08\0\0\0\0\0" + b"".join(n.to_bytes(4, "little") for n in (crc, size, plain))
        return signature + common + len(name).to_bytes(2, "little") + more

    local = header(b"PK\x03\x04", b"\0\0") + name
    yield local
    yield from (first for _ in range(times))
    yield end
    central = header(b"PK\x01\x02\x14\0", b"\0" * 16) + name
    yield central
    where = [len(central).to_bytes(4, "little"), (len(local) + size).to_bytes(4, "little")]
    yield b"PK\x05\x06\0\0\0\0\x01\0\x01\0" + b"".join(where) + b"\0\0"


BOMBS = [
    pytest.param(suffix, filling, size, id=f"{size / GB:g} GB of {name} in {suffix}", marks=marks)
    for suffix, filling, name, size, marks in (
        (".pgn.gz", b"\0", "zeros", GB, pytest.mark.slow),
        (".pgn.zst", b"\n", "line ends", 2 * GB, pytest.mark.slow),
        (".pgn.xz", b"\0", "zeros", GB, pytest.mark.slow),
        (".pgn.bz2", b" ", "blanks", GB, pytest.mark.slow),
        (".zip", b"\0", "zeros", GB, pytest.mark.slow),
        (".pgn.zst", b"\n", "line ends", GB // 32, ()),
        (".zip", b"\0", "zeros", GB // 16, ()),
    )
]


@needs_peak
@pytest.mark.parametrize(("suffix", "filling", "size"), BOMBS)
def test_bomb(tmp_path: Path, suffix: str, filling: bytes, size: int) -> None:
    """What unpacks to gigabytes of nothing is gone through in bounded memory, and the next source is read."""
    bomb, good = tmp_path / f"bomb{suffix}", tmp_path / "good.pgn"
    good.write_bytes(GOOD)
    unit = 16 * MB
    with bomb.open("wb") as file:
        file.writelines(repeated_frames(filling * unit, suffix, size // unit))

    done = read_measured(tmp_path, bomb, good)

    assert done.code == 0
    assert done.err.startswith(f"miner: {bomb}: no game is found")
    assert done.tables.states == ["kept"]
    assert done.peak_mb < MOST_MB


@needs_peak
@pytest.mark.slow
def test_one_frame_that_makes_gigabytes_of_a_few_bytes(tmp_path: Path) -> None:
    """A zstd frame of a hundred kilobytes that holds a gigabyte is unpacked in parts."""
    bomb = tmp_path / "bomb.pgn.zst"
    packer = zstandard.ZstdCompressor(level=1).compressobj()
    with bomb.open("wb") as file:
        for _ in range(64):
            file.write(packer.compress(b"\0" * (16 * MB)))
        file.write(packer.flush())

    done = read_measured(tmp_path, bomb)

    assert done.code == 1
    assert done.err.startswith(f"miner: {bomb}: no game is found")
    assert done.peak_mb < MOST_MB


def wide_window(data: bytes) -> bytes:
    """A zstd frame of one raw block, with a window of 2 GiB. Source: RFC 8878, section 3.1.1."""
    window = bytes([(31 - 10) << 3])
    block = (len(data) << 3 | 1).to_bytes(3, "little")
    return b"\x28\xb5\x2f\xfd\0" + window + block + data


def large_dictionary(data: bytes) -> bytes:
    """An xz stream with a dictionary of 1 GiB; to make one takes as much, so its header is patched."""
    packed_as = bytearray(lzma.compress(data, check=lzma.CHECK_CRC32))
    at = 12  # of the block's header: size, flags, filter, size of properties, dictionary
    assert packed_as[at + 2 : at + 4] == b"\x21\x01"
    packed_as[at + 4] = 36
    size = 4 * (packed_as[at] + 1)
    packed_as[at + size - 4 : at + size] = zlib.crc32(packed_as[at : at + size - 4]).to_bytes(4, "little")
    return bytes(packed_as)


@pytest.mark.parametrize(("pack", "suffix"), [(wide_window, ".zst"), (large_dictionary, ".xz")])
def test_data_that_ask_for_gigabytes_of_memory(
    tmp_path: Path, pack: Callable[[bytes], bytes], suffix: str
) -> None:
    """A header that asks for a gigabyte or more of memory is refused, with the way out."""
    source = tmp_path / f"club.pgn{suffix}"
    source.write_bytes(pack(GOOD))

    with pytest.raises(SourceError, match=r"more memory than is given here; unpack it yourself"):
        read_tables(tmp_path, [source])


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_member_that_would_be_unpacked_at_once(tmp_path: Path, method: int) -> None:
    """Members packed by what gives all its text at once are refused by name."""
    source = tmp_path / "club.zip"
    with zipfile.ZipFile(source, "w", method) as archive:
        archive.writestr("club.pgn", GOOD)

    with pytest.raises(SourceError, match=r"club\.pgn: it is packed by a method that is not read here \("):
        read_tables(tmp_path, [source])


def test_members_that_overlap(tmp_path: Path) -> None:
    """An archive whose members are all made of the same bytes is refused: it could hold petabytes."""
    source = tmp_path / "club.zip"
    written = io.BytesIO()
    archive = zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED)
    archive.writestr("0.pgn", many(50))
    for number in range(1, 9):
        again = zipfile.ZipInfo(f"{number}.pgn")
        for name in ("compress_type", "CRC", "compress_size", "file_size", "header_offset"):
            setattr(again, name, getattr(archive.filelist[0], name))
        archive.filelist.append(again)
    archive.close()
    source.write_bytes(written.getvalue())

    with pytest.raises(SourceError, match=r"club\.zip: the archive's members overlap"):
        read_tables(tmp_path, [source])


def test_names_of_members_lead_nowhere(tmp_path: Path) -> None:
    """Whatever the members are called, nothing is written outside the store, and all games are read."""
    home = tmp_path / "home"
    home.mkdir()
    source = home / "club.zip"
    link = zipfile.ZipInfo("link.pgn")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    names = [
        "../../up.pgn",
        str(tmp_path / "absolute.pgn"),
        "..\\..\\back.pgn",
        "C:\\disk.pgn",
        "a/\x1b[31m\n.pgn",
    ]
    with zipfile.ZipFile(source, "w") as archive:
        for number, name in enumerate(names):
            archive.writestr(name, game_text(MOVES, White=f"W{number}"))
        archive.writestr(link, "/etc/passwd")
        archive.writestr("inner.zip", packed(many(2), ".zip"))
        archive.writestr("club.pgn.gz", gzip.compress(GOOD))

    tables = checked(read_tables(home, [source]))

    assert sorted(tables.states) == ["kept"] * len(names)
    assert {file.relative_to(tmp_path).parts[:2] for file in tmp_path.rglob("*") if file.is_file()} == {
        ("home", "club.zip"),
        ("home", "store"),
    }
    assert {str(found.path) for game in tables.games if (found := source_of(game["source"]))} == {str(source)}


def test_member_with_a_name_longer_than_any_path(tmp_path: Path) -> None:
    """A member's game is found again in its archive however long the member's name is."""
    source = tmp_path / "club.zip"
    with zipfile.ZipFile(source, "w") as archive:
        archive.writestr("x" * 20_000 + ".pgn", GOOD)

    [game] = checked(read_tables(tmp_path, [source])).games

    found = source_of(game["source"])
    assert found is not None
    assert found.path == source


GAMES_AROUND: dict[str, Callable[[int], bytes]] = {
    "one line": lambda size: b"e4 " * (size // 3) + b"\n\n",
    "one tag": lambda size: b'[Event "' + b"x" * size + b'"]\n\n1. e4 1-0\n\n',
    "one comment": lambda size: game_text("1. c4 {" + "x" * size + "} c5").encode(),
    "a comment never closed": lambda size: game_text("1. c4 {" + "x " * (size // 2)).encode(),
    "names of colons and blanks": lambda size: game_text(
        "1. c4", White="x " * (size // 6), TimeControl=":" * (size // 3), FEN="x " * (size // 6)
    ).encode(),
    "headers without end": lambda size: (
        b"".join(b'[T%d "v"]\n' % n for n in range(size // 13)) + b"\n1. c4 1-0\n\n"
    ),
    "legal moves without end": lambda size: (
        b'[Event "E"]\n\n' + b"Nf3 Nf6 Ng1 Ng8 " * (size // 16) + b"1-0\n\n"
    ),
    "variations in variations": lambda size: game_text(
        "1. c4 " + "(1. d4 " * (size // 8) + ")" * (size // 8) + " c5"
    ).encode(),
    "empty variations": lambda size: game_text("1. c4 " + "()" * (size // 2)).encode(),
    "moves and signs": lambda size: game_text("1. c4 " + "e4 & " * (size // 5)).encode(),
    "opening brackets": lambda size: b"[\n" * (size // 2) + b"\n",
    "opening braces": lambda size: game_text("1. c4 " + "{" * size).encode(),
    "comments that open again": lambda size: game_text("1. c4 " + "{ { }" * (size // 5)).encode(),
    "comments before any move": lambda size: b'[Event "E"]\n\n' + b"{}" * (size // 2) + b"1-0\n\n",
    "comments without a game": lambda size: b"{}" * (size // 2) + b"\n\n",
    "games with open comments": lambda size: b'[E "x"]\n\n1. e4 {\n\n' * (size // 18),
    "moves in many parts": lambda size: game_text("1. e4\n\n" + "2. e4\n\n" * (size // 7)).encode(),
    "tags with CRLF": lambda size: b'[E "x"]\r\n\r\n' * (size // 11),
    "empty lines": lambda size: b"\n" * size,
    "blank lines": lambda size: b" \t \n" * (size // 4),
    "escaped lines": lambda size: b"%\n" * (size // 2),
    "remarks": lambda size: b";\n" * (size // 2) + b"\n",
    "zeros": lambda size: b"\0" * size + b"\n\n",
    "numbers": lambda size: b"1" * size + b"\n\n",
    "move numbers": lambda size: b"1." * (size // 2) + b"\n\n",
    "byte-order marks": lambda size: b"\xef\xbb\xbf" * (size // 3),
}


@needs_peak
@pytest.mark.parametrize("kind", GAMES_AROUND)
@pytest.mark.parametrize(
    "size", [pytest.param(100 * MB, marks=pytest.mark.slow), MB // 2], ids=["100 MB", "0.5 MB"]
)
def test_text_without_end(tmp_path: Path, kind: str, size: int) -> None:
    """Whatever goes on for 100 MB, memory and time have bounds, and the games of the next source are read."""
    source, good = tmp_path / "games.pgn", tmp_path / "good.pgn"
    source.write_bytes(GOOD + GAMES_AROUND[kind](size))
    good.write_bytes(LAST)

    if size > MB:
        done = read_measured(tmp_path, source, good)
        assert done.code == 0
        assert [line for line in done.err.splitlines() if " no game" not in line] == []
        assert done.peak_mb < MOST_MB
        tables = done.tables
    else:
        tables = checked(read_tables(tmp_path, [source, good]))

    assert [tables.states[0], tables.states[-1]] == ["kept", "kept"]


def test_walking_takes_time_by_size() -> None:
    """Four times the text is walked through to its end, too, and has about four times the games."""
    for kind in ("games with open comments", "tags with CRLF", "moves in many parts"):
        counts = [
            len(walk_games(GAMES_AROUND[kind](size).replace(b"\r", b" "))[0]) for size in (MB // 8, MB // 2)
        ]
        assert counts[0] <= counts[1] <= 4 * counts[0] + 4


def test_variations_ten_thousand_deep(tmp_path: Path) -> None:
    """Variations in variations are no matter of recursion, closed or not."""
    deep = 10_000
    closed = game_text("1. c4 " + "(1. d4 " * deep + ")" * deep + " c5").encode()
    opened = game_text("1. b3 " + "(1. d4 " * deep).encode()

    tables = checked(read_text(tmp_path, GOOD + closed + opened + LAST))

    assert [game["plies"] for game in tables.games] == [4, 2, 1, 2]


@needs_peak
@pytest.mark.parametrize("blanks", [b" ", b"\t", b"\n", b" \n"])
def test_blanks_without_end(tmp_path: Path, blanks: bytes) -> None:
    """However many stand behind a result, in a line or on lines of their own, the next game is read."""
    text = GOOD.rstrip() + blanks * 100_000 + b"{x\n\n" + LAST

    assert checked(read_text(tmp_path, text)).states[-1] == "kept"


def test_stream_that_ends_by_a_closed_pipe(tmp_path: Path) -> None:
    """A writer that is killed in the middle of a game ends the stream; what it wrote before is kept."""
    writer = subprocess.Popen(
        [sys.executable, "-c", ENDLESS, GOOD.decode()], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert writer.stdout
    reader = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "miner.cli",
            "read",
            "-",
            "--store",
            str(tmp_path / "store"),
            "--processes",
            "1",
        ],
        stdin=writer.stdout,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    while not any((tmp_path / "store").rglob("moves/*.parquet")):  # put in place when all are there
        assert reader.poll() is None, "the read ended before its stream did"
        time.sleep(0.01)
    writer.kill()
    writer.stdout.close()
    writer.wait()
    _, err = reader.communicate()

    store = Store.open(tmp_path / "store")
    manifest = store.manifest("read")
    assert (reader.returncode, err) == (0, b"")
    assert manifest is not None
    states = store.read_table("games", ["state"])["state"].to_pylist()
    assert len(states) == manifest.facts["games"] == sum(manifest.facts["ledger"].values()) > 1_000
    assert states[:2] == ["kept", "duplicate"]


ENDLESS = """
import sys
text = sys.argv[1].encode() * 5_000
while True:
    sys.stdout.buffer.write(text)
"""


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
def test_named_pipe(tmp_path: Path) -> None:
    """A named pipe, which could be read only once, is refused with the way out, and nothing waits for it."""
    pipe = tmp_path / "club.pgn"
    os.mkfifo(pipe)

    with pytest.raises(SourceError, match=r"club\.pgn: this is no file that can be read twice.*name `-`"):
        find_sources([str(pipe)])
    (tmp_path / "good.pgn").write_bytes(GOOD)
    assert [source.name for source in find_sources([str(tmp_path)])] == [str(tmp_path / "good.pgn")]


def test_folder_with_the_name_of_a_file(tmp_path: Path) -> None:
    """A folder called x.pgn is a folder; so is one within a folder."""
    inner = tmp_path / "all" / "x.pgn"
    inner.mkdir(parents=True)

    with pytest.raises(SourceError, match=r"x\.pgn: the folder holds no PGN files"):
        find_sources([str(inner)])
    (inner / "y.pgn").write_bytes(GOOD)
    assert [source.path for source in find_sources([str(tmp_path / "all")])] == [inner / "y.pgn"]


@pytest.mark.parametrize(
    "name", ["\0.pgn", "x" * 5_000 + ".pgn", "[", "**/[", "*" * 50, "", "\n", "\x1b[31m.pgn"]
)
def test_odd_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A name that stands for nothing is told, whatever it is."""
    monkeypatch.chdir(tmp_path)

    with pytest.raises(SourceError):
        find_sources([name])


def test_link_that_leads_nowhere_or_round(tmp_path: Path) -> None:
    """A link without a target is no file, and folders that hold themselves are searched once."""
    nowhere, good = tmp_path / "nowhere.pgn", tmp_path / "good.pgn"
    good.write_bytes(GOOD)
    try:
        nowhere.symlink_to(tmp_path / "gone.pgn")
        (tmp_path / "round").symlink_to(tmp_path)
    except OSError:
        pytest.skip("links cannot be made here")

    assert [source.path for source in find_sources([str(tmp_path)])] == [good]
    with pytest.raises(SourceError, match=r"no such file"):
        find_sources([str(nowhere)])


def test_source_that_grows_worse_between_looks(tmp_path: Path) -> None:
    """A store that was read before stays as it was if its source is of no use now."""
    source = tmp_path / "club.pgn.gz"
    source.write_bytes(gzip.compress(GOOD))
    before = read_tables(tmp_path, [source]).manifest
    source.write_bytes(b"no gzip")

    with pytest.raises(SourceError):
        read([str(source)], Store.open(tmp_path / "store"), ReadSettings())

    assert Store.open(tmp_path / "store").manifest("read") == before


def test_first_tag_after_a_byte_order_mark(tmp_path: Path) -> None:
    """The mark hides neither the first tag of a file nor the line that it is on, in each of two files."""
    marked = b"\xef\xbb\xbf" + game_text(MOVES, Event="Rated game").encode()
    for name in ("a.pgn", "b.pgn"):
        (tmp_path / name).write_bytes(marked.replace(b"Ada", name.encode()))

    tables = checked(read_tables(tmp_path, [tmp_path / "a.pgn", tmp_path / "b.pgn"], events=("rated",)))

    assert tables.states == ["kept", "kept"]
    assert [(game["line"], game["start_byte"]) for game in tables.games] == [(1, 3), (1, 3)]
