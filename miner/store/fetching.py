"""The remote files of a folder as a file system that DuckDB is given. Needs fsspec: not for all to import."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from fsspec import AbstractFileSystem

from miner.errors import MinerError
from miner.store.places import Remote, Stretches

_SUFFIX = ".parquet"


class Files(AbstractFileSystem):  # type: ignore[misc]
    """The Parquet files of one folder, or one of them, as they are now; they are fetched by stretches."""

    cachable = False

    def __init__(self, place: Remote, failures: list[MinerError]) -> None:
        """Those of a folder, or the file itself; what goes wrong with them is added to the `failures`."""
        super().__init__()
        is_file = place.name.endswith(_SUFFIX)
        self._files = {
            name: file
            for name, file in Stretches.of_all(place.parent if is_file else place).items()
            if name.endswith(_SUFFIX) and (name == place.name or not is_file)
        }
        self._failures = failures
        self.protocol = f"miner-{place.name.removesuffix(_SUFFIX)}"
        self.pattern = f"{self.protocol}://*{_SUFFIX}"

    def glob(self, path: str, **_: Any) -> list[str]:  # noqa: ARG002 - it is always `pattern`
        """All files."""
        return sorted(self._files)

    def open(self, path: str, mode: str = "rb", **_: Any) -> _Watched:  # noqa: ARG002 - they are only read
        """A file to be read."""
        return _Watched(self._file(path), self._failures)

    def size(self, path: str) -> int:
        """Bytes of a file."""
        return self._file(path).size

    def exists(self, path: str, **_: Any) -> bool:
        """Whether it is one of the files."""
        return self._name(path) in self._files

    def modified(self, path: str) -> datetime:  # noqa: ARG002
        """Always the same: they do not change."""
        return datetime.fromtimestamp(0, UTC)

    def _file(self, path: str) -> Stretches:
        return self._files[self._name(path)]

    def _name(self, path: str) -> str:
        return path.rpartition("/")[2]


class _Watched(Stretches):
    """A file whose failures are kept: DuckDB passes on no more than their words."""

    def __init__(self, file: Stretches, failures: list[MinerError]) -> None:
        super().__init__(*file.told)
        self._failures = failures

    def _fetch(self, start: int, end: int) -> bytes:
        try:
            return super()._fetch(start, end)
        except MinerError as error:
            self._failures.append(error)
            raise
