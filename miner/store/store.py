"""The folder on disk or in a bucket: manifests, fingerprints, whole-or-nothing writes.

STORE/
  salt                 the secret behind the players' hashes
  lock                 held while a run writes; of a remote store it is writer.json, see `miner.store.claim`
  forgotten            salted hashes of players whose games are not to be known, if there are any
  settings.json        the settings that each stage was begun with last, finished or not
  pupils               the numbers that pupils are called by, if there are any, see `miner.store.numbers`
  taught.csv           what groups were taught, if that is kept here, see `miner.lesson.taught`
  read.json            manifest of the stage, likewise tally.json, judge.json, follow.json, rank.json
  games/ moves/        folders of Parquet files, one per batch of games
  replies.parquet positions.parquet reach.parquet edges.parquet judged.parquet findings.parquet
  followed.parquet answers.parquet punishments.parquet afterwards.parquet model_games.parquet plans.parquet
  seasons.parquet
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import posixpath
import secrets
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, nullcontext
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Self

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import StoreError, cause
from miner.schema import METHODS, SCHEMA_VERSION, TABLES, encodings_of
from miner.store.change import (
    PENDING,
    FolderChange,
    is_pending,
    is_unfinished,
    recover,
    replacing,
)
from miner.store.claim import Claim, Lock, claimed, unclaimed
from miner.store.places import Location, Remote, files_below, located, readable, remove_tree
from miner.terms import BandScheme

STAGES = ("read", "tally", "judge", "scan", "follow", "rank")
MADE_FROM = {
    "tally": ("read",),
    "judge": ("tally",),
    "scan": ("tally",),
    "follow": ("judge",),
    "rank": ("judge", "follow"),
}
"""The stages that each stage reads from, the first of which must have run."""
FOLDERS = ("games", "moves")
TABLES_OF = {
    "read": FOLDERS,
    "tally": ("replies", "positions", "reach", "edges", "habits", "foreseen"),
    "judge": ("judged",),
    "scan": ("moments", "motifs", "scanned"),
    "follow": (
        *("followed", "answers", "punishments", "afterwards", "lasted", "model_games", "plans"),
        "seasons",
    ),
    "rank": ("findings", "missed", "by_band", "curves"),
}
"""The tables that each stage writes."""

SETTINGS = "settings.json"
_SCRATCH = ".spill"

_SALT_BYTES = 32
_LEVEL_OF_TABLES = 3  # of zstd: smaller than by the first level (of `games`, `moves`) in no more time


@dataclass(frozen=True, kw_only=True, slots=True)
class Manifest:
    """The record that a finished stage leaves behind: enough to know whether it must run again."""

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
        return _sha256_of({name: value for name, value in asdict(self).items() if name != "facts"})


@dataclass(frozen=True, slots=True)
class Behind:
    """The games of a larger database that stand behind a store's own."""

    moves: Location
    games: Location
    first: int  # the number that its game 0 has beside the store's
    count: int  # of its games


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in a store that is not as the stages left it."""

    name: str  # the file, by its path in the store
    what: str  # what is wrong with it
    stage: str  # that makes such files
    is_stray: bool = False  # no stage knows of it


class DamagedManifest(StoreError):
    """A file that should be a manifest and is none, or was changed after it was written."""


class Store:
    """A store folder. Use `Store.open` or `Store.create`."""

    def __init__(self, root: Location) -> None:
        self.root = root
        self._writers = 0
        self._claim: Lock | Claim

    @classmethod
    def create(cls, root: Location | str) -> Self:
        """The store in `root`, a folder or a URL such as s3://bucket/club, made if there is none.

        Raises StoreError if the folder cannot be made or holds something else, or another run is making it,
        and what `located` does.
        """
        root = located(root)
        if isinstance(root, Path):
            _require_utf8(root)
        try:
            root.mkdir(parents=True, exist_ok=True)
            # Looked at once: another run may be making the store at the same time.
            there = {path.name for path in root.iterdir() if not is_unfinished(path.name)}
            if "salt" not in there:
                if "read.json" in there:
                    raise _wrong_salt(root, "missing")
                if there - {"lock"}:
                    raise StoreError(
                        "the folder is not empty and holds no store",
                        where=root,
                        advice="name an empty or a new folder",
                    )
                with closing(claimed(root)):
                    if not (root / "salt").exists():
                        _make_salt(root)
        except OSError as error:
            is_taken = isinstance(error, FileExistsError | NotADirectoryError)
            why = "there is a file of that name on the way" if is_taken else cause(error)
            advice = "name a folder that is empty or new" if is_taken else "name a folder you may write to"
            raise StoreError(f"cannot make a store: {why}", where=root, advice=advice) from error
        return cls.open(root)

    @classmethod
    def open(cls, root: Location | str, *, damaged: bool = False) -> Self:
        """An existing store; if it may be `damaged`, its manifests are not looked at yet.

        A change of its files that was cut off is carried out to its end first.
        Raises StoreError if there is none or it was written under another schema version, and what `located`
        does.
        """
        root = located(root)
        if not (root / "salt").is_file():
            if (root / "read.json").is_file():
                raise _wrong_salt(root, "missing")
            raise StoreError(
                "there is no store here", where=root, advice="make one with `miner run SOURCE --store DIR`"
            )
        store = cls(root)
        if is_pending(root):
            with store.writing():  # which carries it out
                pass
        for stage in STAGES if not damaged else ():
            store.manifest(stage)
        return store

    @property
    def salt(self) -> bytes:
        """The secret that players' names are hashed with.

        Raises StoreError if it is not the one that the games were read with: hashes would be others.
        """
        salt = (self.root / "salt").read_bytes()
        if len(salt) != _SALT_BYTES:
            raise _wrong_salt(self.root, f"damaged: {len(salt)} bytes, not {_SALT_BYTES}")
        manifest = self.manifest("read")
        if manifest and manifest.facts.get("salt_check", check_value(salt)) != check_value(salt):
            raise _wrong_salt(self.root, "not the one that the games were read with")
        return salt

    @property
    def bands(self) -> BandScheme:
        """The rating bands of the tally. Raises StoreError if the store was not tallied yet."""
        return BandScheme.of(self.require("tally").settings)

    @property
    def prior(self) -> Store | None:
        """The store of the larger database that the tally stands on; None: it stands on none.

        Raises StoreError if that is no more what it was then, or the store was not tallied yet.
        """
        tallied = self.require("tally")
        if "prior" not in tallied.inputs:
            return None
        prior = Store.open(tallied.facts["prior"])
        if prior.require("tally").fingerprint != tallied.inputs["prior"] or prior.out_of_date() == "tally":
            raise StoreError(
                "the prior is not what it was when `tally` was run",
                where=prior.root,
                advice=f"tally it anew if it was read again, then `miner run --store {self.root}`",
            )
        return prior

    @property
    def behind(self) -> Behind | None:
        """The games of the prior, behind those of the store; None: there is none, or it has no games.

        Raises what `prior` does.
        """
        if (prior := self.prior) is None or not (read := prior.require_whole("read")).rows["moves"]:
            return None
        own = self.require("read").rows["games"]
        return Behind(prior.path("moves"), prior.path("games"), own, read.rows["games"])

    def path(self, table: str) -> Location:
        """Where a table is kept: a folder of Parquet files for games and moves, one file otherwise."""
        assert table in TABLES, f"no table is called {table}"
        return self.root / (table if table in FOLDERS else f"{table}.parquet")

    def files(self, table: str) -> list[str]:
        """The files that a table is kept in, by their paths in the store, e.g. games/000000.parquet."""
        path = self.path(table)
        if table not in FOLDERS:
            return [path.name]
        return sorted(f"{table}/{file.name}" for file in path.glob("*.parquet"))

    def manifest(self, stage: str) -> Manifest | None:
        """The manifest of a finished stage, or None.

        Raises StoreError if it is damaged or was written under another schema version.
        """
        path = self.root / f"{stage}.json"
        try:
            values = json.loads(path.read_text(encoding="utf-8"))
            # Before the rest of it: another version may write other things.
            self._require_version(values.get("schema_version") if isinstance(values, dict) else None)
            return _manifest_of(values, stage)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, TypeError) as error:
            raise DamagedManifest(
                f"the manifest is damaged: {error}",
                where=path,
                advice=f"delete it and run `miner {stage}` again",
            ) from error

    def _require_version(self, version: Any) -> None:
        if isinstance(version, int) and version != SCHEMA_VERSION:
            newer = "use the newer program that made it, or " if version > SCHEMA_VERSION else ""
            raise StoreError(
                f"the store has schema version {version}, this program {SCHEMA_VERSION}",
                where=self.root,
                advice=f"{newer}read the sources again into a new store",
            )

    def require(self, stage: str) -> Manifest:
        """The manifest of a stage that must have run. Raises StoreError if it has not."""
        manifest = self.manifest(stage)
        if manifest is None:
            source = " SOURCE" if stage == "read" else ""
            raise StoreError(
                f"the stage `{stage}` has not been run here",
                where=self.root,
                advice=f"run `miner {stage}{source}` or `miner run{source}` first",
            )
        return manifest

    def require_whole(self, stage: str) -> Manifest:
        """The manifest of a stage that must have run and whose files are there, with no others beside them.

        Raises StoreError if not.
        """
        manifest = self.require(stage)
        files = [name for table in FOLDERS if table in manifest.rows for name in self.files(table)]
        strays = [name for name in files if name not in manifest.digests]
        for what, names in (("missing", self.missing_files(manifest)), ("none of the store's", strays)):
            if names:
                raise StoreError(f"the file is {what}", where=self.root / names[0], advice=self.mended_by)
        return manifest

    def is_current(self, stage: str, settings: dict[str, Any], inputs: dict[str, Any]) -> bool:
        """Whether the stage was finished with just these settings and inputs, and its tables are there."""
        manifest = self.manifest(stage)
        return (
            manifest is not None
            and manifest.settings == settings
            and manifest.inputs == inputs
            and manifest.method == METHODS[stage]
            and not self.missing_files(manifest)
        )

    def finished(self, stage: str, settings: dict[str, Any], inputs: dict[str, Any]) -> Manifest | None:
        """The manifest of a stage that is current, and in which nothing was inconclusive; else None."""
        if not self.is_current(stage, settings, inputs):
            return None
        manifest = self.require(stage)
        return None if manifest.facts["inconclusive"] else manifest

    def settings(self, *, made_with: bool = False) -> dict[str, dict[str, Any]]:
        """The settings that each stage was begun with last, by stage; a stage that never was is not there.

        `made_with`: rather those that what is there was made with.
        Raises StoreError if the list of settings or a manifest is damaged.
        """
        manifests = filter(None, map(self.manifest, STAGES))
        finished = {manifest.stage: manifest.settings for manifest in manifests}
        return self._begun() | finished if made_with else finished | self._begun()

    def _begun(self) -> dict[str, dict[str, Any]]:
        path = self.root / SETTINGS
        try:
            return _unsealed(json.loads(path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, TypeError) as error:
            raise StoreError(
                f"the list of settings is damaged: {error}",
                where=path,
                advice="delete it, and name the settings of stages that are not finished again",
            ) from error

    def begin(self, settings: Mapping[str, dict[str, Any]]) -> None:
        """Keep the settings, by stage, that stages are to run with: whatever is killed, they are known."""
        begun = self._begun()
        if begun != (now := {**begun, **settings}):
            with self.writing():
                _write_sealed(self.root / SETTINGS, now)

    def write_stage(
        self,
        stage: str,
        settings: dict[str, Any],
        inputs: dict[str, Any],
        tables: Mapping[str, pa.Table],
        facts: dict[str, Any],
    ) -> Manifest:
        """Replace the one-file tables of a stage and its manifest, all of them or none.

        Their columns must be those of the schema.
        """
        rows = {name: table.num_rows for name, table in tables.items()}
        manifest = Manifest(stage=stage, settings=settings, inputs=inputs, rows=rows, facts=facts)
        with self.writing(), StoreChange(self) as change:
            digests = {
                file: write_parquet(
                    change.folder / file, table.cast(TABLES[name]), compression_level=_LEVEL_OF_TABLES
                )
                for name, table in tables.items()
                for file in self.files(name)
            }
            return change.commit(replace(manifest, digests=digests))

    def record(self, manifest: Manifest) -> None:
        """Write a manifest down as it is."""
        _write_manifest(self.root, manifest)

    @contextmanager
    def changing(self) -> Iterator[StoreChange]:
        """A change of the files of games that happens whole or not at all; to be committed.

        Raises StoreError if they were read by another version of this program: the two would be mixed.
        """
        with self.writing():
            if self.require("read").method != METHODS["read"]:
                raise StoreError(
                    "the games were read by another version of this program, which read otherwise",
                    where=self.root,
                    advice="read all sources again first: `miner read`",
                )
            with StoreChange(self) as change:
                yield change

    def faults(self) -> list[Fault]:
        """Everything that is not as the stages left it, stage by stage; reads every file.

        Raises StoreError if it was written under another schema version.
        """
        found: list[Fault] = []
        named: set[str] = set()
        for stage in STAGES:
            try:
                manifest = self.manifest(stage)
            except DamagedManifest as error:
                found.append(Fault(f"{stage}.json", error.what, stage))
                named.update(self.files_of(stage))
                continue
            if manifest is not None:
                named.update(manifest.digests)
                found += self.changed_files(manifest)
        try:
            self._begun()
        except StoreError as error:
            found.append(Fault(SETTINGS, error.what, "read", is_stray=True))
        return found + self._strays(named)

    def changed_files(self, manifest: Manifest) -> Iterator[Fault]:
        """The files of a finished stage that are not as it left them; each is read when it is asked for."""
        for name, digest in manifest.digests.items():
            try:
                if digest_of(self.root / name) != digest:
                    yield Fault(name, "not as it was written", manifest.stage)
            except FileNotFoundError:
                yield Fault(name, "missing", manifest.stage)
            except OSError as error:
                yield Fault(name, f"cannot be read: {error.strerror}", manifest.stage)

    def files_of(self, stage: str) -> list[str]:
        """The files of the tables that a stage writes, by their paths in the store."""
        return [name for table in TABLES_OF[stage] for name in self.files(table)]

    def _strays(self, named: set[str]) -> list[Fault]:
        """Files that no manifest names though they stand where tables do, and what kills left."""
        there = set(files_below(self.root))
        unnamed = [
            Fault(name, "named by no manifest", stage, is_stray=True)
            for stage in STAGES
            for name in self.files_of(stage)
            if name in there - named
        ]
        unfinished = [
            Fault(name, "left unfinished", "read", is_stray=True)
            for name in sorted(there)
            if is_unfinished(posixpath.basename(name)) and posixpath.dirname(name) in ("", *FOLDERS)
        ]
        return unnamed + unfinished

    def missing_files(self, manifest: Manifest) -> list[str]:
        """The files of a finished stage that are not there."""
        if isinstance(self.root, Remote):  # one list of all in place of a question for each
            there = set(files_below(self.root))
            return [name for name in manifest.digests if name not in there]
        return [name for name in manifest.digests if not (self.root / name).exists()]

    def why(self, stage: str, error: Exception, what: str, advice: str) -> StoreError:
        """The error to raise where work on the tables of a finished stage failed: it names a damaged file.

        `what` and `advice`: those of the error if no file is damaged. Reads every file of the stage.
        """
        manifest = self.manifest(stage)
        damaged = list(self.changed_files(manifest)) if manifest else []
        if not damaged:
            return StoreError(f"{what}: {cause(error)}", where=self.root, advice=advice)
        more = f", and {len(damaged) - 1} more of its files are damaged" if len(damaged) > 1 else ""
        return StoreError(
            f"the file is {damaged[0].what}{more}", where=self.root / damaged[0].name, advice=self.mended_by
        )

    @property
    def mended_by(self) -> str:
        """The advice on a damaged file."""
        return f"`miner check --store {self.root} --repair` puts it right"

    def out_of_date(self) -> str | None:
        """The first stage that was made from something else than the stage before holds now, or None."""
        return next(self._all_out_of_date(), None)

    def _all_out_of_date(self) -> Iterator[str]:
        for stage, sources in MADE_FROM.items():
            later = self.manifest(stage)
            if later and any(later.inputs.get(before) != self._fingerprint(before) for before in sources):
                yield stage

    def require_current(self, *stages: str) -> None:
        """Raise StoreError for the first of these stages that is out of date."""
        stale = next((stage for stage in self._all_out_of_date() if stage in stages), None)
        if stale:
            raise StoreError(
                f"the stage `{MADE_FROM[stale][0]}` was run again since `{stale}`",
                where=self.root,
                advice=f"run `miner {stale}` first, or `miner run`",
            )

    def _fingerprint(self, stage: str) -> str | None:
        manifest = self.manifest(stage)
        return manifest.fingerprint if manifest else None

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Keep other runs out while tables are written; may be nested.

        A change of its files that was cut off is carried out to its end first, and what a kill left of the
        scratch folder is cleared: it may tell of players who are to be forgotten.
        Raises StoreError if another run is at work in the store, or it cannot be written to.
        """
        if self._writers == 0:
            self._claim = claimed(self.root)
        self._writers += 1
        try:
            if self._writers == 1:
                recover(self.root)
                remove_tree(self.root / _SCRATCH)
            yield
        finally:
            self._writers -= 1
            if self._writers == 0:
                self._claim.close()

    @contextmanager
    def resting(self) -> Iterator[None]:
        """Keep runs out while files are looked at; the store need not be writable.

        Raises StoreError if a run is at work in the store.
        """
        with nullcontext() if self._writers else unclaimed(self.root):
            yield

    @contextmanager
    def scratch(self) -> Iterator[Path]:
        """A folder of this machine for what need not last: in the store itself, if that is on it.

        The folder may still have to be made, and is gone afterwards.
        """
        if isinstance(self.root, Remote):
            with tempfile.TemporaryDirectory(prefix="miner-") as folder:
                yield Path(folder) / "spill"
            return
        try:
            yield self.root / _SCRATCH
        finally:
            remove_tree(self.root / _SCRATCH)

    def read_table(self, name: str, columns: list[str] | None = None) -> pa.Table:
        """A table, or some of its columns. Raises StoreError if it is missing or damaged."""
        path = self.path(name)
        with self._readable(path, f"the table `{name}`"):
            if isinstance(path, Remote) and name in FOLDERS:
                return pa.concat_tables([self.read_file(file, columns) for file in self.files(name)])
            return pq.read_table(readable(path), columns=columns)

    def read_file(self, name: str, columns: list[str] | None = None) -> pa.Table:
        """A file of a table, by its path in the store, or some of its columns.

        Raises StoreError if it is missing or damaged.
        """
        path = self.root / name
        together = isinstance(path, Remote)  # one request for columns that lie side by side
        with self._readable(path, "the file"), pq.ParquetFile(readable(path), pre_buffer=together) as file:
            return file.read(columns=columns)

    @contextmanager
    def _readable(self, path: Location, what: str) -> Iterator[None]:
        try:
            yield
        except (OSError, pa.ArrowException) as error:
            raise StoreError(f"{what} cannot be read: {error}", where=path, advice=self.mended_by) from error


def check_value(salt: bytes) -> str:
    """A value by which a salt is known again, and which tells nothing of it."""
    return hmac.new(salt, b"this is the salt", "sha256").hexdigest()[:16]


def _wrong_salt(root: Location, what: str) -> StoreError:
    return StoreError(
        f"the salt of the players' hashes is {what}",
        where=root / "salt",
        advice="put the file back from a copy of this store; without it no player is known again: read the "
        "sources into a new store",
    )


def _make_salt(root: Location) -> None:
    salt = secrets.token_bytes(_SALT_BYTES)
    if isinstance(root, Remote):
        (root / "salt").create(salt)  # unless another run was faster
        return
    with replacing(root / "salt") as unfinished:
        # Whoever has it can find names by trying a list of them: for the owner only.
        unfinished.touch(mode=0o600)
        unfinished.write_bytes(salt)


def _require_utf8(root: Path) -> None:
    try:
        str(root).encode("utf-8")
    except UnicodeEncodeError as error:
        # Neither Parquet nor DuckDB opens files in a folder of such a name.
        name = os.fsencode(root).decode("utf-8", "backslashreplace")
        raise StoreError(
            "cannot make a store: the folder's name is not UTF-8", where=name, advice="name another folder"
        ) from error


def empty_tables(stage: str) -> dict[str, pa.Table]:
    """The tables of a stage without any rows."""
    return {name: TABLES[name].empty_table() for name in TABLES_OF[stage]}


def _manifest_of(values: Any, stage: str) -> Manifest:
    """A manifest from the values in its file. Raises TypeError or ValueError for anything else."""
    manifest = Manifest(**_unsealed(values))
    for name in ("settings", "inputs", "rows", "facts", "digests"):
        if not isinstance(getattr(manifest, name), dict):
            raise TypeError(f"{name} is no table")
    if manifest.stage != stage:
        raise ValueError(f"it is that of the stage `{manifest.stage}`")
    return manifest


def _write_manifest(root: Location, manifest: Manifest) -> None:
    _write_sealed(root / f"{manifest.stage}.json", asdict(manifest))


def _write_sealed(path: Location, values: dict[str, Any]) -> None:
    """Write values with their digest, by which a change by hand or by the disk is noticed."""
    sealed = values | {"seal": _sha256_of(values)}
    with replacing(path) as unfinished:
        unfinished.write_text(json.dumps(sealed, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def _unsealed(values: Any) -> dict[str, Any]:
    """The values that were sealed. Raises TypeError or ValueError if they are not as they were."""
    if not isinstance(values, dict):
        raise TypeError("it is no table")
    if values.pop("seal", None) != _sha256_of(values):
        raise ValueError("it was changed after it was written")
    return values


def _sha256_of(values: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()


class StoreChange(FolderChange):
    """A change of files of finished stages, in the making."""

    def __init__(self, store: Store) -> None:
        super().__init__(store.root)
        self.store = store

    def read_file(self, name: str, columns: list[str] | None = None) -> pa.Table:
        """A file as the change has it so far. Raises what `Store.read_file` does."""
        is_new = (self.folder / name).exists()
        return self.store.read_file(f"{PENDING}/{name}" if is_new else name, columns)

    def take_out_later_stages(self) -> None:
        """Have the tables of all stages after `read` go, and their manifests; not their settings."""
        self.store.begin(self.store.settings())  # those that only a manifest tells
        for stage in STAGES[1:]:
            self.take_out(f"{stage}.json")
            for name in self.store.files_of(stage):
                self.take_out(name)

    def commit(self, manifest: Manifest) -> Manifest:
        """Put all new files in place, with the manifest that names them, and take out the others."""
        recorded = replace(manifest, method=METHODS[manifest.stage])
        _write_manifest(self.folder, recorded)
        self.commit_files()
        return recorded


def write_parquet(path: Location, table: pa.Table, *, settled: bool = True, **how: Any) -> str:
    """Write a table to a file, whole or not at all, and give the file's SHA-256.

    Columns are stored as the schema tells. `settled`: see `replacing`; `how`: as for pyarrow's `write_table`.
    """
    encodings = encodings_of(table.schema)
    with_dictionary = [name for name in table.column_names if name not in encodings]
    with replacing(path, settled=settled) as unfinished:
        with unfinished.open("wb") as file:
            pq.write_table(
                table,
                file,
                compression="zstd",
                use_dictionary=with_dictionary,
                column_encoding=encodings,
                **how,
            )
        return digest_of(unfinished)


def digest_of(path: Location) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
