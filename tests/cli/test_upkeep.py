"""Adding and removing games, and checking a store, as a coach does it."""

from __future__ import annotations

import csv
import io
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.store import STAGES, Store, digest_of
from tests.cli.conftest import CLUB, QUICK, Told, command
from tests.conftest import ROOT
from tests.stores import here, pgn_of

Miner = Callable[..., Told]


@pytest.fixture
def halves(tmp_path: Path) -> list[Path]:
    """The club's games in two files, one in each of two folders."""
    whole = pgn_of(CLUB).split("[Event ")
    files = [tmp_path / name / "club.pgn" for name in ("autumn", "spring")]
    for file, games in zip(files, (whole[1:18], whole[15:]), strict=True):
        file.parent.mkdir()
        file.write_text("".join(f"[Event {game}" for game in games), encoding="utf-8")
    return files


def findings(miner: Miner, store: Path) -> str:
    assert miner("export", "--store", store, "--to", f"{store}.csv").code == 0
    return Path(f"{store}.csv").read_text(encoding="utf-8")


def test_findings_of_a_store_that_grew_and_shrank(
    miner: Miner, halves: list[Path], engine: Path, tmp_path: Path
) -> None:
    """They are those of a run on all games at once, line by line; and on what is left."""
    store, at_once, less = (tmp_path / name for name in ("store", "at-once", "less"))
    work = ("--engine", engine, "--cache", tmp_path / "cache")
    assert miner("run", halves[0], "--store", store, *work, *QUICK).code == 0
    miner("run", *halves, "--store", at_once, *work, *QUICK)
    miner("run", halves[1], "--store", less, *work, *QUICK)

    added = miner("add", halves[1], "--store", store, "--run", *work, "--processes", 1)
    grown = findings(miner, store)
    removed = miner("remove", halves[0], "--store", store, "--yes", "--run", *work)

    assert (added.code, added.err) == (0, "")
    assert "read   29 games seen: 26 kept, 3 duplicate" in added.out
    assert "9 new games; set aside: 3 duplicate" in added.out
    assert "findings" in added.out
    assert grown == findings(miner, at_once)
    assert grown.count("\n") > 1
    assert removed.code == 0
    columns = "model_games"
    assert columns in grown.splitlines()[0]
    assert without(findings(miner, store), columns) == without(findings(miner, less), columns)


def without(text: str, column: str) -> list[list[str]]:
    """The lines of a CSV without a column: games have other numbers where others went."""
    rows = list(csv.reader(io.StringIO(text)))
    at = rows[0].index(column)
    return [row[:at] + row[at + 1 :] for row in rows]


def test_removal_that_was_cut_off_goes_on(
    miner: Miner, halves: list[Path], engine: Path, tmp_path: Path, club: Path
) -> None:
    """Once the games are gone the same command makes the later stages; what went is named nowhere."""
    halves[0] = halves[0].rename(halves[0].with_name("autumn.pgn"))
    work = ("--store", tmp_path / "store", "--engine", engine, "--cache", club.parent / "cache")
    assert miner("run", *halves, *work, *QUICK).code == 0

    cut_off = miner("remove", halves[0], "--yes", *work[:2])
    told = miner("remove", halves[0], "--yes", *work, "--run")
    other = miner("remove", halves[0].with_name("winter.pgn"), "--yes", *work)

    assert f"Now: miner run --store {work[1]}" in cut_off.out
    assert (told.code, told.err) == (0, "")
    assert Store.open(str(work[1])).out_of_date() is None
    assert b"autumn.pgn" not in (tmp_path / "store" / "read.json").read_bytes()
    assert "no source of that name" in other.err


def test_added_games_make_later_stages_old(
    club: Path, miner: Miner, tmp_path: Path, halves: list[Path]
) -> None:
    """Without --run it is said what is to be done; and that nothing is, where nothing was new."""
    store = tmp_path / "store"
    shutil.copytree(club, store)
    halves[0].write_text(pgn_of(CLUB[:3]).replace("Pupil", "Guest"), encoding="utf-8")

    added = miner("add", halves[0], "--store", store)
    again = miner("add", halves[0], "--store", store)

    assert "3 new games\n" in added.out
    assert "0 new games\n" in again.out
    assert f"Now: miner run --store {store}" in added.out
    assert "(up to date, nothing to do)" in again.out
    assert "miner tally makes it new" in miner("status", "--store", store).out


def test_running_without_sources(
    club: Path, miner: Miner, tmp_path: Path, halves: list[Path], engine: Path
) -> None:
    """It makes the later stages new as they were made before, also one that is gone; no other settings."""
    store = tmp_path / "store"
    shutil.copytree(club, store)
    halves[0].write_text(pgn_of(CLUB[:3]).replace("Pupil", "Guest"), encoding="utf-8")
    miner("add", halves[0], "--store", store)
    work = ("--store", store, "--engine", engine, "--cache", club.parent / "cache")

    refused = miner("run", *work, "--side", "white")
    told = miner("run", *work)
    after = Store.open(store)
    stale = after.out_of_date()
    settings = [after.require(one).settings for one in STAGES]
    (here(after.root) / "tally.json").unlink()

    assert refused.code == 2
    assert "leave the settings out, or name all sources again" in refused.err
    assert (told.code, told.err) == (0, "")
    assert f"Now: miner show --store {store}" in told.out
    assert stale is None
    assert settings == [Store.open(club).require(one).settings for one in STAGES]
    assert "not done yet: miner tally" in miner("check", "--store", store, "--repair").out
    assert miner("run", *work).code == 0
    assert after.out_of_date() is None
    assert Store.open(store).settings() == Store.open(club).settings()


def test_running_without_sources_what_was_never_run(miner: Miner, tmp_path: Path) -> None:
    """Games are wanted first."""
    store = tmp_path / "store"
    Store.create(store)

    told = miner("run", "--store", store)

    assert (told.code, told.err) == (
        1,
        f"miner: {store}: the stage `read` has not been run here; "
        "run `miner read SOURCE` or `miner run SOURCE` first\n",
    )


def test_run_that_stops_keeps_its_settings(
    miner: Miner, games: Path, club: Path, engine: Path, tmp_path: Path
) -> None:
    """Also those of stages that were never reached; the run goes on without them being named."""
    store = tmp_path / "store"
    Store.create(store)
    shutil.copy(club / "salt", store)

    stopped = miner("run", games, "--store", store, *QUICK, "--engine", engine, "--cache", tmp_path)
    told = miner("run", "--store", store, "--engine", engine, "--cache", club.parent / "cache")

    assert (stopped.code, "cache of verdicts cannot be used" in stopped.err) == (1, True)
    assert (told.code, told.err) == (0, "")
    assert [Store.open(store).require(stage).fingerprint for stage in STAGES] == [
        Store.open(club).require(stage).fingerprint for stage in STAGES
    ]


def test_forgotten_player_is_named_nowhere(
    club: Path, miner: Miner, tmp_path: Path, games: Path, engine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The games and all that was found from them go at once; nothing tells the name; it can be typed in."""
    store = tmp_path / "store"
    shutil.copytree(club, store)

    told = miner("forget", "pupil  3", "--store", store, "--yes")
    later = [stage for stage in STAGES[1:] if Store.open(store).manifest(stage)]
    left = {path.name for path in store.iterdir()}
    monkeypatch.setattr("sys.stdin", io.StringIO("Pupil 4\n"))
    typed = miner("forget", "-", "--store", store, "--yes", "--verbose")
    again = miner("read", games, "--store", store, "--processes", 1)

    assert (told.code, typed.code, again.code) == (0, 0, 0)
    assert "23 kept, 3 forgotten" in told.out
    assert "3 games are forgotten. Reports" in told.out
    assert f"Now: miner run --store {store}\n" in told.out
    assert later == []
    assert left == {"salt", "lock", "forgotten", "settings.json", "read.json", "games", "moves"}
    assert "20 kept, 6 forgotten" in again.out
    for words in (told.out, told.err, typed.out, typed.err):
        assert "pupil" not in words.lower()
    assert b"upil" not in b"".join(path.read_bytes() for path in store.rglob("*") if path.is_file())


def test_forgetting_and_running_again(club: Path, miner: Miner, tmp_path: Path, engine: Path) -> None:
    """With --run the later stages are made new, under the settings of before."""
    store = tmp_path / "store"
    shutil.copytree(club, store)

    work = ("--run", "--engine", engine, "--cache", club.parent / "cache")
    told = miner("forget", "Pupil 3", "--store", store, "--yes", *work)

    assert told.code == 0
    assert [line.split()[0] for line in told.out.splitlines() if line.split()[0] in STAGES] == list(STAGES)
    before, after = Store.open(club), Store.open(store)
    assert [after.require(one).settings for one in STAGES] == [before.require(one).settings for one in STAGES]
    assert after.out_of_date() is None


def test_forgetting_first_and_running_then(club: Path, miner: Miner, tmp_path: Path, engine: Path) -> None:
    """The settings outlast what was counted; of a store that was only tallied, the stage is named."""
    store, tallied = tmp_path / "store", tmp_path / "tallied"
    for folder in (store, tallied):
        shutil.copytree(club, folder)
    (tallied / "settings.json").unlink()
    for stage in ("judge", "scan", "follow", "rank"):
        (tallied / f"{stage}.json").unlink()
    work = ("--engine", engine, "--cache", club.parent / "cache")

    told = [miner("forget", "Pupil 3", "--yes", "--store", folder) for folder in (store, tallied)]
    done = miner("run", "--store", store, *work)
    again = miner("forget", "Pupil 3", "--yes", "--store", store, "--run", *work)

    assert f"Now: miner run --store {store}\n" in told[0].out
    assert "Now run again: miner tally\n       `miner status --store" in told[1].out
    assert (done.code, done.err) == (0, "")
    assert Store.open(store).settings() == Store.open(club).settings()
    assert again.out.count("(up to date, nothing to do)") == 6


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("forget", "Pupil Three"), "no game of this player is in the store; see that the name is"),
        (("remove", "other.pgn"), "other.pgn: no source of that name was read into the store; `miner status"),
    ],
)
def test_nothing_of_that_name(
    club: Path, miner: Miner, tmp_path: Path, words: tuple[str, str], said: str
) -> None:
    """A misspelled name takes nothing out and puts nothing out of date; it is no success, and told."""
    store = tmp_path / "store"
    shutil.copytree(club, store)

    told = miner(*words, "--store", store, "--yes")

    assert (told.code, told.out) == (1, "")
    assert said in told.err
    assert "Three" not in told.err
    assert contents(store) == contents(club)


def contents(store: Path) -> dict[str, bytes]:
    """The files of a store; its lock says nothing."""
    files = [path for path in store.rglob("*") if path.is_file() and path.name != "lock"]
    return {str(path.relative_to(store)): path.read_bytes() for path in files}


@pytest.mark.parametrize("words", [("forget", "Pupil 3"), ("remove", "club.pgn")])
def test_nobody_to_be_asked(club: Path, miner: Miner, words: tuple[str, str]) -> None:
    """Without a terminal what cannot be undone wants --yes, and nothing changes."""
    before = contents(club)

    told = miner(*words, "--store", club)

    assert (told.code, told.out) == (2, "")
    assert told.err == "miner: this cannot be undone, and there is no terminal to ask on; add `--yes`\n"
    assert contents(club) == before


@pytest.mark.skipif(sys.platform == "win32", reason="needs a shell that closes files")
def test_nothing_to_be_asked_by(club: Path) -> None:
    """It is the same where the standard input is closed."""
    shell = ["sh", "-c", 'exec "$@" <&-', "sh", *command("forget", "Pupil 3", "--store", club)]

    done = subprocess.run(shell, cwd=ROOT, capture_output=True, text=True, check=False)

    assert done.returncode == 2
    assert "no terminal to ask on; add `--yes`\n" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(
    ("words", "answer", "code"),
    [
        (("forget", "Pupil 3"), "y", 0),
        (("forget", "Pupil 3"), "", 1),
        (("remove", "club.pgn"), "n", 1),
    ],
)
def test_asked_first(club: Path, tmp_path: Path, words: tuple[str, str], answer: str, code: int) -> None:
    """On a terminal the question comes first, and only a yes is one."""
    store = tmp_path / "store"
    shutil.copytree(club, store)
    ours, theirs = os.openpty()
    os.write(ours, f"{answer}\n".encode())

    done = subprocess.run(
        command(*words, "--store", store), cwd=ROOT, stdin=theirs, capture_output=True, text=True, check=False
    )
    os.close(ours)
    os.close(theirs)

    assert done.returncode == code
    assert "out of the store" in done.stderr
    assert (contents(store) == contents(club)) == (code == 1)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be forked here")
@pytest.mark.parametrize(
    ("words", "said"), [(("forget", "Pupil 3"), "forgotten"), (("remove", "club.pgn"), "taken these games")]
)
def test_same_command_after_a_kill(
    club: Path, games: Path, miner: Miner, tmp_path: Path, words: tuple[str, str], said: str
) -> None:
    """It finishes the job wherever it was killed, says so, and has the later stages' settings still."""
    store = tmp_path / "store"
    shutil.copytree(club, store)
    script = ("-m", "tests.faults.killed_changes", words[0], 3, store, tmp_path, words[1])
    done = subprocess.run(
        [sys.executable, *map(str, script)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    killed = int(done.stdout)
    whole = Store.open(store).settings()
    seen = set()

    for step in range(1, killed + 2):
        left = tmp_path / str(step)
        told = miner(*words, "--store", left, "--yes")

        seen.add("up to date" in told.out)
        assert (told.code, told.err) == (0, "")
        assert said in told.out or "no games are left" in told.out
        assert Store.open(left).settings() == whole
        assert Store.open(left).require("read") == Store.open(tmp_path / str(killed + 1)).require("read")

    assert killed > 3
    assert seen == {True, False}


def test_store_that_is_sound(club: Path, miner: Miner) -> None:
    """Said in a line."""
    told = miner("check", "--store", club)

    assert (told.code, told.out, told.err) == (0, "every file is as it was written\n", "")


def test_name_that_stands_for_another_source_now(
    miner: Miner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same word in another folder is another file: its games go, too."""
    store = tmp_path / "store"
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "round.pgn").write_text(pgn_of(CLUB[:2] if folder == "a" else CLUB[2:5]))
    (tmp_path / "rest.pgn").write_text(pgn_of(CLUB[5:9]))
    sources = [tmp_path / "a" / "round.pgn", tmp_path / "b" / "round.pgn", tmp_path / "rest.pgn"]
    assert miner("read", *sources, "--store", store).code == 0

    for folder in ("a", "b"):
        monkeypatch.chdir(tmp_path / folder)
        assert miner("remove", "round.pgn", "--store", store, "--yes").code == 0

    [left] = Store.open(store).require("read").facts["sources"]
    assert left["name"] == str(tmp_path / "rest.pgn")


def test_file_without_games(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """A source without a game beside others is no error; alone it is, and the store stays as it was."""
    store, empty = tmp_path / "store", tmp_path / "empty.pgn"
    shutil.copytree(club, store)
    empty.touch()

    before = Store.open(store).require("read")

    added = miner("add", empty, "--store", store)
    still = Store.open(store).require("read")
    both = miner("read", games, empty, "--store", store)

    assert (added.code, "no game is found" in added.err, still == before) == (1, True, True)
    assert (both.code, both.out.startswith("read   26 games seen")) == (0, True)


def test_repair_goes_by_what_was_made(club: Path, miner: Miner, tmp_path: Path) -> None:
    """A run that failed at once changes no settings, and a repair makes the tables as they were."""
    store, mail = tmp_path / "store", tmp_path / "mail.pgn"
    shutil.copytree(club, store)
    mail.write_text("> a letter\n")
    before = Store.open(store).settings()

    failed = miner("run", mail, "--store", store, "--min-games-at-position", 50)
    (store / "replies.parquet").unlink()
    mended = miner("check", "--repair", "--store", store)

    assert failed.code == 1
    assert Store.open(store).settings() == before
    assert "replies.parquet: made again by `tally`" in mended.out
    assert digest_of(store / "replies.parquet") == digest_of(club / "replies.parquet")
