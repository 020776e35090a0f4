"""Stores that grow and shrink hold what a fresh read of their sources gives."""

from __future__ import annotations

import io
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from miner.errors import SourceError, StoreError, UsageError
from miner.means import Means
from miner.pgn import batches
from miner.pgn.sources import Source, source_digest
from miner.pgn.tags import Players
from miner.read import known
from miner.read.contents import Forgotten
from miner.read.known import Described
from miner.read.removal import forget, remove
from miner.read.stage import add, read
from miner.schema import METHODS
from miner.settings import ReadSettings
from miner.store import Store
from miner.store.numbers import PupilNumbers
from tests.growing import assert_sound, games_of, root_of, store_of, told
from tests.reading import SALT, game_text


@pytest.fixture
def club(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Five sources that share games; small ones share a batch."""
    monkeypatch.setattr(batches, "BATCH_BYTES", 5_000)
    files = [tmp_path / f"{name}.pgn" for name in "abcde"]
    for seed, file in enumerate(files):
        file.write_text(games_of(seed, 4 if seed in (1, 2) else 40))
    return files


@pytest.mark.parametrize("split", [1, 2, 4])
@pytest.mark.parametrize("processes", [1, 2])
def test_store_that_grew_is_one_read_at_once(
    club: list[Path], tmp_path: Path, split: int, processes: int
) -> None:
    """Former sources and new ones: the new ones are read behind the others, to the same end."""
    store = store_of(tmp_path / "grown", club[:split])
    before = {name: (root_of(store) / name).stat().st_mtime_ns for name in store.files("moves")}

    manifest = read([str(one) for one in club], store, ReadSettings(), Means(processes=processes))

    assert told(store) == told(store_of(tmp_path / "fresh", club))
    assert {name: (root_of(store) / name).stat().st_mtime_ns for name in before} == before
    assert manifest.facts["games_read"] == sum(
        game["source"] in map(str, club[split:]) for game in told(store)[0]
    )
    assert_sound(store)


def test_new_sources_alone_are_named(club: list[Path], tmp_path: Path) -> None:
    """What is in the store stays, even if it lies nowhere else; what is in it already is not read again."""
    store = store_of(tmp_path / "grown", club[:3])
    fresh = told(store_of(tmp_path / "fresh", club))
    club[0].unlink()

    add([str(one) for one in club[2:]], store, Means(processes=1))

    assert told(store) == fresh
    assert_sound(store)


def test_other_settings_keep_only_what_is_named(
    club: list[Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """All is read afresh, and it is said which games go because their source is not named."""
    store = store_of(tmp_path / "store", club[:2])

    read([str(club[1])], store, ReadSettings(plies=7), Means(processes=1))

    assert caplog.messages == [
        f"{club[0]}: 14 lines are no game",
        f"{club[1]}: 2 lines are no game",
        "a.pgn is not named any more; its games go",
        f"{club[1]}: 2 lines are no game",
    ]
    assert store.require("read").rows["games"] == 4


def test_games_that_were_read_in_another_way(club: list[Path], tmp_path: Path) -> None:
    """Nothing is added to them, nor taken out: the store would pass for one that was read in one way."""
    store = store_of(tmp_path / "store", club[:2])
    earlier = replace(store.require("read"), method=METHODS["read"] - 1)
    store.record(earlier)

    for change in (
        lambda: add([str(club[2])], store, Means(processes=1)),
        lambda: remove([str(club[0])], store),
        lambda: forget("Ada", store),
    ):
        with pytest.raises(StoreError, match="by another version of this program") as raised:
            change()
        assert "miner read" in raised.value.advice

    assert store.require("read") == earlier


@pytest.mark.parametrize("changed", [0, 2])
def test_cut_off_while_a_changed_source_is_read_again(
    club: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, changed: int
) -> None:
    """The store stays as it was: of the sources that are read again behind it nobody else might know."""
    store = store_of(tmp_path / "store", club)
    before = told(store)
    club[changed].write_text(games_of(99, 30))

    with monkeypatch.context() as patch:
        patch.setattr(Described, "check_unchanged", cut_off)
        with pytest.raises(KeyboardInterrupt):
            add([str(club[changed])], store, Means(processes=1))
    after = told(Store.open(store.root))
    add([str(club[changed])], store, Means(processes=1))

    assert after == before
    assert told(store) == told(store_of(tmp_path / "fresh", club))
    assert_sound(store)


def cut_off(_: Described) -> None:
    """Ctrl-C once the games are read."""
    raise KeyboardInterrupt


def test_standard_input_adds_every_time(
    club: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What came by it first stays, though nobody can read it again; nor is it read again for others."""
    store = store_of(tmp_path / "store", club[:1])
    for seed in (1, 2):
        pipe(monkeypatch, games_of(seed, 4))
        add(["-"], store, Means(processes=1))

    piped = [one["games"] for one in store.require("read").facts["sources"] if one["name"] == "-"]
    before = told(store)
    club[0].write_text(games_of(99, 30))
    pipe(monkeypatch, "")
    with pytest.raises(SourceError, match="standard input cannot be read again"):
        add([str(club[0])], store, Means(processes=1))

    assert piped == [4, 4]
    assert told(store) == before


def pipe(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Have a text come by standard input."""
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(text.encode())))


def test_nothing_to_add(club: list[Path], tmp_path: Path) -> None:
    """A store in which all is already is left as it is."""
    store = store_of(tmp_path / "store", club)
    before = store.require("read")

    assert add([str(club[3])], store) == before
    assert read([str(one) for one in reversed(club)], store, ReadSettings()) == before


def test_adding_to_nothing(tmp_path: Path, club: list[Path]) -> None:
    """There must be something to add to: its settings are those of what is added."""
    with pytest.raises(StoreError, match="has not been run here"):
        add([str(club[0])], Store.create(tmp_path / "store"))


def test_missing_file_is_not_added_to(tmp_path: Path, club: list[Path]) -> None:
    """A store that lacks a file is to be repaired first."""
    store = store_of(tmp_path / "store", club[:2])
    (root_of(store) / "moves" / "000000.parquet").unlink()

    with pytest.raises(StoreError, match="the file is missing") as raised:
        add([str(club[2])], store)

    assert "--repair" in raised.value.advice


@pytest.mark.parametrize("changed", [0, 1, 3, 4])
def test_changed_source_is_read_again(
    club: list[Path], tmp_path: Path, changed: int, caplog: pytest.LogCaptureFixture
) -> None:
    """With it those that were read later, since its games may be theirs; it is said which and why."""
    store = store_of(tmp_path / "store", club)
    club[changed].write_text(games_of(99, 30))

    read([str(one) for one in club], store, ReadSettings(), Means(processes=1))

    assert told(store) == told(store_of(tmp_path / "fresh", club))
    assert_sound(store)
    assert f"{club[changed]} has changed since it was read" in caplog.text
    behind = {0: "the 4 sources read after that are", 1: "the 3 sources read after that are"}
    assert behind.get(changed, "the source read after that is" if changed == 3 else "") in caplog.text
    assert ("read after that" in caplog.text) == (changed < 4)


@pytest.mark.parametrize("gone", [[0], [1], [2], [4], [0, 2], [1, 2, 3], [0, 1, 2, 3, 4]])
@pytest.mark.parametrize("how", ["remove", "read"])
def test_removed_source(
    club: list[Path], tmp_path: Path, gone: list[int], how: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Its games go, and those that were set aside for them come back."""
    store = store_of(tmp_path / "store", club)
    left = [one for number, one in enumerate(club) if number not in gone]

    if how == "remove" or not left:
        for number in gone:
            club[number].unlink()
        remove([str(club[number]) for number in gone], store)
    else:
        read([str(one) for one in left], store, ReadSettings(), Means(processes=1))
        assert caplog.text.count("is not named any more") == len(gone)

    if left:
        assert told(store) == told(store_of(tmp_path / "fresh", left))
    else:
        assert store.require("read").rows == {"games": 0, "moves": 0}
    assert_sound(store)


def test_removed_one_by_one_and_added_again(club: list[Path], tmp_path: Path) -> None:
    """A store goes any way through changes; what it holds is told by the order of its sources alone."""
    store = store_of(tmp_path / "store", club)

    remove([club[0].name], store)
    add([str(club[0])], store, Means(processes=1))
    remove([str(club[2])], store)
    remove([str(club[1])], store)
    read([str(one) for one in club], store, ReadSettings(), Means(processes=1))

    order = [club[number] for number in (3, 4, 0, 1, 2)]
    assert told(store) == told(store_of(tmp_path / "fresh", order))
    assert_sound(store)


def test_source_that_is_needed_is_missing(club: list[Path], tmp_path: Path) -> None:
    """Games come back from their source; without it nothing is touched."""
    store = store_of(tmp_path / "store", club)
    before = told(store)
    club[3].unlink()

    with pytest.raises(SourceError, match="cannot be read") as raised:
        remove([str(club[0])], store)

    assert str(club[3]) in str(raised.value)
    assert told(store) == before
    assert_sound(store)


def test_source_that_is_needed_has_changed(club: list[Path], tmp_path: Path) -> None:
    """Games are read again only from what they were read from."""
    store = store_of(tmp_path / "store", club)
    club[3].write_text(games_of(7, 10))

    with pytest.raises(SourceError, match="not what was read into the store"):
        remove([str(club[0])], store)

    assert_sound(store)


def test_names_of_sources(club: list[Path], tmp_path: Path) -> None:
    """A source is told by path, folder, or file name; one that tells nothing, or several, is refused."""
    folder = tmp_path / "more"
    folder.mkdir()
    for name in ("a.pgn", "x.pgn"):
        (folder / name).write_text(games_of(11, 3))
    store = store_of(tmp_path / "store", [*club, folder])

    with pytest.raises(UsageError, match="2 sources in the store have this file name"):
        remove(["a.pgn"], store)
    with pytest.raises(StoreError, match="no source of that name"):
        remove(["z.pgn"], store)
    remove([str(folder)], store)

    assert told(store) == told(store_of(tmp_path / "fresh", club))


@pytest.mark.parametrize("names", ["hash", "keep"])
def test_forgotten_player(club: list[Path], tmp_path: Path, names: Any) -> None:
    """The player's games leave nothing but that they were there, now and whenever sources are read again."""
    store = store_of(tmp_path / "store", club[:4], names=names)
    hashes = {game["white"] for game in told(store)[0]}

    manifest, games = forget(" ada ", store)
    add([str(club[4])], store, Means(processes=1))

    rows, moves, counts = told(store)
    of_ada = [game for game in rows if game["state"] == "forgotten"]
    assert manifest.facts["ledger"]["forgotten"] == games > 10
    assert len(of_ada) == counts["ledger"]["forgotten"] > games
    assert {(game["white"], game["date"], game["white_rating"], game["signature"]) for game in of_ada} == {
        ("", "", 0, 0)
    }
    assert len(hashes - {game["white"] for game in rows}) == 1
    assert not {(game["source"], game["number"]) for game in of_ada} & {move["game"] for move in moves}
    again = Store.create(tmp_path / "again")
    (root_of(again) / "salt").write_bytes(SALT)
    (root_of(again) / "forgotten").write_bytes((root_of(store) / "forgotten").read_bytes())
    read([str(one) for one in club], again, ReadSettings(names=names), Means(processes=1))
    assert told(again) == (rows, moves, counts)
    assert_sound(store)


def test_forgotten_in_a_store_read_afresh(club: list[Path], tmp_path: Path) -> None:
    """Other settings read all again, and the list of forgotten players still holds."""
    store = store_of(tmp_path / "store", club)
    forget("Bo", store)

    manifest = read([str(one) for one in club], store, ReadSettings(plies=2), Means(processes=1))

    assert manifest.facts["ledger"]["forgotten"] > 10
    assert read([str(one) for one in club], store, ReadSettings(plies=2)) == manifest
    assert (root_of(store) / "forgotten").stat().st_mode & 0o077 == 0


def test_nobody_to_forget(club: list[Path], tmp_path: Path) -> None:
    """A name for unknown players, or a store without names: it is said, and no message tells a name."""
    with pytest.raises(UsageError, match="stands for players who are not known"):
        forget("?", store_of(tmp_path / "store", club))
    with pytest.raises(UsageError, match="keeps nothing of this player") as raised:
        forget("Ada", store_of(tmp_path / "dropped", club, names="drop"))

    assert "Ada" not in str(raised.value)


def test_hashed_once(club: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that looks as it did when it was hashed is not hashed again; any other is."""
    hashed: list[str] = []

    def hash_and_tell(source: Source) -> dict[str, Any]:
        hashed.append(source.name)
        return source_digest(source)

    monkeypatch.setattr(known, "source_digest", hash_and_tell)
    old = 1_000_000_000
    for file in club:
        os.utime(file, ns=(old, old))
    monkeypatch.setattr("time.time_ns", lambda: club[0].stat().st_ctime_ns + 60_000_000_000)
    store = store_of(tmp_path / "store", club)
    assert hashed == [str(file) for file in club]
    hashed.clear()

    club[0].write_text(club[0].read_text())
    os.utime(club[0], ns=(old, old))
    os.utime(club[1], ns=(old - 5, old - 5))
    (tmp_path / "copy").write_bytes(club[2].read_bytes())
    (tmp_path / "copy").replace(club[2])
    again = read([str(file) for file in club], store, ReadSettings())

    assert hashed == [str(file) for file in club[:3]]
    assert again.facts["games_read"] == again.rows["games"]
    hashed.clear()
    read([str(file) for file in club], store, ReadSettings())
    assert hashed == []


def test_changed_within_the_tick_of_its_hash(club: list[Path], tmp_path: Path) -> None:
    """A file as long as before, changed so soon that no time tells it, is noticed all the same."""
    store = store_of(tmp_path / "store", club)
    stat = club[0].stat()
    club[0].write_text(club[0].read_text().replace("Bo", "Jo"))
    os.utime(club[0], ns=(stat.st_atime_ns, stat.st_mtime_ns))

    read([str(one) for one in club], store, ReadSettings(), Means(processes=1))

    assert told(store) == told(store_of(tmp_path / "fresh", club))


def test_number_of_a_pupil_goes_whatever_is_kept_of_names(tmp_path: Path) -> None:
    """A store that keeps no names may know a pupil's hash: forgetting takes it, and games that come later."""
    file = tmp_path / "club.pgn"
    file.write_text(game_text("1. e4 e5", White="Ada"))
    store = Store.create(tmp_path / "store")
    read([str(file)], store, ReadSettings(names="drop"), Means(processes=1))
    pupil = f"{Players(store.salt, 'drop').player('Ada').identity:016x}"
    PupilNumbers().with_newcomers([pupil]).write(store.root)

    _, games = forget("Ada", store)

    assert (games, PupilNumbers.of(store).given) == (0, {})
    assert int(pupil, 16) in Forgotten.of(store).identities
