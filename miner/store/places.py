"""Where a store may lie: a folder of this machine, or a place that fsspec reaches, such as a bucket of S3.

A folder is a `pathlib.Path`. Any other place is a `Remote`, which does what the store asks of a path; all
requests to it go through here, so that a failure always becomes the same kind of error.

Remote files are written whole: the contents are put together in a local temporary file and sent by one
request, or, where the protocol does not promise that such a file appears whole, sent under another name and
renamed. Reading asks for the stretches that are wanted, and for nothing twice.
"""

from __future__ import annotations

import glob
import io
import posixpath
import re
import shutil
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from miner.distribution import with_extra
from miner.errors import MinerError, StoreError, UsageError

_URL = re.compile(r"(?P<protocol>[a-z][a-z0-9+.-]+)://(?P<path>.*)", re.DOTALL)
_PASSWORD = re.compile(r":[^/@]*@")

_OBJECT_STORES = frozenset({"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "adl", "oss", "oci"})
"""Protocols without folders, in which an object is put whole or not at all."""

_READ_AT_ONCE = 8 << 20
_ANSWERS = (FileNotFoundError, FileExistsError, IsADirectoryError, NotADirectoryError)
"""Answers of a server that are no failures."""
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, order=True, slots=True)
class Remote:
    """A file or folder on another system, by its URL; of a path it has what a store needs."""

    protocol: str
    path: str  # behind the protocol, without a slash at its end

    @property
    def url(self) -> str:
        """As it is reached; a password may be in it."""
        return f"{self.protocol}://{self.path}"

    def __str__(self) -> str:
        return f"{self.protocol}://{_PASSWORD.sub(':***@', self.path, count=1)}"

    def __truediv__(self, name: str) -> Remote:
        return Remote(self.protocol, posixpath.join(self.path, name))

    @property
    def name(self) -> str:
        """The last part."""
        return posixpath.basename(self.path)

    @property
    def parent(self) -> Remote:
        """The folder that it lies in."""
        return Remote(self.protocol, posixpath.dirname(self.path))

    def resolve(self) -> Remote:
        """The place with its steps upwards taken."""
        return Remote(self.protocol, posixpath.normpath(self.path))

    def relative_to(self, folder: Remote) -> Path:
        """The path to it from a folder above it. Raises ValueError if it does not lie in the folder."""
        if self.protocol != folder.protocol or not f"{self.path}/".startswith(f"{folder.path}/"):
            raise ValueError(f"{self} is not in {folder}")
        return Path(self.path[len(folder.path) :].lstrip("/"))

    def exists(self) -> bool:
        """Whether there is a file or folder of the name. A folder of an object store is what lies in it."""
        return self._type() is not None

    def is_file(self) -> bool:
        """Whether there is a file of the name."""
        return self._type() == "file"

    def is_dir(self) -> bool:
        """Whether there is a folder of the name."""
        return self._type() == "directory"

    def _type(self) -> str | None:
        try:
            return str(self.info()["type"])
        except FileNotFoundError:
            return None

    def info(self) -> dict[str, Any]:
        """The entry of it that fsspec gives: type, size and more. Raises FileNotFoundError."""
        with self.asking() as (system, path):
            entry: dict[str, Any] = system.info(path)
            return entry

    def iterdir(self) -> Iterator[Remote]:
        """All files and folders in the folder; none if it is not there."""
        yield from self.named(entry["name"] for entry in self.entries())

    def glob(self, pattern: str) -> Iterator[Remote]:
        """Those with a certain ending: the pattern is a star and that, such as `*.parquet`."""
        assert pattern.startswith("*")
        assert glob.escape(pattern[1:]) == pattern[1:]
        return (place for place in self.iterdir() if place.name.endswith(pattern[1:]))

    def entries(self) -> list[dict[str, Any]]:
        """The entry that fsspec gives of each file and folder in the folder; none if it is not there."""
        with self.asking() as (system, path):
            try:
                entries: list[dict[str, Any]] = system.ls(path, detail=True)
            except FileNotFoundError:
                return []
        return entries

    def named(self, paths: Iterable[str]) -> list[Remote]:
        """The places in the folder to which fsspec's paths lead."""
        folder = self.reached()[1].rstrip("/")
        # An object store may hold an empty object of a folder's own name.
        inside = (path.removeprefix(folder).strip("/") for path in paths)
        return [self / name for name in inside if name]

    def mkdir(self, *, parents: bool = False, exist_ok: bool = False) -> None:  # noqa: ARG002 - as a path has
        """Make the folder and those above it, where there are folders; fine if it is there."""
        if self.protocol not in _OBJECT_STORES:
            with self.asking() as (system, path):
                system.makedirs(path, exist_ok=True)

    def unlink(self, *, missing_ok: bool = False) -> None:
        """Delete the file. Raises FileNotFoundError if it is not there, unless that is fine."""
        # An object store says nothing of a file that is not there, and other systems say it in many ways.
        if missing_ok and self.protocol not in _OBJECT_STORES and not self.exists():
            return
        with self.asking() as (system, path):
            system.rm_file(path)

    def replace(self, target: Remote) -> None:
        """Move the file to the place of another one; an object store copies it first."""
        with self.asking() as (system, path):
            system.mv(path, target.reached()[1])

    def open(self, mode: str = "rb") -> io.BufferedReader:
        """The file to be read from its beginning on. Raises FileNotFoundError."""
        assert mode == "rb", "remote files are written whole, by `put`"
        return io.BufferedReader(Stretches.of(self), _READ_AT_ONCE)

    def read_bytes(self) -> bytes:
        """The contents of a small file. Raises FileNotFoundError."""
        with self.asking() as (system, path):
            contents: bytes = system.cat_file(path)
            return contents

    def read_text(self, encoding: str) -> str:
        """The contents of a small file as text. Raises FileNotFoundError, UnicodeDecodeError."""
        return self.read_bytes().decode(encoding)

    def put(self, file: Path) -> None:
        """Copy a local file there, whole or not at all. Raises StoreError if it cannot be written."""
        is_whole = self.protocol in _OBJECT_STORES
        sent = self if is_whole else self.parent / f".{self.name}.unfinished"
        with sent._writing() as (system, path):
            system.put_file(str(file), path)
        if not is_whole:
            sent.replace(self)

    def create(self, contents: bytes) -> bool:
        """Write a small file unless there is one already, and tell whether there was none.

        Raises StoreError if it cannot be written.
        """
        with self._writing() as (system, path):
            try:
                system.pipe_file(path, contents, mode="create")
            except FileExistsError:
                return False
            except OSError:
                # Some servers have another code for it.
                if system.exists(path):
                    return False
                raise
        return True

    @contextmanager
    def _writing(self) -> Iterator[tuple[Any, str]]:
        try:
            with self.asking() as reached:
                yield reached
        except FileNotFoundError as error:
            raise StoreError(
                f"there is no such place to write to: {error}",
                where=self,
                advice="make the bucket or folder first, or check its name",
            ) from error

    @contextmanager
    def asking(self) -> Iterator[tuple[Any, str]]:
        """The file system and the path in it, with errors as `explaining` makes them."""
        reached = self.reached()
        with self.explaining():
            yield reached

    @contextmanager
    def explaining(self) -> Iterator[None]:
        """Turn what a protocol's library raises into a StoreError, but for answers such as "not there"."""
        try:
            yield
        except (StoreError, *_ANSWERS):
            raise
        except PermissionError as error:
            raise StoreError(
                f"access is denied: {error}",
                where=self,
                advice="check the credentials (of S3: AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY) and their "
                "rights",
            ) from error
        except Exception as error:
            # Each protocol's library has errors of its own, most of which are no OSError.
            raise StoreError(
                f"it cannot be reached: {str(error) or type(error).__name__}",
                where=self,
                advice="check the network, the address and the credentials (of S3: AWS_ENDPOINT_URL, "
                "AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY), then run the same again; what was finished is "
                "kept",
            ) from error

    def reached(self) -> tuple[Any, str]:
        """The file system, which fsspec keeps for each thread and process, and the path in it.

        Raises UsageError if the protocol is unknown, or needs a package that is not installed.
        """
        try:
            from fsspec.core import url_to_fs

            system, path = url_to_fs(self.url, **_options(self.protocol))
        except ImportError as error:
            has_extra = str(error.name).startswith("fsspec") or self.protocol in ("s3", "s3a")
            raise UsageError(
                f"a store on {self.protocol}:// needs a package that is not installed: {error}",
                where=self,
                advice=with_extra("remote") if has_extra else "install it",
            ) from error
        except ValueError as error:
            raise UsageError(
                f"a store cannot be there: {error}",
                where=self,
                advice="name a folder, or a URL such as s3://bucket/club",
            ) from error
        return system, str(path)


def _options(protocol: str) -> dict[str, Any]:
    options: dict[str, Any] = {}
    if protocol in _OBJECT_STORES:
        options["use_listings_cache"] = False  # what other processes write is to be seen at once
    if protocol in ("s3", "s3a"):
        options["max_concurrency"] = 1  # else it asks for the size of every file before it reads one
    return options


Location: TypeAlias = Path | Remote
"""Where a store lies, or a file of it."""


def located(name: str | Location) -> Location:
    """The place of a name: a remote one for a URL with a protocol, else a folder of this machine.

    Raises UsageError for a protocol that is unknown, or needs a package that is not installed.

    >>> str(located("club")), str(located("file:///club"))
    ('club', '/club')
    """
    if not isinstance(name, str):
        return name
    url = _URL.fullmatch(name)
    if url is None:
        return Path(name)
    if url["protocol"] in ("file", "local"):
        return Path(url["path"])
    remote = Remote(url["protocol"], url["path"].rstrip("/"))
    remote.reached()
    return remote


def readable(file: Location) -> Any:
    """A file as pyarrow reads it: its path, or an object that fetches what is asked for."""
    return file if isinstance(file, Path) else Stretches.of(file)


def files_below(folder: Location) -> list[str]:
    """All files in a folder and in those below it, by their paths from there; none if it is not there."""
    if isinstance(folder, Path):
        return [_path_in(folder, file) for file in folder.rglob("*") if file.is_file()]
    with folder.asking() as (system, path):
        return [_path_in(folder, file) for file in folder.named(system.find(path))]


def is_below(place: Location, folder: Location) -> bool:
    """Whether a place lies in the folder, steps upwards counted."""
    try:
        _path_in(folder.resolve(), place.resolve())
    except ValueError:
        return False
    return True


def _path_in(folder: Location, place: Location) -> str:
    return place.relative_to(folder).as_posix()  # type: ignore[arg-type] # both are of one kind


def is_shared(place: Location) -> bool:
    """Whether other processes see what is written there: fsspec's `memory` is that of one process."""
    return isinstance(place, Path) or place.protocol != "memory"


def brought_near(file: Location, folder: Path) -> Path:
    """A file of this machine with the same contents: itself, or a copy in the folder."""
    if isinstance(file, Path):
        return file
    copy = folder / file.name
    with file.open() as there, copy.open("wb") as here:
        shutil.copyfileobj(there, here, _READ_AT_ONCE)
    return copy


def remove_tree(folder: Location) -> None:
    """Delete a folder with all that lies in it, if it is there."""
    if isinstance(folder, Path):
        shutil.rmtree(folder, ignore_errors=True)
    elif folder.exists():
        with folder.asking() as (system, path):
            system.rm(path, recursive=True)


class Stretches(io.RawIOBase):
    """A remote file of which stretches are read: each of them is one request, and none is fetched ahead.

    Several threads may read it at the same time: each has a position of its own in it.
    """

    def __init__(
        self, remote: Remote, system: Any, path: str, size: int, failures: list[MinerError] | None = None
    ) -> None:
        """`size`: bytes of the file. Errors are added to the `failures` as well as raised."""
        super().__init__()
        self.size = size
        self._remote, self._system, self._path, self._failures = remote, system, path, failures
        self._at = threading.local()

    @classmethod
    def of(cls, remote: Remote) -> Stretches:
        """The stretches of a file. Raises FileNotFoundError."""
        return cls(remote, *remote.reached(), remote.info()["size"])

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """The position of this thread."""
        at: int = getattr(self._at, "byte", 0)
        return at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a byte."""
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self.tell(), io.SEEK_END: self.size}[whence]
        self._at.byte = start + offset
        return start + offset

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer with what follows, up to the end of the file."""
        start = self.tell()
        end = min(start + len(buffer), self.size)
        if end <= start:
            return 0
        try:
            found = self._fetch(start, end)
        except MinerError as error:
            if self._failures is not None:
                self._failures.append(error)
            raise
        buffer[: len(found)] = found
        self._at.byte = start + len(found)
        return len(found)

    def _fetch(self, start: int, end: int) -> bytes:
        # Systems that are not asynchronous are not made for several threads at once.
        turn = nullcontext() if self._system.async_impl else _ONE_AT_A_TIME
        try:
            with self._remote.explaining(), turn:
                found: bytes = self._system.cat_file(self._path, start=start, end=end)
        except FileNotFoundError as error:
            raise StoreError(
                "the file is gone since it was looked for",
                where=self._remote,
                advice="run the same again; if another run was at work there, when it is done",
            ) from error
        return found
