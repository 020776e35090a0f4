"""A salt that is not the one that the games were read with is never used."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.errors import StoreError
from miner.means import Means
from miner.pupils import check_games
from miner.read.removal import forget
from miner.read.stage import add, read
from miner.settings import ReadSettings
from miner.store import Store
from miner.upkeep import check, repair
from tests.growing import games_of, root_of
from tests.pupils.clubs import QUIET, club_store, game, written

Act = Callable[[Store, str], object]
QUICK = Means(processes=1)

BROKEN: dict[str, tuple[bytes | None, str]] = {
    "truncated": (secrets.token_bytes(31), "is damaged: 31 bytes, not 32"),
    "empty": (b"", "is damaged: 0 bytes, not 32"),
    "exchanged": (secrets.token_bytes(32), "is not the one that the games were read with"),
    "missing": (None, "is missing"),
}
ACTS: dict[str, Act] = {
    "add": lambda store, source: add([source], store, QUICK),
    "read": lambda store, source: read([source], store, ReadSettings(plies=3), QUICK),
    "forget": lambda store, _: forget("Ada", store),
    "repair": lambda store, _: list(repair(store, QUICK)),
}


@pytest.fixture
def source(tmp_path: Path) -> str:
    file = tmp_path / "games.pgn"
    file.write_text(games_of(1, 20), encoding="utf-8")
    return str(file)


@pytest.fixture
def store(tmp_path: Path, source: str) -> Store:
    made = Store.create(tmp_path / "store")
    read([source], made, ReadSettings(), QUICK)
    return made


def break_salt(store: Store, how: str) -> None:
    file = root_of(store) / "salt"
    contents = BROKEN[how][0]
    if contents is None:
        file.unlink()
    else:
        file.write_bytes(contents)


@pytest.mark.parametrize("act", ACTS)
@pytest.mark.parametrize("how", BROKEN)
def test_no_player_gets_another_hash(store: Store, source: str, how: str, act: str) -> None:
    """Whatever hashes names says what is wrong and what to do, and nothing changes."""
    before = store.require("read")
    break_salt(store, how)

    with pytest.raises(StoreError, match=BROKEN[how][1]) as raised:
        ACTS[act](Store.open(store.root), source)

    assert str(raised.value).startswith(str(root_of(store) / "salt"))
    assert "back from a copy of this store" in raised.value.advice
    assert store.require("read") == before


@pytest.mark.parametrize("how", ["truncated", "empty", "exchanged"])
def test_check_tells_of_it(store: Store, how: str) -> None:
    """As of every file that is not as it was."""
    assert check(store) == []
    break_salt(store, how)

    [fault] = check(store)

    assert fault.name == "salt"
    assert BROKEN[how][1] in fault.what


@pytest.mark.parametrize("how", ["truncated", "empty"])
def test_damaged_before_anything_was_read(tmp_path: Path, source: str, how: str) -> None:
    """A new store is not read into with less of a secret, either."""
    store = Store.create(tmp_path / "new")
    break_salt(store, how)

    with pytest.raises(StoreError, match=BROKEN[how][1]):
        read([source], store, ReadSettings(), QUICK)


def test_no_new_salt_for_an_old_store(store: Store, source: str) -> None:
    """Making a store where the salt is lost does not make another one."""
    break_salt(store, "missing")

    with pytest.raises(StoreError, match="is missing"):
        Store.create(store.root)


def test_pupils_under_another_salt(tmp_path: Path) -> None:
    """Nobody's page gets another child's number."""
    store = club_store(tmp_path)
    break_salt(store, "truncated")

    with pytest.raises(StoreError, match="is damaged"):
        check_games(store, [written(tmp_path, [game(QUIET)])], ["Anna"])
