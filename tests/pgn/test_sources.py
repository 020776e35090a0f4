"""What the names of sources stand for, and what is said of those that cannot be read."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from miner.errors import SourceError
from miner.pgn.sources import check_sources, find_sources, source_digest
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Store
from tests.reading import game_text, read_tables

TEXT = game_text("1. e4 e5 2. Nf3 Nc6").encode()
DEFLATE64 = 9
ENCRYPTED = 0x1


def archive(path: Path, *members: str) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as written:
        for member in members:
            written.writestr(member, TEXT)
    return path


def patch_last_member(path: Path, *, flags: int | None = None, method: int | None = None) -> None:
    """Write other flags or another method into both headers of the last member. Source: PKWARE's APPNOTE."""
    data = bytearray(path.read_bytes())
    for signature, flags_at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.rindex(signature) + flags_at
        for offset, value in ((at, flags), (at + 2, method)):
            if value is not None:
                data[offset : offset + 2] = value.to_bytes(2, "little")
    path.write_bytes(data)


def test_archive_packed_in_a_way_that_is_not_read(tmp_path: Path) -> None:
    """Deflate64, which large archives of some systems have, is named, with the member and what to do."""
    path = archive(tmp_path / "club.zip", "a.pgn", "b.pgn")
    patch_last_member(path, method=DEFLATE64)

    with pytest.raises(SourceError) as told:
        check_sources([str(path)])

    assert str(told.value) == (
        f"{path}/b.pgn: it is packed by a method that is not read here (Deflate64);"
        " unpack the archive yourself and name the folder"
    )


def test_archive_with_a_password(tmp_path: Path) -> None:
    """A member with a password is told before anything is read, though the first one has none."""
    path = archive(tmp_path / "club.zip", "a.pgn", "b.pgn")
    patch_last_member(path, flags=ENCRYPTED)

    with pytest.raises(SourceError, match=r"club\.zip/b\.pgn: the archive has a password; unpack it"):
        check_sources([str(path)])


def test_archive_with_a_damaged_member(tmp_path: Path) -> None:
    """Every member that is to be read is looked into, not the first alone."""
    path = archive(tmp_path / "club.zip", "a.pgn", "b.pgn")
    data = bytearray(path.read_bytes())
    at = data.rindex(b"PK\x03\x04")
    data[at + 30 + len("b.pgn")] = 0xFF  # a first block of no type that there is
    path.write_bytes(data)

    with pytest.raises(SourceError, match=r"club\.zip/b\.pgn: the data cannot be decompressed"):
        check_sources([str(path)])


def test_archive_whose_names_are_damaged(tmp_path: Path) -> None:
    """A member's name that is said to be UTF-8 and is not makes the archive unreadable, no more."""
    path = archive(tmp_path / "club.zip", "ä.pgn")
    path.write_bytes(path.read_bytes().replace("ä".encode(), b"\xff\xff"))

    with pytest.raises(SourceError, match=r"club\.zip: the archive cannot be read"):
        check_sources([str(path)])


def test_member_that_is_no_game_may_be_packed_anyhow(tmp_path: Path) -> None:
    """What is not read need not be readable."""
    path = archive(tmp_path / "club.zip", "a.pgn", "photo.jpg")
    patch_last_member(path, flags=ENCRYPTED, method=DEFLATE64)

    assert read_tables(tmp_path, [path]).states == ["kept"]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are always Unicode here")
@pytest.mark.parametrize("how", ["the file", "its folder", "a pattern"])
def test_file_name_that_is_not_utf8(tmp_path: Path, how: str) -> None:
    """A name in another encoding is told in letters that can be printed, with what to do."""
    file = tmp_path / os.fsdecode(b"caf\xe9.pgn")
    file.write_bytes(TEXT)
    name = {"the file": str(file), "its folder": str(tmp_path), "a pattern": str(tmp_path / "*.pgn")}[how]

    with pytest.raises(SourceError) as told:
        find_sources([name])

    assert str(told.value) == f"{tmp_path}/caf\\xe9.pgn: the file's name is not UTF-8; rename the file"


def test_missing_file_whose_name_is_not_utf8(tmp_path: Path) -> None:
    """The message can be printed anywhere."""
    with pytest.raises(SourceError) as told:
        find_sources([os.fsdecode(b"caf\xe9.pgn")])

    assert str(told.value).encode("utf-8").startswith(b"caf\\xe9.pgn: there is no such file")


@pytest.mark.parametrize("again", ["club.pgn", "./club.pgn", "../{folder}/club.pgn", "{path}", ".", "*.pgn"])
def test_file_that_is_named_twice_is_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, again: str
) -> None:
    """However it is spelled the second time; and that is said."""
    file = tmp_path / "club.pgn"
    file.write_bytes(TEXT)
    monkeypatch.chdir(tmp_path)
    sources = ["club.pgn", again.format(folder=tmp_path.name, path=file)]

    with caplog.at_level(logging.WARNING):
        check_sources(sources)

    assert [source.name for source in find_sources(sources)] == ["club.pgn"]
    assert caplog.messages == ["club.pgn is named more than once; it is read once"]


def test_different_files_are_no_repeats(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Files of the same name in two folders are two sources, and nothing is said of them."""
    files = [tmp_path / folder / "club.pgn" for folder in ("a", "b")]
    for file in files:
        file.parent.mkdir()
        file.write_bytes(TEXT)

    check_sources([str(file) for file in files])

    assert [source.path for source in find_sources([str(file) for file in files])] == files
    assert caplog.messages == []


def test_link_to_a_source_is_that_source(tmp_path: Path) -> None:
    """A symbolic link leads to games that were named already."""
    file, link = tmp_path / "club.pgn", tmp_path / "link.pgn"
    file.write_bytes(TEXT)
    try:
        link.symlink_to(file)
    except OSError:
        pytest.skip("links cannot be made here")

    assert [source.path for source in find_sources([str(file), str(link)])] == [file]


@pytest.mark.parametrize("spelled", ["club.pgn", "./club.pgn", "../{folder}/club.pgn", "{path}"])
def test_store_is_current_however_its_source_is_spelled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spelled: str
) -> None:
    """A store that was read from a file by its whole path is up to date for its other spellings."""
    file = tmp_path / "club.pgn"
    file.write_bytes(TEXT)
    monkeypatch.chdir(tmp_path)
    first = read_tables(tmp_path, [file]).manifest
    source = spelled.format(folder=tmp_path.name, path=file)

    assert read([source], Store.open(tmp_path / "store"), ReadSettings()) == first  # its seconds, too


def test_digest_tells_contents_apart(tmp_path: Path) -> None:
    """Files of one name and one size but other games are not the same source."""
    digests = []
    for folder, move in (("a", "1. e4 e5"), ("b", "1. d4 d5")):
        file = tmp_path / folder / "club.pgn"
        file.parent.mkdir()
        file.write_text(game_text(move), encoding="utf-8")
        digests.append(source_digest(*find_sources([str(file)])))

    first, second = digests
    assert (first["name"], first["size_bytes"]) == (second["name"], second["size_bytes"])
    assert first["sha256"] != second["sha256"]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="everything may be read here")
def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    """A file closed to the user is told before anything is read."""
    file = tmp_path / "club.pgn"
    file.write_bytes(TEXT)
    file.chmod(0)

    with pytest.raises(SourceError, match=r"club\.pgn: the file cannot be read: Permission denied; check"):
        check_sources([str(file)])


def test_zip_of_a_real_packer(tmp_path: Path) -> None:
    """An archive with a password made by the system's own program is told as one."""
    file = tmp_path / "club.pgn"
    file.write_bytes(TEXT)
    try:
        subprocess.run(["zip", "-q", "-P", "secret", "club.zip", "club.pgn"], cwd=tmp_path, check=True)
    except FileNotFoundError:
        pytest.skip("there is no program zip here")

    with pytest.raises(SourceError, match="has a password"):
        check_sources([str(tmp_path / "club.zip")])
