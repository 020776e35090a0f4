"""A change of several files of a folder that happens whole or not at all, whatever is killed when.

New files are written below a hidden folder, under the paths that they are to have. Then a list of what is to
be put in place and what is to go is written: from that moment on the change counts, and whoever opens the
folder next carries it out to its end.
"""

from __future__ import annotations

import json
import os
import secrets
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from miner.errors import StoreError
from miner.store.places import Location, Remote, files_below, is_below, remove_tree

PENDING = ".change"
LIST = "change.json"
UNFINISHED = ".unfinished"


class FolderChange:
    """Files to be put into a folder and files to go from it; without a commit nothing changes."""

    def __init__(self, root: Location) -> None:
        self.root = root
        self.folder = root / PENDING  # new files go here, under their paths below `root`
        self._goes: set[str] = set()

    def __enter__(self) -> Self:
        remove_tree(self.folder)
        clear_unfinished(self.root)
        self.folder.mkdir()
        return self

    def __exit__(self, *_: object) -> None:
        if not is_pending(self.root):
            remove_tree(self.folder)

    def take_out(self, name: str) -> None:
        """Have a file go, if it is there."""
        self._goes.add(name)

    def commit_files(self) -> None:
        """Put all files of the folder in place, and take out the others."""
        put = sorted(files_below(self.folder))
        with replacing(self.root / LIST) as unfinished:
            steps = {"put": put, "take_out": sorted(self._goes - set(put))}
            unfinished.write_text(json.dumps(steps, indent=1) + "\n", encoding="utf-8")
        _carry_out(self.root)


def is_pending(root: Location) -> bool:
    """Whether a change that counts has not been carried out to its end."""
    return (root / LIST).exists()


def recover(root: Location) -> None:
    """Bring a change that was cut off to its end, or take back what does not count yet."""
    if is_pending(root):
        _carry_out(root)
    elif (root / PENDING).exists():
        remove_tree(root / PENDING)


def _carry_out(root: Location) -> None:
    """Carry out the change that is written down, from wherever it was left; StoreError if it is damaged."""
    steps = _steps(root)
    for name in steps["put"]:
        new, place = root / PENDING / name, root / name
        if new.exists():
            place.parent.mkdir(parents=True, exist_ok=True)
            new.replace(place)  # type: ignore[arg-type] # both are of one kind
    for name in steps["take_out"]:
        (root / name).unlink(missing_ok=True)
    for folder in {(root / name).parent for name in [*steps["put"], *steps["take_out"]]}:
        _sync_folder(folder)
    (root / LIST).unlink()
    _sync_folder(root)
    remove_tree(root / PENDING)


def _steps(root: Location) -> dict[str, list[str]]:
    path = root / LIST
    try:
        steps: Any = json.loads(path.read_text(encoding="utf-8"))
        for name in [*steps["put"], *steps["take_out"]]:
            if not is_below(root / name, root):
                raise ValueError("it names a file that is not in the store")  # noqa: TRY301
    except (ValueError, TypeError, KeyError) as error:
        raise StoreError(
            f"the list of a change is damaged: {error}",
            where=path,
            advice="delete it, and run `miner check` to see what is missing",
        ) from error
    return {name: steps[name] for name in ("put", "take_out")}


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
            _sync_folder(path.parent)
    finally:
        unfinished.unlink(missing_ok=True)


def is_unfinished(name: str) -> bool:
    """Whether a file of this name is what a kill left of one that was being written."""
    return name.startswith(".") and name.endswith(UNFINISHED)


def clear_unfinished(folder: Location) -> None:
    """Delete what kills left of files that were being written."""
    for path in folder.iterdir():
        if is_unfinished(path.name):
            path.unlink(missing_ok=True)


@contextmanager
def settling() -> Iterator[Callable[[Iterable[Location]], None]]:
    """A function that begins to make files last through a power cut; once the block ends they do.

    Waiting for each would take a tenth of reading. A remote file lasts once it is there.
    Raises OSError at the end if a file cannot be made to last, as on a full disk.
    """
    begun: list[Future[None]] = []
    folders: set[Path] = set()

    def settle(files: Iterable[Location]) -> None:
        for file in files:
            if isinstance(file, Path):
                begun.append(thread.submit(_sync, file))
                folders.add(file.parent)

    with ThreadPoolExecutor(1) as thread:
        yield settle
        for future in begun:
            future.result()
        for folder in folders:
            _sync_folder(folder)


def _sync(file: Path) -> None:
    with file.open("rb+") as written:
        os.fsync(written.fileno())


def _sync_folder(folder: Location) -> None:
    """Make a rename last through a power cut, where the system can open folders."""
    if os.name == "nt" or isinstance(folder, Remote) or not folder.is_dir():
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
