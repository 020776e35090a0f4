"""Disks that are full or closed, files that rot or vanish, two runs at once, kills in between."""

from __future__ import annotations

import errno
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from miner import upkeep
from miner.errors import StoreError
from miner.means import Means
from miner.pgn import batches
from miner.pipeline import run
from miner.schema import SCHEMA_VERSION, TABLES
from miner.settings import as_dict, settings_of, to_toml
from miner.store import FOLDERS, STAGES, Store, digest_of
from miner.store.places import files_below
from tests.cli.conftest import CLUB, Told, command, in_process
from tests.cli.conftest import miner as miner
from tests.conftest import ROOT
from tests.faults.killed_changes import BATCH_BYTES, NO_ENGINE, SETTINGS, change, means_of
from tests.growing import assert_sound, games_of, root_of, store_of, told
from tests.stores import pgn_of

Miner = Callable[..., Told]
REMOVE, FORGET = ["remove", "a.pgn", "--yes"], ["forget", "Ada", "--yes"]
EARLIER = settings_of(
    {
        "read": {"plies": 20},
        "tally": {"min_games": 4},
        "judge": {"min_games": 4, "nodes": [500, 2000]},
        "scan": {"nodes": [200, 500, 1_000], "games": 5},
        "follow": {"nodes": 500, "model_nodes": 500, "min_games": 2},
        "rank": {"side": "black"},
    }
)
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be forked here")


@pytest.fixture
def sources(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Four sources that share games."""
    monkeypatch.setattr(batches, "BATCH_BYTES", BATCH_BYTES)
    files = [tmp_path / f"{name}.pgn" for name in "abcd"]
    for seed, file in enumerate(files):
        file.write_text(games_of(seed, 30))
    return files


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory, engine: Path) -> tuple[Path, Means]:
    """A store of which all stages are finished, not to be changed, and what it was made with."""
    folder = tmp_path_factory.mktemp("finished")
    (folder / "club.pgn").write_text(pgn_of(CLUB), encoding="utf-8")
    means = Means(engine=engine, cache=folder / "cache", engines=1, processes=1)
    store = Store.create(folder / "store")
    assert len(list(run([str(folder / "club.pgn")], store, SETTINGS, means))) == 6
    return root_of(store), means


def copy_of(root: Path, folder: Path) -> Store:
    shutil.copytree(root, folder / "copy")
    return Store.open(folder / "copy")


def remove_file(path: Path) -> None:
    path.unlink()


def truncate(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def flip_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 3] ^= 4
    path.write_bytes(data)


FAULTS = {remove_file: "missing", truncate: "not as it was written", flip_bit: "not as it was written"}


@pytest.mark.engine
@pytest.mark.parametrize("damage", FAULTS)
def test_every_table_is_watched_and_made_again(
    finished: tuple[Path, Means], tmp_path: Path, damage: object
) -> None:
    """Each damaged file is named; a repair makes all of them as they were, to the byte."""
    root, means = finished
    store = copy_of(root, tmp_path)
    before = [store.require(stage).digests for stage in STAGES]
    files = sorted(name for table in TABLES for name in store.files(table))
    assert len(files) == len(TABLES)
    for name in files:
        damage(root_of(store) / name)  # type: ignore[operator]

    faults = upkeep.check(store)
    done = list(upkeep.repair(store, means))

    assert sorted(fault.name for fault in faults) == files
    assert {fault.what for fault in faults} == {FAULTS[damage]}  # type: ignore[index]
    assert all(any(name in line for line in done) for name in files)
    assert [store.require(stage).digests for stage in STAGES] == before
    assert upkeep.check(store) == []
    assert store.out_of_date() is None


@pytest.mark.engine
def test_single_fault_is_found_in_every_table(finished: tuple[Path, Means], tmp_path: Path) -> None:
    """One bit in one file is enough, whichever it is; the others are not blamed."""
    store = copy_of(finished[0], tmp_path)

    for name in [name for table in TABLES for name in store.files(table)]:
        sound = (root_of(store) / name).read_bytes()
        flip_bit(root_of(store) / name)
        assert [fault.name for fault in upkeep.check(store)] == [name]
        (root_of(store) / name).write_bytes(sound)


@pytest.mark.engine
@pytest.mark.parametrize("stage", STAGES)
def test_manifest_changed_by_hand(finished: tuple[Path, Means], tmp_path: Path, stage: str) -> None:
    """No stage believes it; it is named, and what can be told of it is."""
    root, means = finished
    store = copy_of(root, tmp_path)
    path = root_of(store) / f"{stage}.json"
    written = json.loads(path.read_text())
    path.write_text(json.dumps(written | {"facts": {}}))

    with pytest.raises(StoreError, match="the manifest is damaged: it was changed after it was written"):
        Store.open(root_of(store))
    assert next(fault.name for fault in upkeep.check(store) if not fault.is_stray) == f"{stage}.json"
    if stage == "read":
        with pytest.raises(StoreError, match="which sources the games are from is lost"):
            list(upkeep.repair(store, means))
        return
    done = list(upkeep.repair(store, means))
    assert f"made again by `{stage}`" in " ".join(done)
    assert upkeep.check(Store.open(root_of(store))) == []
    assert store.require(stage).fingerprint == Store.open(root).require(stage).fingerprint


@pytest.mark.engine
def test_settings_changed_by_hand(finished: tuple[Path, Means], tmp_path: Path) -> None:
    """They are named and go; those of finished stages are in the manifests."""
    store = copy_of(finished[0], tmp_path)
    settings = store.settings()
    path = root_of(store) / "settings.json"
    path.write_text(path.read_text().replace("500", "400"))

    with pytest.raises(StoreError, match="the list of settings is damaged: it was changed after"):
        store.settings()
    faults = upkeep.check(store)
    list(upkeep.repair(store, finished[1]))

    assert [fault.name for fault in faults] == ["settings.json"]
    assert upkeep.check(store) == []
    assert store.settings() == settings


@pytest.mark.engine
def test_manifest_and_settings_are_lost(finished: tuple[Path, Means], tmp_path: Path) -> None:
    """The tables of the stage go, and it is told that it has to run again."""
    store = copy_of(finished[0], tmp_path)
    (root_of(store) / "settings.json").unlink()
    flip_bit(root_of(store) / "judge.json")

    done = list(upkeep.repair(store, finished[1]))

    assert done == [
        "judge.json: its settings are lost, so its tables went, too; run `miner judge` again",
    ]
    assert upkeep.check(store) == []
    assert not (root_of(store) / "judged.parquet").exists()


@pytest.mark.engine
def test_manifest_of_the_games_is_gone(finished: tuple[Path, Means], tmp_path: Path) -> None:
    """Their files are not taken for what nobody knows of, and deleted."""
    store = copy_of(finished[0], tmp_path)
    (root_of(store) / "read.json").unlink()
    files = sorted(root_of(store).rglob("*.parquet"))

    with pytest.raises(StoreError, match="the manifest of the games is missing"):
        list(upkeep.repair(store, finished[1]))

    assert sorted(root_of(store).rglob("*.parquet")) == files


def test_repair_that_is_broken_off_goes_on(
    finished: tuple[Path, Means], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The settings of the stage stay, and the next repair makes its tables again."""
    store = copy_of(finished[0], tmp_path)
    before = store.require("rank").settings
    (root_of(store) / "findings.parquet").write_bytes(b"no table")

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(upkeep, "remake", stopped)
        with pytest.raises(KeyboardInterrupt):
            list(upkeep.repair(store, finished[1]))
    assert store.require("rank").settings == before
    list(upkeep.repair(store, finished[1]))

    assert upkeep.check(store) == []
    assert store.require("rank").settings == before


def test_manifest_of_another_stage(finished: tuple[Path, Means], tmp_path: Path) -> None:
    """A manifest in another's place is no manifest."""
    store = copy_of(finished[0], tmp_path)
    shutil.copy(root_of(store) / "rank.json", root_of(store) / "tally.json")

    with pytest.raises(StoreError, match="it is that of the stage `rank`"):
        Store.open(root_of(store))


@pytest.mark.parametrize("table", FOLDERS)
@pytest.mark.parametrize("damage", [remove_file, truncate])
def test_stage_that_meets_a_damaged_file(
    miner: Miner, sources: list[Path], tmp_path: Path, table: str, damage: object
) -> None:
    """It names the file and what puts it right; and that does."""
    store = store_of(tmp_path / "store", sources)
    before = told(store)
    name = f"{table}/000001.parquet"
    damage(root_of(store) / name)  # type: ignore[operator]

    met = miner("tally", "--store", root_of(store))
    advised = miner("check", "--store", root_of(store), "--repair")

    assert met.code == 1
    assert f"{root_of(store) / name}: the file is " in met.err
    assert f"miner check --store {root_of(store)} --repair" in met.err
    assert "Traceback" not in met.err
    assert (advised.code, advised.err) == (0, "")
    assert f"{name}: made again from {sources[0]}" in advised.out
    assert told(store) == before
    assert_sound(store)


def test_file_that_belongs_to_nobody(miner: Miner, sources: list[Path], tmp_path: Path) -> None:
    """A file between the games would be counted with them; what is not a table is left alone."""
    store = store_of(tmp_path / "store", sources)
    stray = root_of(store) / "moves" / "000099.parquet"
    shutil.copy(root_of(store) / "moves" / "000000.parquet", stray)
    (root_of(store) / "notes.txt").write_text("mine")

    refused = miner("tally", "--store", root_of(store))
    seen = miner("check", "--store", root_of(store))
    mended = miner("check", "--store", root_of(store), "--repair")

    assert refused.code == 1
    assert f"{stray}: the file is none of the store's" in refused.err
    assert (seen.code, "moves/000099.parquet: named by no manifest" in seen.out) == (1, True)
    assert mended.code == 0
    assert not stray.exists()
    assert (root_of(store) / "notes.txt").exists()


def test_status_tells_of_missing_files(miner: Miner, sources: list[Path], tmp_path: Path) -> None:
    """Without reading all files it sees which are not there."""
    store = store_of(tmp_path / "store", sources)
    (root_of(store) / "games" / "000001.parquet").unlink()

    told_of = miner("status", "--store", root_of(store))

    assert "1 file is missing, games/000001.parquet first: `miner check" in told_of.out


def test_source_of_a_damaged_file_is_gone(miner: Miner, sources: list[Path], tmp_path: Path) -> None:
    """Nothing is touched then, and the source is named."""
    store = store_of(tmp_path / "store", sources)
    flip_bit(root_of(store) / "moves" / "000000.parquet")
    sources[0].unlink()

    mended = miner("check", "--store", root_of(store), "--repair")

    assert mended.code == 1
    assert f"{sources[0]}: the file cannot be read" in mended.err


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 160 KiB, which takes root to be had."""
    folder = tmp_path / "disk"
    folder.mkdir()
    with mounted(folder, "-t", "tmpfs", "-o", "size=160k", "tmpfs"):
        yield folder


class mounted:  # noqa: N801 - a context
    """Something mounted on a folder; the test is skipped where that may not be."""

    def __init__(self, folder: Path, *options: object) -> None:
        self._folder, self._options = folder, options

    def __enter__(self) -> None:
        if sys.platform != "linux" or os.geteuid() != 0:
            pytest.skip("only root can mount a disk, on Linux")
        done = subprocess.run(
            ["mount", *map(str, self._options), str(self._folder)],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            pytest.skip(f"no disk can be mounted here: {done.stderr.strip()}")

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", str(self._folder)], check=True)


def resize(disk: Path, size: str) -> None:
    subprocess.run(["mount", "-o", f"remount,size={size}", str(disk)], check=True)


def test_disk_that_is_full(miner: Miner, small_disk: Path, tmp_path: Path) -> None:
    """What was in the store stays as it was; with more room the same command ends as it should."""
    small, large = tmp_path / "small.pgn", tmp_path / "large.pgn"
    small.write_text(games_of(1, 100))
    large.write_text("".join(games_of(seed, 100).replace("Ada", f"Ada {seed}") for seed in range(2, 150)))
    store = store_of(small_disk / "store", [small])
    before = told(store)

    for _ in range(2):
        full = miner("add", large, "--store", root_of(store))

        assert full.code == 1
        assert "No space left on device" in full.err
        assert "Traceback" not in full.err
        assert told(Store.open(root_of(store))) == before
        assert_sound(store)

    resize(small_disk, "30m")
    assert miner("add", large, "--store", root_of(store)).code == 0
    assert_sound(store)
    assert store.require("read").rows["games"] == 14_900


def test_disk_without_room_for_a_mapped_file(miner: Miner, small_disk: Path, tmp_path: Path) -> None:
    """A tally that maps a file into memory ends with a line, not by a signal; with room it goes on."""
    source = tmp_path / "games.pgn"
    source.write_text(pgn_of(replace(game, white=f"W{turn}") for turn in range(100) for game in CLUB))
    resize(small_disk, "1m")
    store = store_of(small_disk / "store", [source])
    resize(small_disk, f"{shutil.disk_usage(small_disk).used // 1024 + 32}k")

    full = in_process("tally", "--store", root_of(store))
    resize(small_disk, "1m")
    again = miner("tally", "--store", root_of(store))

    assert (full.code, full.err) == (
        1,
        f"miner: {root_of(store)}: the tally failed: the disk is full (No space left on device); "
        "check the space on the disk, or give it more memory (--memory)\n",
    )
    assert (again.code, again.err) == (0, "")
    assert_sound(store)


@pytest.mark.engine
@pytest.mark.slow
def test_disk_that_is_full_at_any_stage(finished: tuple[Path, Means], tmp_path: Path, miner: Miner) -> None:
    """Each stage with room from none to enough: it says that the disk is full, and nothing is lost."""
    with full_disks(finished, tmp_path, miner) as disks:
        for stage in STAGES:
            disks.check(stage, [*range(4, 36, 4), 48, 96])


@dataclass
class FullDisks:
    """A store that was made by earlier settings, up to a stage by the present ones, and a disk for copies."""

    made: Path  # the folder of the store and its cache
    disk: Path
    source: Path
    engine: Path
    miner: Miner
    failed: Counter[str] = field(default_factory=Counter)

    def check(self, stage: str, rooms_kb: list[int]) -> None:
        """Have a stage run with so much room on the disk each time, and then once more with enough."""
        for before in STAGES[: STAGES.index(stage)]:
            assert self.miner(*self._words(before, self.made)).code == 0
        shutil.copytree(self.made, whole := self.made.with_name(f"whole-{stage}"))
        assert self.miner(*self._words(stage, whole)).code == 0
        for room_kb in rooms_kb:
            with mounted(self.disk, "-t", "tmpfs", "-o", "size=1g", "tmpfs"):
                copy = shutil.copytree(self.made, self.disk / "made")
                used_kb = shutil.disk_usage(self.disk).used // 1024
                resize(self.disk, f"{used_kb + room_kb}k")
                told_of = in_process(*self._words(stage, copy))
                resize(self.disk, "1g")
                self._check_one(stage, told_of, copy, f"{stage} in {room_kb} KiB")
                again = self.miner(*self._words(stage, copy))
                assert (again.code, again.err) == (0, "")
                assert files_in(Store.open(copy / "store")) == files_in(Store.open(whole / "store"))
        assert 0 < self.failed[stage] <= len(rooms_kb)

    def _check_one(self, stage: str, told: Told, copy: Path, what: str) -> None:
        store = Store.open(copy / "store")
        assert [fault for fault in store.faults() if not fault.is_stray] == [], what
        with closing(sqlite3.connect(copy / "cache")) as cache:
            assert cache.execute("select count(*) from verdicts").fetchone() > (3,), what
        if told.code == 0:
            return
        assert told.code == 1, (what, told)
        assert "Traceback" not in told.err
        assert told.err.count("\n") == 1, (what, told.err)
        assert "disk is full" in told.err, (what, told.err)
        assert store.require(stage) == Store.open(self.made / "store").require(stage), what
        self.failed[stage] += 1

    def _words(self, stage: str, made: Path) -> list[object]:
        words = [stage, "--store", made / "store", "--settings", made / "settings.toml"]
        words += {"read": [self.source, "--processes", 2], "tally": [], "rank": []}.get(
            stage, ["--engine", self.engine, "--engines", 1, "--cache", made / "cache"]
        )
        return words


@contextmanager
def full_disks(finished: tuple[Path, Means], folder: Path, miner: Miner) -> Iterator[FullDisks]:
    """A store of so many games that what is mapped into memory has several pages."""
    (disk := folder / "disk").mkdir()
    (made := folder / "made").mkdir()
    source = folder / "games.pgn"
    source.write_text(pgn_of(replace(game, white=f"W{turn}") for turn in range(100) for game in CLUB))
    (made / "settings.toml").write_text(to_toml(SETTINGS))
    engine = finished[1].engine
    means = Means(engine=engine, cache=made / "cache", engines=1, processes=1)
    list(run([str(source)], Store.create(made / "store"), EARLIER, means))
    assert engine is not None
    disks = FullDisks(made, disk, source, engine, miner)
    yield disks
    sys.stdout.write(f"no room: {dict(disks.failed)}\n")


def test_store_that_may_not_be_written_to(miner: Miner, sources: list[Path], tmp_path: Path) -> None:
    """It can be looked at and checked; what would change it says why it does not."""
    store = store_of(tmp_path / "store", sources[:2])
    folder = tmp_path / "seen"
    folder.mkdir()

    with mounted(folder, "--bind", root_of(store)):
        done = subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=False)
        if done.returncode:
            pytest.skip("no read-only mount can be had here")
        looked = [miner(name, "--store", folder) for name in ("status", "check")]
        changes = [
            miner(*words, "--store", folder) for words in (("add", sources[2]), REMOVE, FORGET, ("tally",))
        ]

    assert [one.code for one in looked] == [0, 0]
    for refused in changes:
        assert refused.code == 1
        assert f"{folder}: the store cannot be written to: Read-only file system; see that" in refused.err


@pytest.mark.parametrize("words", [["check"], ["check", "--repair"], ["tally"], REMOVE, FORGET])
def test_store_in_use(miner: Miner, sources: list[Path], tmp_path: Path, words: list[str]) -> None:
    """The second one is told so, and touches nothing."""
    store = store_of(tmp_path / "store", sources)
    before = told(store)

    with store.writing():
        refused = miner(*words, "--store", root_of(store))

    assert refused.code == 1
    assert "another run is at work in this store; wait until it is done" in refused.err
    assert told(store) == before


@pytest.mark.skipif(sys.platform == "win32", reason="locks are others there")
@pytest.mark.parametrize("refusal", [errno.EOPNOTSUPP, errno.ENOLCK, errno.ENOSYS])
def test_share_without_locks(
    miner: Miner, sources: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refusal: int
) -> None:
    """It is told as such, with the way out; that goes on, and still heeds a lock where there are some."""
    import fcntl

    new, store = tmp_path / "new", store_of(tmp_path / "store", sources[:1])
    commands: list[tuple[object, ...]] = [
        ("read", sources[0], "--processes", 1, "--store", new),
        ("add", sources[1], "--processes", 1, "--store", store.root),
        ("check", "--store", store.root),
    ]

    def refuse(*_: object) -> None:
        raise OSError(refusal, os.strerror(refusal))

    with monkeypatch.context() as patched:
        patched.setattr(fcntl, "flock", refuse)
        refused = [miner(*words) for words in commands]
        done = [miner(*words, "--no-lock") for words in commands]
    with store.writing():
        busy = miner("add", sources[2], "--store", store.root, "--no-lock")

    assert [(one.code, one.err) for one in refused] == [
        (
            1,
            f"miner: {words[-1]}: this place knows no locks ({os.strerror(refusal)}), so that another run "
            "would not be noticed; where nobody else can be at work, go on with --no-lock; "
            "else name another place\n",
        )
        for words in commands
    ]
    assert [(one.code, one.err) for one in done] == [(0, "")] * 3
    assert "another run is at work in this store" in busy.err


@needs_fork
def test_store_that_several_make_at_once(tmp_path: Path) -> None:
    """All that have it know the same salt; who came too soon after another is told so."""
    program = [sys.executable, "-m", "tests.faults.made_at_once", tmp_path, "50"]

    done = subprocess.run(list(map(str, program)), cwd=ROOT, capture_output=True, text=True, check=False)

    assert (done.returncode, done.stderr) == (0, "")
    for turn in range(50):
        said = (tmp_path / f"said-{turn}").read_text().splitlines()
        salts = {line for line in said if "; " not in line}
        assert len(said) == 4
        assert salts == {Store.open(tmp_path / str(turn)).salt.hex()}
        assert {line.partition(": ")[2] for line in said if "; " in line} <= {
            "another run is at work in this store; wait until it is done, or name another folder"
        }


def test_check_while_a_run_is_at_work(miner: Miner, tmp_path: Path) -> None:
    """A store that is being read is not called damaged."""
    source, store = tmp_path / "games.pgn", tmp_path / "store"
    source.write_text("".join(games_of(seed, 100) for seed in range(100)))
    reading = subprocess.Popen(command("read", source, "--store", store, "--reader", "reference"), cwd=ROOT)
    try:
        while not (store / "games").is_dir():
            assert reading.poll() is None, "the read ended too soon"
            time.sleep(0.01)
        refused = miner("check", "--store", store)
    finally:
        reading.kill()
        reading.wait()

    assert "another run is at work in this store" in refused.err


@pytest.mark.parametrize("words", [["add", "a.pgn"], REMOVE, FORGET, ["check"]])
def test_store_of_an_older_version(
    miner: Miner, sources: list[Path], tmp_path: Path, words: list[str]
) -> None:
    """It is refused with what to do, and left as it is."""
    store = store_of(tmp_path / "store", sources)
    manifest = root_of(store) / "read.json"
    older = json.loads(manifest.read_text()) | {"schema_version": SCHEMA_VERSION - 1}
    manifest.write_text(json.dumps(older))

    named = [str(sources[0]) if word == "a.pgn" else word for word in words]
    refused = miner(*named, "--store", root_of(store))

    assert refused.code == 1
    assert f"the store has schema version {SCHEMA_VERSION - 1}, this program {SCHEMA_VERSION}" in refused.err
    assert "read the sources again into a new store" in refused.err
    assert json.loads(manifest.read_text()) == older


@needs_fork
@pytest.mark.parametrize("every", [10, pytest.param(1, marks=pytest.mark.slow)])
@pytest.mark.parametrize("what", ["add", "remove", "forget", "repair"])
def test_change_that_is_killed(sources: list[Path], tmp_path: Path, what: str, every: int) -> None:
    """Before any of its steps on the disk: the store is the old one or the new one, and can become that."""
    store = store_of(tmp_path / "store", sources[:3] if what == "add" else sources)
    before = told(store)
    if what == "repair":
        flip_bit(root_of(store) / "moves" / "000001.parquet")
    arguments = {"add": [str(sources[3])], "remove": [str(sources[0])], "forget": ["Ada"]}.get(what, [])

    killed = killed_copies(what, every, store, tmp_path, arguments)

    undisturbed = Store.open(tmp_path / str(killed + 1))
    after, files = told(undisturbed), files_in(undisturbed)
    sys.stdout.write(f"{killed} kills\n")
    assert killed > 20 / every
    assert (after == before) == (what == "repair")
    seen = set()
    for step in range(1, killed + 1):
        left = Store.open(tmp_path / str(step))
        faults = [fault.name for fault in left.faults() if not fault.is_stray]
        is_new = not faults if what == "repair" else told(left) == after
        assert is_new or what == "repair" or told(left) == before
        assert faults in ([], ["moves/000001.parquet"])
        change(what, left, arguments)
        seen.add(is_new)
        list(upkeep.repair(left, NO_ENGINE))
        assert files_in(left) == files
        assert_sound(left)
    assert seen == {False, True}


@needs_fork
@pytest.mark.engine
@pytest.mark.slow
def test_stages_that_are_killed(finished: tuple[Path, Means], tmp_path: Path) -> None:
    """Before any step of any stage on the disk: its old tables stand, or the new ones; it ends in these."""
    arguments = arguments_of(finished)
    store = Store.create(tmp_path / "store")
    list(run(arguments[:1], store, EARLIER, means_of(arguments)))

    kills = {}
    for stage in STAGES:
        before = store.require(stage).fingerprint
        (folder := tmp_path / stage).mkdir()
        kills[stage] = killed_copies(stage, 1, store, folder, arguments)
        store = Store.open(folder / str(kills[stage] + 1))
        files, seen = files_in(store), set()
        for step in range(1, kills[stage] + 1):
            left = Store.open(folder / str(step))
            assert [fault for fault in left.faults() if not fault.is_stray] == []
            assert left.settings().keys() == {*STAGES}
            seen.add(left.require(stage).fingerprint)
            change(stage, left, arguments)
            assert files_in(left) == files
            assert left.faults() == []
        assert seen == {before, store.require(stage).fingerprint}
    sys.stdout.write(f"kills: {kills}\n")
    assert store.settings() == {stage: as_dict(getattr(SETTINGS, stage)) for stage in STAGES}


@needs_fork
@pytest.mark.engine
@pytest.mark.parametrize("every", [180, pytest.param(3, marks=pytest.mark.slow)])
def test_run_that_is_killed(finished: tuple[Path, Means], tmp_path: Path, every: int) -> None:
    """It goes on without anything being named, once the games are read; before that with their source."""
    arguments = arguments_of(finished)
    store = Store.create(tmp_path / "store")

    killed = killed_copies("run", every, store, tmp_path, arguments)

    files = files_in(Store.open(tmp_path / str(killed + 1)))
    went_on = 0
    for step in range(1, killed + 1):
        left = Store.open(tmp_path / str(step))
        if left.manifest("read"):
            list(upkeep.remake(left, STAGES, means_of(arguments)))
            went_on += 1
        else:
            change("run", left, arguments)
        assert files_in(left) == files
        assert left.faults() == []
    sys.stdout.write(f"{killed} kills, {went_on} of them after the games were read\n")
    assert 0 < went_on < killed


def arguments_of(finished: tuple[Path, Means]) -> list[str]:
    """The source, the engine and the cache that a finished store was made with."""
    root, means = finished
    return [str(root.with_name("club.pgn")), str(means.engine), str(means.cache)]


def killed_copies(what: str, every: int, store: Store, folder: Path, arguments: list[str]) -> int:
    """Have copies of a store killed while they are changed; how many were."""
    words = [what, str(every), str(store.root), str(folder), *arguments]
    script = [sys.executable, "-m", "tests.faults.killed_changes", *words]
    done = subprocess.run(script, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert [line for line in done.stderr.splitlines() if not line.endswith("lines are no game")] == []
    return int(done.stdout)


def files_in(store: Store) -> dict[str, str]:
    """The digest of each file, of a manifest the fingerprint, which tells nothing of the time it took."""
    manifests = {f"{stage}.json": store.manifest(stage) for stage in STAGES}
    prints = {name: manifest.fingerprint for name, manifest in manifests.items() if manifest}
    names = {*files_below(store.root)} - {"lock"}
    return {name: prints.get(name) or digest_of(store.root / name) for name in names}
