"""The folder on disk: manifests, fingerprints, whole-or-nothing writes.

STORE/
  salt                 the secret behind the players' hashes
  lock                 held while a run writes
  read.json            manifest of the stage, likewise tally.json, judge.json, follow.json, rank.json
  games/ moves/        folders of Parquet files, one per batch of games
  replies.parquet positions.parquet reach.parquet judged.parquet findings.parquet
  followed.parquet answers.parquet afterwards.parquet model_games.parquet plans.parquet seasons.parquet
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import IO, Any

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import Place, StoreError
from miner.schema import METHODS, SCHEMA_VERSION, TABLES

STAGES = ("read", "tally", "judge", "follow", "rank")
MADE_FROM = {"tally": ("read",), "judge": ("tally",), "follow": ("judge",), "rank": ("judge", "follow")}
"""The stages that each stage reads from, the first of which must have run."""
FOLDERS = ("games", "moves")

_UNFINISHED = ".unfinished"


@dataclass(frozen=True, kw_only=True, slots=True)
class Manifest:
    """What a finished stage leaves behind: enough to know whether it must run again."""

    stage: str
    settings: dict[str, Any]
    inputs: dict[str, Any]  # digests of the sources, or the fingerprint of the stage before
    rows: dict[str, int]  # rows of each table it wrote
    facts: dict[str, Any]  # anything else worth showing; not part of the fingerprint
    digests: dict[str, str] = field(default_factory=dict)  # SHA-256 of each file it wrote, by its path here
    method: int = 0  # version of the stage's way of working
    schema_version: int = SCHEMA_VERSION

    @property
    def fingerprint(self) -> str:
        """Equal for equal settings, inputs and tables."""
        told = {name: value for name, value in asdict(self).items() if name != "facts"}
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


class Store:
    """A store folder. Use `Store.open` or `Store.create`."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._writers = 0
        self._lock: IO[str]
        self._written: dict[str, str] = {}  # digests of the files written since the last stage was finished

    @classmethod
    def create(cls, root: Path) -> Store:
        """The store in `root`, made if there is none.

        Raises StoreError if the folder cannot be made or holds something else.
        """
        _check_name(root)
        try:
            root.mkdir(parents=True, exist_ok=True)
            if not (root / "salt").exists():
                if any(not _is_unfinished(path) for path in root.iterdir()):
                    raise StoreError(
                        "the folder is not empty and holds no store",
                        where=Place(str(root)),
                        advice="name an empty or a new folder",
                    )
                with replacing(root / "salt") as unfinished:
                    # Whoever has it can find names by trying a list of them: for the owner only.
                    unfinished.touch(mode=0o600)
                    unfinished.write_bytes(secrets.token_bytes(32))
        except (FileExistsError, NotADirectoryError) as error:
            raise StoreError(
                "cannot make a store: there is a file of that name on the way",
                where=Place(str(root)),
                advice="name a folder that is empty or new",
            ) from error
        except OSError as error:
            raise StoreError(
                f"cannot make a store: {error.strerror}",
                where=Place(str(root)),
                advice="name a folder you may write to",
            ) from error
        return cls.open(root)

    @classmethod
    def open(cls, root: Path) -> Store:
        """An existing store.

        Raises StoreError if there is none or it was written under another schema version.
        """
        if not (root / "salt").is_file():
            raise StoreError(
                "there is no store here",
                where=Place(str(root)),
                advice="make one with `miner run SOURCE --store DIR`",
            )
        store = cls(root)
        for stage in STAGES:
            store.manifest(stage)
        return store

    @property
    def salt(self) -> bytes:
        """The secret that players' names are hashed with."""
        return (self.root / "salt").read_bytes()

    def path(self, table: str) -> Path:
        """Where a table is kept: a folder of Parquet files for games and moves, one file otherwise."""
        assert table in TABLES, f"no table is called {table}"
        return self.root / (table if table in FOLDERS else f"{table}.parquet")

    def files(self, table: str) -> list[str]:
        """The files that a table is kept in, by their paths in the store, e.g. games/000000.parquet."""
        path = self.path(table)
        found = sorted(path.glob("*.parquet")) if table in FOLDERS else [path]
        return [file.relative_to(self.root).as_posix() for file in found]

    def manifest(self, stage: str) -> Manifest | None:
        """The manifest of a finished stage, or None.

        Raises StoreError if it is damaged or was written under another schema version.
        """
        path = self.root / f"{stage}.json"
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
            # Before the rest of it: another version may tell other things.
            self._check_version(told.get("schema_version") if isinstance(told, dict) else None)
            return _checked(Manifest(**told))
        except FileNotFoundError:
            return None
        except (OSError, ValueError, TypeError) as error:
            raise StoreError(
                f"the manifest is damaged: {error}",
                where=Place(str(path)),
                advice=f"delete it and run `miner {stage}` again",
            ) from error

    def _check_version(self, version: Any) -> None:
        if isinstance(version, int) and version != SCHEMA_VERSION:
            newer = "use the newer program that made it, or " if version > SCHEMA_VERSION else ""
            raise StoreError(
                f"the store has schema version {version}, this program {SCHEMA_VERSION}",
                where=Place(str(self.root)),
                advice=f"{newer}read the sources again into a new store",
            )

    def require(self, stage: str) -> Manifest:
        """The manifest of a stage that must have run.

        Raises StoreError if it has not.
        """
        manifest = self.manifest(stage)
        if manifest is None:
            raise StoreError(
                f"the stage `{stage}` has not been run here",
                where=Place(str(self.root)),
                advice=f"run `miner {stage}` or `miner run` first",
            )
        return manifest

    def is_current(self, stage: str, settings: dict[str, Any], inputs: dict[str, Any]) -> bool:
        """Whether the stage was finished with just these settings and inputs, and its tables are there."""
        manifest = self.manifest(stage)
        return (
            manifest is not None
            and manifest.settings == settings
            and manifest.inputs == inputs
            and manifest.method == METHODS[stage]
            and all((self.root / name).exists() for name in manifest.digests)
        )

    def begin(self, stage: str) -> None:
        """Forget that the stage was finished, before its tables are touched; clear what a kill left."""
        (self.root / f"{stage}.json").unlink(missing_ok=True)
        for path in self.root.iterdir():
            if _is_unfinished(path):
                path.unlink(missing_ok=True)

    def finish(self, manifest: Manifest) -> Manifest:
        """Record that a stage is finished, with the digests of its tables' files, which must be in place.

        Only a file of which none is known is read for it: neither from `write_table` nor from the manifest.
        """
        known = manifest.digests | self._written
        digests = {
            name: known.get(name) or digest_of(self.root / name)
            for table in manifest.rows
            for name in self.files(table)
        }
        self._written.clear()
        recorded = replace(manifest, digests=digests, method=METHODS[manifest.stage])
        with replacing(self.root / f"{manifest.stage}.json") as unfinished:
            unfinished.write_text(
                json.dumps(asdict(recorded), indent=1, sort_keys=True) + "\n", encoding="utf-8"
            )
        return recorded

    def out_of_date(self) -> str | None:
        """The first stage that was made from something else than what the stage before holds now, or None."""
        for stage, sources in MADE_FROM.items():
            later = self.manifest(stage)
            if later and any(later.inputs.get(before) != self._print_of(before) for before in sources):
                return stage
        return None

    def _print_of(self, stage: str) -> str | None:
        """The fingerprint of a stage; None: it has not run."""
        manifest = self.manifest(stage)
        return manifest.fingerprint if manifest else None

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Keep other runs out while tables are written; may be nested.

        Raises StoreError if another run is at work in the store.
        """
        if self._writers == 0:
            self._lock = (self.root / "lock").open("a")
            if not _locks(self._lock):
                self._lock.close()
                raise StoreError(
                    "another run is at work in this store",
                    where=Place(str(self.root)),
                    advice="wait until it is done, or name another folder",
                )
        self._writers += 1
        try:
            yield
        finally:
            self._writers -= 1
            if self._writers == 0:
                self._lock.close()

    def write_table(self, name: str, table: pa.Table) -> None:
        """Write a one-file table whole or not at all; its columns must be those of the schema."""
        [file] = self.files(name)
        self._written[file] = write_parquet(self.root / file, table.cast(TABLES[name]), compression="zstd")

    def read_table(self, name: str, columns: list[str] | None = None) -> pa.Table:
        """A table, or some of its columns.

        Raises StoreError if it is missing or damaged.
        """
        try:
            return pq.read_table(self.path(name), columns=columns)
        except (OSError, pa.ArrowException) as error:
            raise StoreError(
                f"the table `{name}` cannot be read: {error}",
                where=Place(str(self.path(name))),
                advice="delete it and run the stage that writes it again",
            ) from error


def _check_name(root: Path) -> None:
    try:
        str(root).encode("utf-8")
    except UnicodeEncodeError as error:
        # Neither Parquet nor DuckDB opens files in a folder of such a name.
        name = os.fsencode(root).decode("utf-8", "backslashreplace")
        raise StoreError(
            "cannot make a store: the folder's name is not UTF-8",
            where=Place(name),
            advice="name another folder",
        ) from error


def stage_before(stage: str) -> str:
    """The stage that a stage reads from first of all."""
    return MADE_FROM[stage][0]


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary path beside `path` that takes its place once the block ends without an error."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}{_UNFINISHED}")
    try:
        yield unfinished
        with unfinished.open("rb+") as written:
            os.fsync(written.fileno())
        unfinished.replace(path)
        _sync_folder(path.parent)
    finally:
        unfinished.unlink(missing_ok=True)


def _is_unfinished(path: Path) -> bool:
    """Whether a kill left it before it could take its name."""
    return path.name.startswith(".") and path.name.endswith(_UNFINISHED)


def _checked(manifest: Manifest) -> Manifest:
    for name in ("settings", "inputs", "rows", "facts", "digests"):
        if not isinstance(getattr(manifest, name), dict):
            raise TypeError(f"{name} is no table")
    return manifest


class _Hashing:
    """A file to write to that computes the SHA-256 of what is written on its way."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._hash = hashlib.sha256()
        self.closed = False

    def write(self, data: bytes) -> int:
        self._hash.update(data)
        return self._file.write(data)

    def flush(self) -> None:
        self._file.flush()

    def close(self) -> None:
        self.closed = True

    def hexdigest(self) -> str:
        return self._hash.hexdigest()


def write_parquet(path: Path, table: pa.Table, **how: Any) -> str:
    """Write a table to a file, whole or not at all, and tell the file's SHA-256.

    `how`: as for pyarrow's `write_table`.
    """
    with replacing(path) as unfinished, unfinished.open("wb") as file:
        hashing = _Hashing(file)
        pq.write_table(table, hashing, **how)
    return hashing.hexdigest()


def digest_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _locks(file: IO[str]) -> bool:
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


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system can open folders."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
