"""The remote files of a folder as a file system that DuckDB is given. Needs fsspec: not for all to import."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any

from fsspec import AbstractFileSystem

from miner.errors import MinerError
from miner.store.places import Remote, Stretches

_SUFFIX = ".parquet"


class Files(AbstractFileSystem):  # type: ignore[misc]
    """The Parquet files of one folder, or one of them, as they are now; they are fetched by stretches."""

    cachable = False

    def __init__(self, place: Remote, failures: list[MinerError]) -> None:
        """Those of a folder, or the file itself. Errors go to `failures`: DuckDB keeps only their words."""
        super().__init__()
        is_file = place.name.endswith(_SUFFIX)
        folder = place.parent if is_file else place
        self._opened: dict[str, Callable[[], Stretches]] = {}  # by name
        for entry in folder.entries():
            file = folder / entry["name"].rpartition("/")[2]
            if entry["type"] == "file" and file.name.endswith(_SUFFIX) and (file == place or not is_file):
                system, path = file.reached()
                self._opened[file.name] = partial(Stretches, file, system, path, entry["size"], failures)
        self.protocol = f"miner-{place.name.removesuffix(_SUFFIX)}"
        self.pattern = f"{self.protocol}://*{_SUFFIX}"

    def glob(self, path: str, **_: Any) -> list[str]:  # noqa: ARG002 - it is always `pattern`
        """All files."""
        return sorted(self._opened)

    def open(self, path: str, mode: str = "rb", **_: Any) -> Stretches:  # noqa: ARG002 - they are only read
        """A file to be read."""
        return self._opened[path.rpartition("/")[2]]()

    def size(self, path: str) -> int:
        """Bytes of a file."""
        return self.open(path).size

    def exists(self, path: str, **_: Any) -> bool:
        """Whether it is one of the files."""
        return path.rpartition("/")[2] in self._opened

    def modified(self, path: str) -> datetime:  # noqa: ARG002
        """Always the same: they do not change."""
        return datetime.fromtimestamp(0, UTC)
