"""A change of several files of a folder that happens whole or not at all, whatever is killed when.

New files are written below a hidden folder, under the paths that they are to have. Then a list of what is to
be put in place and what is to go is written: from that moment on the change counts, and whoever opens the
folder next carries it out to its end.
"""

from __future__ import annotations

import json
import os
import secrets
import sys
import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from miner.errors import Place, StoreError
from miner.store.places import Location, Remote, files_below, is_below, put_in_place, remove_tree

PENDING = ".change"
LIST = "change.json"
UNFINISHED = ".unfinished"


class Change:
    """What is to be put into a folder and what is to go from it."""

    def __init__(self, root: Location) -> None:
        self.root = root
        self.folder = root / PENDING  # new files go here, under their paths below `root`
        self._goes: set[str] = set()

    def take_out(self, name: str) -> None:
        """Have a file go, if it is there."""
        self._goes.add(name)

    def commit(self) -> None:
        """Put all files of the folder in place, and take out the others."""
        put = sorted(files_below(self.folder))
        with replacing(self.root / LIST) as unfinished:
            told = {"put": put, "take_out": sorted(self._goes - set(put))}
            unfinished.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
        carry_out(self.root)


@contextmanager
def changing(root: Location) -> Iterator[Change]:
    """A change to be committed; without that it leaves nothing."""
    change = Change(root)
    _clear(root)
    for path in root.iterdir():
        if is_unfinished(path):
            path.unlink(missing_ok=True)
    change.folder.mkdir()
    try:
        yield change
    finally:
        if not (root / LIST).exists():
            _clear(root)


def is_pending(root: Location) -> bool:
    """Whether a change that counts has not been carried out to its end."""
    return (root / LIST).exists()


def recover(root: Location) -> None:
    """Bring a change that was cut off to its end, or take back what does not count yet."""
    if is_pending(root):
        carry_out(root)
    elif (root / PENDING).exists():
        _clear(root)


def carry_out(root: Location) -> None:
    """Carry out the change that is written down, from wherever it was left.

    Raises StoreError if the list is none.
    """
    told = _told(root)
    for name in told["put"]:
        new, place = root / PENDING / name, root / name
        if new.exists():
            put_in_place(new, place)
    for name in told["take_out"]:
        (root / name).unlink(missing_ok=True)
    for folder in {(root / name).parent for name in [*told["put"], *told["take_out"]]}:
        sync_folder(folder)
    (root / LIST).unlink()
    sync_folder(root)
    _clear(root)


def _told(root: Location) -> dict[str, list[str]]:
    path = root / LIST
    try:
        told: Any = json.loads(path.read_text(encoding="utf-8"))
        for name in [*told["put"], *told["take_out"]]:
            if not is_below(root / name, root):
                raise ValueError("it names a file that is not in the store")  # noqa: TRY301
    except (ValueError, TypeError, KeyError) as error:
        raise StoreError(
            f"the list of a change is damaged: {error}",
            where=Place(str(path)),
            advice="delete it, and run `miner check` to see what is missing",
        ) from error
    return {name: told[name] for name in ("put", "take_out")}


def _clear(root: Location) -> None:
    remove_tree(root / PENDING)


@contextmanager
def replacing(path: Location, *, settled: bool = True) -> Iterator[Path]:
    """A temporary path beside `path` that takes its place once the block ends without an error.

    Not `settled`: whoever relies on the file sees to it that it lasts, by `settling`. What is to replace a
    remote file is put together here, and sent at the end.
    """
    if isinstance(path, Remote):
        with tempfile.TemporaryDirectory(prefix="miner-") as folder:
            unfinished = Path(folder) / path.name
            yield unfinished
            path.put(unfinished)
        return
    # Not by the number of the process: other machines may write to the same folder.
    unfinished = path.with_name(f".{path.name}.{secrets.token_hex(6)}{UNFINISHED}")
    try:
        yield unfinished
        if settled:
            _sync(unfinished)
        unfinished.replace(path)
        if settled:
            sync_folder(path.parent)
    finally:
        unfinished.unlink(missing_ok=True)


class Settling:
    """Makes files that were written last through a power cut, while others are being made."""

    def __init__(self, thread: Executor) -> None:
        self._thread = thread
        self._begun: list[Future[None]] = []
        self._folders: set[Path] = set()

    def settle(self, files: Iterable[Location]) -> None:
        """Begin to; it is done when the block of `settling` ends. A remote file does once it is there."""
        for file in files:
            if isinstance(file, Remote):
                continue
            self._begun.append(self._thread.submit(_sync, file))
            self._folders.add(file.parent)

    def finish(self) -> None:
        """Wait until all of them do. Raises OSError if one cannot, as on a full disk."""
        for one in self._begun:
            one.result()
        for folder in self._folders:
            sync_folder(folder)


@contextmanager
def settling() -> Iterator[Settling]:
    """What is settled in this block lasts once it ends: waiting for the disk takes a tenth of reading."""
    with ThreadPoolExecutor(1) as thread:
        settling = Settling(thread)
        yield settling
        settling.finish()


def _sync(file: Path) -> None:
    with file.open("rb+") as written:
        os.fsync(written.fileno())


def is_unfinished(path: Location) -> bool:
    """Whether a kill left it before it could take its name."""
    return path.name.startswith(".") and path.name.endswith(UNFINISHED)


def locks(file: IO[str]) -> bool:
    """Take the lock of an open file, which ends with the process; whether it was free."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def sync_folder(folder: Location) -> None:
    """Make a rename last through a power cut, where the system can open folders."""
    if os.name == "nt" or isinstance(folder, Remote) or not folder.is_dir():
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
