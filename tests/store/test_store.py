"""The folder on disk: whole or not at all, and refusals that say why."""

from __future__ import annotations

import dataclasses
import json
import os
import subprocess
import sys
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from miner.errors import StoreError
from miner.schema import REACH, SCHEMA_VERSION, TABLES
from miner.store import STAGES, TABLES_OF, Manifest, Store, digest_of, replacing
from miner.store.places import files_below
from tests.stores import finish, here, write_table


def manifest(**other: Any) -> Manifest:
    values: dict[str, Any] = {
        "stage": "tally",
        "settings": {"min_games": 10},
        "inputs": {"read": "abc"},
        "rows": {"reach": 0},
        "facts": {"bands": ["0+"]},
    }
    return Manifest(**(values | other))


def finished(store: Store) -> Store:
    """The store with a finished tally of one empty table."""
    write_table(store, "reach", REACH.empty_table())
    finish(store, manifest())
    return store


def test_new_store_has_a_salt_that_stays(tmp_path: Path) -> None:
    """The salt is made once; opening again and making again keep it."""
    store = Store.create(tmp_path / "new" / "store")

    salt = store.salt

    assert len(salt) == 32
    assert Store.create(store.root).salt == salt == Store.open(store.root).salt
    assert Store.create(tmp_path / "other").salt != salt


def test_manifest_there_and_back(tmp_path: Path) -> None:
    """What a stage leaves behind is what the next finds."""
    store = finished(Store.create(tmp_path / "store"))

    recorded = store.require("tally")
    assert store.manifest("tally") == recorded
    assert replace(recorded, digests={}, method=0) == manifest()
    assert recorded.digests == {"reach.parquet": sha256(store.path("reach").read_bytes()).hexdigest()}
    assert store.manifest("rank") is None


def test_fingerprint_tells_what_matters() -> None:
    """Settings, inputs and rows make the fingerprint; facts such as the seconds it took do not."""
    changes: list[dict[str, Any]] = [
        {"settings": {"min_games": 11}},
        {"inputs": {"read": "abd"}},
        {"rows": {"reach": 1}},
        {"digests": {"reach": "0"}},
        {"method": 2},
        {"schema_version": 99},
    ]

    prints = {manifest(**change).fingerprint for change in changes}

    assert manifest(facts={}).fingerprint == manifest().fingerprint
    assert len(prints | {manifest().fingerprint}) == 7


def test_current_means_same_settings_inputs_and_tables(tmp_path: Path) -> None:
    """A stage is up to date only if nothing it was made from changed and its tables are there."""
    store = finished(Store.create(tmp_path / "store"))
    told = manifest()

    assert store.is_current("tally", told.settings, told.inputs)
    assert not store.is_current("tally", {"min_games": 11}, told.inputs)
    assert not store.is_current("tally", told.settings, {"read": "abd"})
    assert not store.is_current("rank", told.settings, told.inputs)
    store.path("reach").unlink()
    assert not store.is_current("tally", told.settings, told.inputs)


def test_stage_that_was_not_run_is_named(tmp_path: Path) -> None:
    """The message says how it is run."""
    store = Store.create(tmp_path / "store")

    with pytest.raises(StoreError, match="the stage `tally` has not been run here") as raised:
        store.require("tally")
    assert raised.value.advice == "run `miner tally` or `miner run` first"


def test_settings_of_a_stage_that_begins_are_kept(tmp_path: Path) -> None:
    """They come before those that it was finished with, which go with its manifest; so for each stage."""
    store = finished(Store.create(tmp_path / "store"))
    assert store.settings() == {"tally": {"min_games": 10}}

    store.begin({"tally": {"min_games": 5}, "rank": {"side": "white"}})
    store.begin({"judge": {"nodes": [1]}})
    here(store.root / "tally.json").unlink()

    assert Store.open(store.root).settings() == {
        "tally": {"min_games": 5},
        "rank": {"side": "white"},
        "judge": {"nodes": [1]},
    }


def test_stage_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    """One table that breaks the schema leaves the others as they were, too, and the manifest."""
    store = Store.create(tmp_path / "store")
    tables = {name: TABLES[name].empty_table() for name in TABLES_OF["rank"]}
    before = store.write_stage("rank", {}, {}, tables, {})
    files = {name: digest_of(store.root / name) for name in files_below(store.root)}

    with pytest.raises((ValueError, pa.ArrowException)):
        store.write_stage("rank", {}, {}, tables | {"curves": pa.table({"key": [1]})}, {})

    assert store.manifest("rank") == before
    assert {name: digest_of(store.root / name) for name in files_below(store.root)} == files


def test_whole_or_not_at_all(tmp_path: Path) -> None:
    """A write that fails leaves the old file and nothing beside it."""
    target = tmp_path / "list.csv"
    target.write_text("old", encoding="utf-8")

    def break_off() -> None:
        with replacing(target) as unfinished:
            unfinished.write_text("half", encoding="utf-8")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()

    assert target.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_whole_takes_the_name(tmp_path: Path) -> None:
    """A write that succeeds replaces the old file and leaves nothing beside it."""
    target = tmp_path / "list.csv"
    target.write_text("old", encoding="utf-8")

    with replacing(target) as unfinished:
        unfinished.write_text("new", encoding="utf-8")
        assert target.read_text(encoding="utf-8") == "old"

    assert target.read_text(encoding="utf-8") == "new"
    assert list(tmp_path.iterdir()) == [target]


def test_table_with_other_columns_is_not_written(tmp_path: Path) -> None:
    """The schema is a contract: a table that breaks it leaves nothing behind."""
    store = Store.create(tmp_path / "store")

    with pytest.raises((ValueError, pa.ArrowException)):
        store.write_stage("tally", {}, {}, {"reach": pa.table({"key": [1]})}, {})

    assert {path.name for path in store.root.iterdir()} == {"salt", "lock"}


def test_what_a_kill_left_is_cleared(tmp_path: Path) -> None:
    """Unfinished files go when the next stage is written; other hidden files stay."""
    store = Store.create(tmp_path / "store")
    here(store.root / ".reach.parquet.4711.unfinished").write_bytes(b"half")
    here(store.root / ".notes").write_bytes(b"mine")

    store.write_stage("tally", {}, {}, {}, {})

    assert {path.name for path in store.root.iterdir()} == {"salt", "lock", "tally.json", ".notes"}


def test_kill_while_a_store_is_made(tmp_path: Path) -> None:
    """A folder with nothing but an unfinished salt is as good as empty."""
    (tmp_path / ".salt.4711.unfinished").write_bytes(b"half")

    assert len(Store.create(tmp_path).salt) == 32


@pytest.mark.posix
def test_write_that_is_killed_leaves_the_old_file(tmp_path: Path) -> None:
    """After kill -9 in the middle of a write the old contents stand."""
    target = tmp_path / "salt"
    target.write_text("old", encoding="utf-8")
    program = (
        "import os, signal, sys; from pathlib import Path; from miner.store import replacing\n"
        "with replacing(Path(sys.argv[1])) as unfinished:\n"
        "    unfinished.write_text('half'); os.kill(os.getpid(), signal.SIGKILL)"
    )

    killed = subprocess.run([sys.executable, "-c", program, str(target)], check=False)

    assert killed.returncode == -9
    assert target.read_text(encoding="utf-8") == "old"


def test_no_store_here(tmp_path: Path) -> None:
    """Neither a missing nor a foreign folder is opened; the message says how to make a store."""
    for folder in (tmp_path, tmp_path / "missing"):
        with pytest.raises(StoreError, match="there is no store here") as raised:
            Store.open(folder)
        assert "miner run" in raised.value.advice


def test_folder_of_something_else_is_left_alone(tmp_path: Path) -> None:
    """A folder with files of the user's is not made a store."""
    (tmp_path / "thesis.txt").write_text("mine", encoding="utf-8")

    with pytest.raises(StoreError, match="not empty and holds no store"):
        Store.create(tmp_path)

    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_store_cannot_be_made_in_a_file(tmp_path: Path) -> None:
    """A name that is taken by a file is told as such."""
    (tmp_path / "file").write_text("", encoding="utf-8")

    for folder in (tmp_path / "file", tmp_path / "file" / "store"):
        with pytest.raises(StoreError, match="cannot make a store: there is a file of that name"):
            Store.create(folder)


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are always Unicode here")
def test_folder_whose_name_is_not_utf8(tmp_path: Path) -> None:
    """No table could be written there; the message can be printed anywhere."""
    folder = tmp_path / os.fsdecode(b"caf\xe9")

    with pytest.raises(StoreError) as told:
        Store.create(folder)

    assert str(told.value) == (
        f"{tmp_path}/caf\\xe9: cannot make a store: the folder's name is not UTF-8; name another folder"
    )
    assert not folder.exists()


def test_other_schema_version_is_refused(tmp_path: Path) -> None:
    """A store of another version is not read by guesswork."""
    store = finished(Store.create(tmp_path / "store"))
    finish(store, manifest(schema_version=SCHEMA_VERSION - 1))

    with pytest.raises(
        StoreError, match=f"version {SCHEMA_VERSION - 1}, this program {SCHEMA_VERSION}"
    ) as told:
        Store.open(store.root)

    assert told.value.advice == "read the sources again into a new store"


def test_store_of_a_newer_program(tmp_path: Path) -> None:
    """Its manifest may tell things that are not known here; it is not called damaged for that."""
    store = finished(Store.create(tmp_path / "store"))
    newer = dataclasses.asdict(manifest(schema_version=SCHEMA_VERSION + 1)) | {"mood": "good"}
    here(store.root / "tally.json").write_text(json.dumps(newer), encoding="utf-8")

    with pytest.raises(
        StoreError, match=f"version {SCHEMA_VERSION + 1}, this program {SCHEMA_VERSION}"
    ) as told:
        Store.open(store.root)

    assert told.value.advice.startswith("use the newer program that made it, or read")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "{}",
        '{"stage": "tally"}',
        "\x00",
        json.dumps(dataclasses.asdict(manifest()) | {"rows": None}),
        json.dumps(dataclasses.asdict(manifest()) | {"mood": "good"}),
    ],
)
def test_damaged_manifest(text: str, tmp_path: Path) -> None:
    """A manifest that is no manifest is told with its path and what to do."""
    store = finished(Store.create(tmp_path / "store"))
    here(store.root / "tally.json").write_text(text, encoding="utf-8")

    with pytest.raises(StoreError, match="the manifest is damaged") as raised:
        Store.open(store.root)

    assert str(raised.value.where) == str(store.root / "tally.json")
    assert raised.value.advice == "delete it and run `miner tally` again"


@pytest.mark.parametrize("contents", [None, b"", b"no parquet at all"])
def test_damaged_or_missing_table(contents: bytes | None, tmp_path: Path) -> None:
    """A table that cannot be read is named, and the advice works: what was deleted is made again."""
    store = finished(Store.create(tmp_path / "store"))
    store.path("reach").unlink()
    if contents is not None:
        here(store.path("reach")).write_bytes(contents)

    with pytest.raises(StoreError, match="the table `reach` cannot be read") as raised:
        store.read_table("reach")

    assert raised.value.advice == f"`miner check --store {store.root} --repair` puts it right"


def test_some_columns_of_a_table(tmp_path: Path) -> None:
    """A reader takes what it needs."""
    store = finished(Store.create(tmp_path / "store"))

    assert store.read_table("reach", ["key", "band"]).column_names == ["key", "band"]


def test_unknown_table_is_our_own_mistake(tmp_path: Path) -> None:
    """A name that is no table is a broken assumption, not an error of the user's."""
    with pytest.raises(AssertionError, match="no table is called pupils"):
        Store.create(tmp_path / "store").path("pupils")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs a folder that is closed to the user")
def test_closed_folder(tmp_path: Path) -> None:
    """A folder that may not be written to is told as such."""
    tmp_path.chmod(0o500)

    with pytest.raises(StoreError, match="cannot make a store: Permission denied"):
        Store.create(tmp_path / "store")


def test_two_runs_keep_out_of_each_others_way(tmp_path: Path) -> None:
    """The second one is told so; after the first has ended the store is free again."""
    first = Store.create(tmp_path / "store")
    second = Store.open(tmp_path / "store")

    with first.writing(), first.writing(), pytest.raises(StoreError, match="another run"), second.writing():
        pass

    with second.writing():
        pass


def test_salt_is_for_its_owner_only(tmp_path: Path) -> None:
    """With the salt, names could be found by trying a list of them."""
    store = Store.create(tmp_path / "store")

    assert here(store.root / "salt").stat().st_mode & 0o077 == 0


def test_what_is_out_of_date_is_named(tmp_path: Path) -> None:
    """The first stage that was made from something else than the stage before holds now."""
    store = Store.create(tmp_path / "store")
    assert store.out_of_date() is None
    finished(store)

    assert store.out_of_date() == "tally"


def test_a_change_of_games_takes_all_later_stages_along(tmp_path: Path) -> None:
    """The manifest and the tables of the tally and of what follows it go, those of the read stay."""
    store = finished(Store.create(tmp_path / "store"))
    read = manifest(stage="read", inputs={}, rows={"games": 0})
    for stage in ("read", "judge", "follow", "rank"):
        finish(store, manifest(stage=stage, inputs={}))

    with store.changing() as change:
        change.take_out_later_stages()
        change.commit(read)

    assert [one for one in STAGES if store.manifest(one)] == ["read"]
    assert not store.path("reach").exists()


def test_ranking_does_without_what_follows_until_it_is_there(tmp_path: Path) -> None:
    """A ranking made without the stage `follow` is out of date once that has run, and not before."""
    store = Store.create(tmp_path / "store")

    def done(stage: str, *before: str) -> None:
        inputs = {name: store.require(name).fingerprint for name in before}
        finish(store, Manifest(stage=stage, settings={}, inputs=inputs, rows={}, facts={}))

    for stage, before in (("read", ()), ("tally", ("read",)), ("judge", ("tally",)), ("rank", ("judge",))):
        done(stage, *before)
    without = store.out_of_date()
    done("follow", "judge")
    followed = store.out_of_date()
    done("rank", "judge", "follow")

    assert (without, followed, store.out_of_date()) == (None, "rank", None)
