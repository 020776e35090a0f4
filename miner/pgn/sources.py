"""PGN sources: files, folders, globs, archives and standard input, as streams of text blocks."""

from __future__ import annotations

import bz2
import glob
import gzip
import hashlib
import io
import logging
import lzma
import sys
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, BinaryIO, Protocol, cast

import zstandard

from miner.errors import Place, SourceError

_log = logging.getLogger(__name__)

STDIN = "-"
SUFFIXES = (".pgn", ".pgn.gz", ".pgn.bz2", ".pgn.zst", ".pgn.xz", ".zip")
_KINDS = (".pgn", ".gz", ".bz2", ".zst", ".xz", ".zip")
_BLOCK_BYTES = 1 << 20
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_LOOK_WIDE = "*?["
_ENCRYPTED = 0x1  # bit of a zip member's flags
_READ_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # the others give all of a member at once
_METHODS = {9: "Deflate64", 12: "bzip2", 14: "LZMA", 93: "Zstandard"}  # Deflate64: some systems', above 2 GB
# Of a frame at a time. They make 128 MiB of text at the most, since 4 bytes of zstd can stand for 128 KiB.
_STEP_BYTES = 1 << 12
_WINDOW_BYTES = 1 << 27  # for a zstd frame's window; as much as the program zstd gives unless it is asked to
_XZ_BYTES = 1 << 28  # for an xz stream; the highest preset takes 65 MiB
_WIDE_LOOK = 64  # bytes by which text of 16 bits a letter is known
_TOO_MUCH = ("requires too much memory", "Memory usage limit")  # what zstd and xz say to limits on theirs
_BROKEN = (EOFError, zlib.error, lzma.LZMAError, zstandard.ZstdError, zipfile.BadZipFile, OSError)
ReportBytes = Callable[[int], None]
SourceDigest = dict[str, Any]
"""Name without folders, size and SHA-256 of a source, see `source_digest`."""


class Readable(Protocol):
    """Anything that bytes are read from."""

    def read(self, size: int, /) -> bytes:
        """So many bytes at the most; none at the end."""


@dataclass(frozen=True, slots=True)
class Source:
    """One file to read, or standard input."""

    name: str  # as the user named it, or the path found in a folder
    path: Path | None  # None: standard input

    @property
    def size_bytes(self) -> int | None:
        """Size of the file as it is stored; None: not known."""
        return self.path.stat().st_size if self.path else None

    @property
    def place(self) -> Path | None:
        """Where the file lies, the same however it was named."""
        return self.path.resolve() if self.path else None


@dataclass(frozen=True, slots=True)
class Text:
    """One decompressed text of a source, block by block; an archive has one for each member."""

    name: str  # of the source, and of the member for an archive
    blocks: Iterator[bytes]


class BrokenOff(Exception):
    """The data of a source ends or breaks before its end; what was read before it is good."""


def find_sources(named: Sequence[str]) -> list[Source]:
    """The files that the names stand for, in order: folders searched through and sorted, globs expanded.

    A file that is named again, however it is spelled, counts where it is named first.
    Raises SourceError, before anything is read, for a name that stands for nothing, a file of an unknown
    kind or one whose name is not UTF-8.
    """
    found: dict[Path | None, Source] = {}
    for source in _all_named(named):
        found.setdefault(source.place, source)
    return list(found.values())


def check_sources(named: Sequence[str]) -> None:
    """Look into all that the names stand for, and warn of files that are named twice.

    Raises SourceError as `find_sources` and `check_readable` do.
    """
    named_for = Counter(source.place for source in _all_named(named))
    for source in find_sources(named):
        if named_for[source.place] > 1:
            _log.warning("%s is named more than once; it is read once", source.name)
        check_readable(source)


def _all_named(named: Sequence[str]) -> Iterator[Source]:
    if not named:
        raise SourceError("no source is named", advice="name a PGN file, a folder, or `-` for standard input")
    for name in named:
        if name == STDIN:
            if sys.stdin is None:
                advice = "pipe the games in, or name a file"
                raise SourceError("the standard input is closed", where=Place(STDIN), advice=advice)
            yield Source(STDIN, None)
            continue
        with _opening(_printable(name)):
            found = [_file_source(file) for file in _files_of(name)]
        yield from found


def _files_of(name: str) -> list[Path]:
    path, where = Path(name), Place(_printable(name))
    if path.is_dir():
        files = [file for file in path.rglob("*") if file.is_file() and file.name.lower().endswith(SUFFIXES)]
        if not files:
            raise SourceError(
                "the folder holds no PGN files", where=where, advice=f"read are {', '.join(SUFFIXES)}"
            )
        return sorted(files)
    if path.is_file():
        return [path]
    if path.exists():
        raise SourceError(
            "this is no file that can be read twice, but a pipe or a device",
            where=where,
            advice="pipe its text in and name `-`",
        )
    if any(sign in name for sign in _LOOK_WIDE) and "\0" not in name:
        matches = sorted(glob.glob(name, recursive=True))  # noqa: PTH207 - pathlib's glob takes no absolute pattern
        files = [Path(match) for match in matches if Path(match).is_file()]
        if not files:
            raise SourceError("no file matches", where=where, advice="check the pattern and the folder")
        return files
    raise SourceError("there is no such file or folder", where=where, advice="check the spelling")


def _file_source(path: Path) -> Source:
    name = _printable(str(path))
    if path.suffix.lower() not in _KINDS:
        raise SourceError(
            "not known what kind of file this is",
            where=Place(name),
            advice=f"read are {', '.join(SUFFIXES)}; rename the file if it is one of these",
        )
    if name != str(path):
        # The tables hold the name, and their text is UTF-8.
        raise SourceError("the file's name is not UTF-8", where=Place(name), advice="rename the file")
    return Source(name, path)


def _printable(name: str) -> str:
    r"""A file name as text: bytes that are not UTF-8 are written as \xff."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def source_digest(source: Source) -> SourceDigest:
    """Name, size and SHA-256 of a source as it is stored.

    The name is without folders: games are the same wherever they lie and however the way there is written.
    What comes by standard input is not known in advance: it has neither size nor SHA-256.
    """
    name, sha256 = source.name, ""
    if source.path:
        name = source.path.name
        with _opening(source.name), source.path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return {"name": name, "size_bytes": source.size_bytes, "sha256": sha256}


def total_bytes(sources: Sequence[Source]) -> int | None:
    """Bytes of all sources as they are stored; None: not known."""
    sizes = [source.size_bytes for source in sources]
    return sum(size for size in sizes if size is not None) if None not in sizes else None


def check_readable(source: Source) -> None:
    """Raises SourceError if a source, or a member of an archive, cannot be opened or decompressed at all."""
    if source.path is None:
        return
    for text in open_texts(source, lambda _: None):
        try:
            next(text.blocks, b"")
        except BrokenOff as error:
            raise SourceError(
                f"the data cannot be decompressed: {error}",
                where=Place(text.name),
                advice="copy or download the file again",
            ) from error


def open_texts(source: Source, report: ReportBytes) -> Iterator[Text]:
    """The texts of a source: one, or one for each PGN member of an archive.

    A text must be read before the next is taken. `report` is called with the number of bytes, of the source
    as stored, that were read since. Reading a text's blocks raises BrokenOff where its data break off.

    Raises SourceError if the source, or a member when its turn comes, cannot be opened at all.
    """
    if source.path is None:
        name = "standard input"
        yield Text(name, _blocks(_Counted(sys.stdin.buffer, report), name))
        return
    suffix = source.path.suffix.lower()
    with _opening(source.name), source.path.open("rb") as file:
        if suffix == ".zip":
            yield from _members(source.name, file, report)
        else:
            yield Text(source.name, _blocks(_decompressed(suffix, _Counted(file, report)), source.name))


@contextmanager
def _opening(name: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise SourceError(
            f"the file cannot be read: {error.strerror or error}",
            where=Place(name),
            advice="check that it is there and that you may read it",
        ) from error
    except (zipfile.BadZipFile, NotImplementedError, UnicodeDecodeError) as error:
        raise SourceError(
            f"the archive cannot be read: {error}",
            where=Place(name),
            advice="copy or download it again, or unpack it yourself",
        ) from error


def _members(archive_name: str, file: BinaryIO, report: ReportBytes) -> Iterator[Text]:
    where = Place(archive_name)
    with zipfile.ZipFile(file) as archive:
        files = (member for member in archive.infolist() if not member.is_dir())
        members = [member for member in files if member.filename.lower().endswith(".pgn")]
        if not members:
            raise SourceError("the archive holds no .pgn files", where=where, advice="check it")
        if sum(member.compress_size for member in members) > file.seek(0, io.SEEK_END):
            raise SourceError(
                "the archive's members overlap, as no honest program packs them",
                where=where,
                advice="leave it out",
            )
        for member in sorted(members, key=lambda member: member.filename):
            name = f"{archive_name}/{member.filename}"
            with _opened(archive, member, name) as opened:
                yield Text(name, _blocks(opened, name))
            report(member.compress_size)


def _opened(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> IO[bytes]:
    if member.flag_bits & _ENCRYPTED:
        raise SourceError(
            "the archive has a password", where=Place(name), advice="unpack it yourself and name the folder"
        )
    if member.compress_type not in _READ_METHODS:
        method = _METHODS.get(member.compress_type, f"number {member.compress_type}")
        raise SourceError(
            f"it is packed by a method that is not read here ({method})",
            where=Place(name),
            advice="unpack the archive yourself and name the folder",
        )
    return archive.open(member)


class _Counted:
    """A file that reports how many bytes are read from it."""

    def __init__(self, file: BinaryIO, report: ReportBytes) -> None:
        self._file = file
        self._report = report

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self._report(len(data))
        return data


def _decompressed(suffix: str, file: Any) -> Readable:
    match suffix:
        case ".gz":
            return gzip.GzipFile(fileobj=file)
        case ".bz2":
            return bz2.BZ2File(file)
        case ".xz":
            return _Frames(file, "xz", lambda: lzma.LZMADecompressor(memlimit=_XZ_BYTES))
        case ".zst":
            zstd = zstandard.ZstdDecompressor(max_window_size=_WINDOW_BYTES)
            return _Frames(file, "zstd", zstd.decompressobj)
        case _:
            return cast(Readable, file)


class _Frames:
    """A file of any number of frames that, unlike the libraries' own readers, notices a missing end.

    Memory is bounded, whatever the data ask for.
    """

    def __init__(self, file: Readable, kind: str, begin: Callable[[], Any]) -> None:
        """`begin`: makes a decompressor of one frame."""
        self._file = file
        self._kind = kind
        self._begin = begin
        self._frame: Any = None
        self._rest = b""

    def read(self, _: int) -> bytes:
        """Some more text; empty at the end.

        Raises EOFError if the data ends within a frame, and what the decompressor raises for data that it
        cannot read or that would need too much memory.
        """
        while data := self._rest or self._file.read(_STEP_BYTES):
            self._rest = b""
            if self._frame is None:
                data = data.lstrip(b"\0")  # between frames they fill up blocks
                if not data:
                    continue
                self._frame = self._begin()
            text: bytes = self._frame.decompress(data)
            if self._frame.eof:
                self._rest = self._frame.unused_data
                self._frame = None
            if text:
                return text
        if self._frame is not None:
            raise EOFError(f"the {self._kind} data end in the middle of a frame")
        return b""


def _blocks(file: Readable, name: str) -> Iterator[bytes]:
    """The text in blocks; all of it up to where the data break off.

    Raises SourceError for UTF-16, which no PGN reader takes, and for data that take too much memory.
    """
    is_first = True
    # In small steps: a long read that fails would lose what it had read before.
    read = getattr(file, "read1", file.read)
    while True:
        parts: list[bytes] = []
        size = 0
        broken = None
        try:
            while size < _BLOCK_BYTES and (part := read(_BLOCK_BYTES)):
                parts.append(part)
                size += len(part)
        except _BROKEN as error:
            if any(complaint in str(error) for complaint in _TOO_MUCH):
                raise SourceError(
                    "it was packed so that to unpack it takes more memory than is given here",
                    where=Place(name),
                    advice="unpack it yourself, as with `zstd -d --long=31` or `xz -d`",
                ) from error
            broken = error
        block = b"".join(parts)
        if is_first and _is_wide(block):
            raise SourceError(
                "the text is UTF-16", where=Place(name), advice="save it as UTF-8 and read it again"
            )
        is_first = False
        if len(block) <= 2 * _BLOCK_BYTES:
            yield from [block] if block else []
        else:  # a frame may give as much at once
            yield from (block[at : at + _BLOCK_BYTES] for at in range(0, len(block), _BLOCK_BYTES))
        if broken is not None:
            raise BrokenOff(str(broken) or "the data break off") from broken
        if not block:
            return


def _is_wide(block: bytes) -> bool:
    """Whether a text that begins so has 16 bits for each letter: it says so, or every other byte is 0."""
    start = block[:_WIDE_LOOK]
    return start.startswith(_UTF16_MARKS) or any(
        len(start) > 3 and not any(start[at::2]) and all(start[1 - at :: 2]) for at in (0, 1)
    )
