"""Where a store may lie: a folder of this machine, or a place that fsspec reaches, such as a bucket of S3.

A folder is a `pathlib.Path`, as ever. Any other place is a `Remote`, which does what the store asks of a
path; everything that goes out to it goes through here, so that a failure is told in one way.

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
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from miner.errors import Place, StoreError, UsageError

_URL = re.compile(r"(?P<protocol>[a-z][a-z0-9+.-]+)://(?P<path>.*)", re.DOTALL)
_PASSWORD = re.compile(r":[^/@]*@")

_OBJECT_STORES = frozenset({"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "adl", "oss", "oci"})
"""Protocols without folders, in which an object is put whole or not at all."""

_READ_AT_ONCE = 8 << 20
_ANSWERS = (FileNotFoundError, FileExistsError, IsADirectoryError, NotADirectoryError)
"""What the other side may answer without anything being wrong."""


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

    def with_name(self, name: str) -> Remote:
        """Another one in the same folder."""
        return self.parent / name

    def resolve(self) -> Remote:
        """The same without steps upwards."""
        return Remote(self.protocol, posixpath.normpath(self.path))

    def relative_to(self, folder: Remote) -> Path:
        """The way to it from a folder above it. Raises ValueError for another one."""
        if not self.is_relative_to(folder):
            raise ValueError(f"{self} is not in {folder}")
        return Path(self.path[len(folder.path) :].lstrip("/"))

    def is_relative_to(self, folder: Remote) -> bool:
        """Whether it is the folder or lies in it."""
        return self.protocol == folder.protocol and f"{self.path}/".startswith(f"{folder.path}/")

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
        """What fsspec tells of it. Raises FileNotFoundError."""
        with self._asking() as (system, path):
            told: dict[str, Any] = system.info(path)
            return told

    def iterdir(self) -> Iterator[Remote]:
        """What lies in the folder; nothing if there is none."""
        yield from self._named(told["name"] for told in self.listed())

    def glob(self, pattern: str) -> Iterator[Remote]:
        """What lies in the folder and has an ending: the pattern is a star and that, such as `*.parquet`."""
        assert pattern.startswith("*")
        assert glob.escape(pattern[1:]) == pattern[1:]
        return (one for one in self.iterdir() if one.name.endswith(pattern[1:]))

    def tree(self) -> list[Remote]:
        """All files in the folder and in those below it."""
        with self._asking() as (system, path):
            return self._named(system.find(path))  # none if the folder is not there

    def listed(self) -> list[dict[str, Any]]:
        """What fsspec tells of all that lies in the folder; nothing if there is none."""
        with self._asking() as (system, path):
            try:
                told: list[dict[str, Any]] = system.ls(path, detail=True)
            except FileNotFoundError:
                return []
        return told

    def _named(self, paths: Iterable[str]) -> list[Remote]:
        folder = _reached(self)[1].rstrip("/")
        # An object store may hold an empty object of a folder's own name.
        inside = (path.removeprefix(folder).strip("/") for path in paths)
        return [self / name for name in inside if name]

    def mkdir(self, *, parents: bool = False, exist_ok: bool = False) -> None:  # noqa: ARG002 - as a path has
        """Make the folder and those above it, where there are folders; fine if it is there."""
        if self.protocol not in _OBJECT_STORES:
            with self._asking() as (system, path):
                system.makedirs(path, exist_ok=True)

    def unlink(self, *, missing_ok: bool = False) -> None:
        """Delete the file. Raises FileNotFoundError if it is not there, unless that is fine."""
        # An object store says nothing of a file that is not there, and other systems say it in many ways.
        if missing_ok and self.protocol not in _OBJECT_STORES and not self.exists():
            return
        with self._asking() as (system, path):
            system.rm_file(path)

    def remove_tree(self) -> None:
        """Delete the folder with all that lies in it, if it is there."""
        if self.exists():
            with self._asking() as (system, path):
                system.rm(path, recursive=True)

    def replace(self, target: Remote) -> None:
        """Have it take the place of another one; an object store copies it first."""
        with self._asking() as (system, path):
            system.mv(path, _reached(target)[1])

    def open(self, mode: str = "rb") -> io.BufferedReader:
        """The file to be read from its beginning on. Raises FileNotFoundError."""
        assert mode == "rb", "remote files are written whole, by `put`"
        return io.BufferedReader(Stretches.of(self), _READ_AT_ONCE)

    def read_bytes(self) -> bytes:
        """The contents of a small file. Raises FileNotFoundError."""
        with self._asking() as (system, path):
            contents: bytes = system.cat_file(path)
            return contents

    def read_text(self, encoding: str) -> str:
        """The contents of a small file as text. Raises FileNotFoundError, UnicodeDecodeError."""
        return self.read_bytes().decode(encoding)

    def put(self, file: Path) -> None:
        """Have it hold what a local file does, whole or not at all.

        Raises StoreError if it cannot be written.
        """
        if self.protocol in _OBJECT_STORES:
            self._send(file)
            return
        unfinished = self.with_name(f".{self.name}.unfinished")
        unfinished._send(file)
        unfinished.replace(self)

    def _send(self, file: Path) -> None:
        with self._writing() as (system, path):
            system.put_file(str(file), path)

    def create(self, contents: bytes) -> bool:
        """Have it hold a few bytes, unless it is there already; whether it was not.

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
            with self._asking() as asked:
                yield asked
        except FileNotFoundError as error:
            raise StoreError(
                f"there is no such place to write to: {error}",
                where=Place(str(self)),
                advice="make the bucket or folder first, or check its name",
            ) from error

    @contextmanager
    def _asking(self) -> Iterator[tuple[Any, str]]:
        """The file system, and the path in it; what goes wrong with them becomes a StoreError."""
        system, path = _reached(self)
        with told_as_ours(self):
            yield system, path


Location: TypeAlias = Path | Remote
"""Where a store lies, or a file of it."""


def located(name: str | Location) -> Location:
    """The place of a name: that of a URL with a protocol, or a folder.

    Raises UsageError for a protocol that is unknown, or needs a package that is not installed.

    >>> str(located("club")), str(located("file:///club"))
    ('club', '/club')
    """
    if not isinstance(name, str):
        return name
    told = _URL.fullmatch(name)
    if told is None:
        return Path(name)
    if told["protocol"] in ("file", "local"):
        return Path(told["path"])
    remote = Remote(told["protocol"], told["path"].rstrip("/"))
    _reached(remote)
    return remote


def readable(file: Location) -> Any:
    """A file as pyarrow reads it: its path, or an object that fetches what is asked for."""
    return file if isinstance(file, Path) else Stretches.of(file)


def files_below(folder: Location) -> list[str]:
    """All files of a folder and of those below it, by their paths from there."""
    found = (
        folder.tree() if isinstance(folder, Remote) else [one for one in folder.rglob("*") if one.is_file()]
    )
    return [_path_in(folder, one) for one in found]


def is_below(place: Location, folder: Location) -> bool:
    """Whether it lies in the folder, steps upwards counted."""
    try:
        _path_in(folder.resolve(), place.resolve())
    except ValueError:
        return False
    return True


def _path_in(folder: Location, place: Location) -> str:
    if isinstance(folder, Remote):
        assert isinstance(place, Remote)
        return place.relative_to(folder).as_posix()
    assert isinstance(place, Path)
    return place.relative_to(folder).as_posix()


def is_shared(place: Location) -> bool:
    """Whether other processes see what is written there: fsspec's `memory` is that of one process."""
    return isinstance(place, Path) or place.protocol != "memory"


def is_there(folder: Location) -> Callable[[str], bool]:
    """What tells of paths in a folder whether there is such a file; of a remote one, by one list of all."""
    if isinstance(folder, Remote):
        return frozenset(files_below(folder)).__contains__
    return lambda name: (folder / name).exists()


def put_in_place(new: Location, place: Location) -> None:
    """Have a file take the place of another one, or of none."""
    if isinstance(new, Remote):
        assert isinstance(place, Remote)
        place.parent.mkdir(parents=True, exist_ok=True)
        new.replace(place)
    else:
        assert isinstance(place, Path)
        place.parent.mkdir(parents=True, exist_ok=True)
        new.replace(place)


def brought_near(file: Location, folder: Path) -> Path:
    """A file of this machine that holds the same: itself, or a copy in the folder."""
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
    else:
        folder.remove_tree()


@contextmanager
def told_as_ours(remote: Remote) -> Iterator[None]:
    """Turn what a protocol's library raises into a StoreError, but for plain answers such as "not there"."""
    try:
        yield
    except (StoreError, *_ANSWERS):
        raise
    except PermissionError as error:
        raise StoreError(
            f"access is denied: {error}",
            where=Place(str(remote)),
            advice="check the credentials (of S3: AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY) and their rights",
        ) from error
    except Exception as error:
        # Each protocol's library has errors of its own, most of which are no OSError.
        raise StoreError(
            f"it cannot be reached: {str(error) or type(error).__name__}",
            where=Place(str(remote)),
            advice="check the network, the address and the credentials (of S3: AWS_ENDPOINT_URL, "
            "AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY), then run the same again; what was finished is kept",
        ) from error


def _reached(remote: Remote) -> tuple[Any, str]:
    """The file system of a place, and the path in it. fsspec keeps the system for each thread and process."""
    try:
        from fsspec.core import url_to_fs

        system, path = url_to_fs(remote.url, **_options(remote.protocol))
    except ImportError as error:
        has_extra = not str(error.name).startswith("fsspec") and remote.protocol not in ("s3", "s3a")
        raise UsageError(
            f"a store on {remote.protocol}:// needs a package that is not installed: {error}",
            where=Place(str(remote)),
            advice="install it"
            if has_extra
            else "install it with: pip install -e '.[remote]', in the miner's folder",
        ) from error
    except ValueError as error:
        raise UsageError(
            f"a store cannot be there: {error}",
            where=Place(str(remote)),
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


_ONE_AT_A_TIME = threading.Lock()


class Stretches(io.RawIOBase):
    """A remote file of which stretches are read: each of them is one request, and none is fetched ahead.

    Several threads may read it at the same time: each has a place of its own in it.
    """

    def __init__(self, remote: Remote, system: Any, path: str, size: int) -> None:
        super().__init__()
        self._remote, self._system, self._path, self._size = remote, system, path, size
        self._at = threading.local()

    @classmethod
    def of(cls, remote: Remote) -> Stretches:
        """Those of a file. Raises FileNotFoundError."""
        return cls(remote, *_reached(remote), remote.info()["size"])

    @classmethod
    def of_all(cls, folder: Remote) -> dict[str, Stretches]:
        """Those of all files of a folder, by their names."""
        return {
            one.name: cls(one, *_reached(one), told["size"])
            for told in folder.listed()
            if told["type"] == "file"
            for one in (folder / told["name"].rpartition("/")[2],)
        }

    @property
    def size(self) -> int:
        """Bytes of the whole file."""
        return self._size

    @property
    def told(self) -> tuple[Remote, Any, str, int]:
        """What it was made from."""
        return self._remote, self._system, self._path, self._size

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """Where this thread is."""
        at: int = getattr(self._at, "byte", 0)
        return at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a byte."""
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self.tell(), io.SEEK_END: self._size}[whence]
        self._at.byte = start + offset
        return start + offset

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer with what follows, up to the end of the file."""
        start = self.tell()
        end = min(start + len(buffer), self._size)
        if end <= start:
            return 0
        found = self._fetch(start, end)
        buffer[: len(found)] = found
        self._at.byte = start + len(found)
        return len(found)

    def _fetch(self, start: int, end: int) -> bytes:
        with told_as_ours(self._remote):
            try:
                if self._system.async_impl:
                    found: bytes = self._system.cat_file(self._path, start=start, end=end)
                else:  # those that are not made for several threads at once
                    with _ONE_AT_A_TIME:
                        found = self._system.cat_file(self._path, start=start, end=end)
            except FileNotFoundError as error:
                raise StoreError(
                    "the file is gone since it was looked for",
                    where=Place(str(self._remote)),
                    advice="run the same again; if another run was at work there, when it is done",
                ) from error
        return found
