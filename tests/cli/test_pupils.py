"""`miner pupils`: what it writes and says."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from miner.pupils.check import MOST_PUPILS
from miner.store import Store
from tests.cli.conftest import NAMES, Told
from tests.conftest import ROOT

Miner = Callable[..., Told]


@pytest.fixture
def club(club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, engine: Path) -> Path:
    """A copy of the club's store, since it is to keep the pupils' numbers; the cache lies beside it.

    Pupils' games are looked up there, which are the club's own.
    """
    monkeypatch.setenv("MINER_CACHE", str(tmp_path / "club" / "cache"))
    monkeypatch.setenv("MINER_ENGINE", str(engine))
    return Path(shutil.copytree(club.parent, tmp_path / "club")) / "store"


def test_pages_are_written_and_told(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """The games seen, the folder, and where to begin; no name is told or written."""
    told = miner("pupils", "--store", club, "--games", games, "--out", tmp_path / "out", "--no-pdf")

    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("26 games seen: 26 kept\nwrote ")
    assert (tmp_path / "out" / "group.html").is_file()
    # The club's players are called Pupil 1 to Pupil 10; pseudonyms have four digits.
    for file in (tmp_path / "out").iterdir():
        assert not any(f"{name}<" in file.read_text(encoding="utf-8") for name in NAMES)


def test_listed_players(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Only listed players get a page; how many of the list are not there is told, but not who."""
    (tmp_path / "list.txt").write_text(f"{NAMES[0]}\nSomebody Else\n", encoding="utf-8")
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--out", tmp_path / "out")

    told = miner(*call, "--players", tmp_path / "list.txt")

    assert told.err == "1 of the list has no game there\n"
    assert len(list((tmp_path / "out").glob("pupil-????.html"))) == 1


def test_names(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Names are on the pages if asked for, and the coach is reminded."""
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--out", tmp_path / "out")

    told = miner(*call, "--names")

    assert told.out.endswith("The pages hold names: keep them to yourself.\n")
    assert f">{NAMES[0]}<" in (tmp_path / "out" / "group.html").read_text(encoding="utf-8")


def test_forgotten_pupil(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Who was forgotten has no page again, nor a line or a number in the group's, from the old games."""
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--names", "--out")
    miner(*call, tmp_path / "before")
    miner("forget", NAMES[0], "--store", club, "--yes", "--run", "--cache", club.parent / "cache")

    told = miner(*call, tmp_path / "after")

    before, after = ({file.name for file in (tmp_path / name).iterdir()} for name in ("before", "after"))
    assert told.out.startswith("26 games seen: 23 kept, 3 forgotten\n")
    assert len([name for name in before - after if name.endswith(".html")]) == 2  # the page and its answers
    for file in (tmp_path / "after").iterdir():
        assert not re.search(rf"{NAMES[0]}\b", file.read_text(encoding="utf-8")), file.name


def test_forgotten_pupil_with_games_elsewhere(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Who has a number only is forgotten as well: it goes to nobody else, and no stage is out of date."""
    own = tmp_path / "own.pgn"
    own.write_text(games.read_text(encoding="utf-8").replace('Pupil 1"', 'Newcomer"'), encoding="utf-8")
    call = ("pupils", "--store", club, "--games", own, "--no-pdf", "--out", tmp_path / "out")
    miner(*call)
    before = (club / "pupils").read_text(encoding="ascii").split("\n")

    told = miner("forget", "Newcomer", "--store", club, "--yes")
    again = miner(*call)

    after = (club / "pupils").read_text(encoding="ascii").split("\n")
    [gone] = set(before) - set(after)
    assert (told.code, told.err, again.code) == (0, "", 0)
    assert set(after) - set(before) == {gone[:4]}
    assert Store.open(club).out_of_date() is None
    assert again.out.startswith("26 games seen: 23 kept, 3 forgotten\n")


def test_newcomer_among_pupils(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """The others are called as before, whoever comes; also while a run is at work in the store."""
    listed = tmp_path / "list.txt"
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--players", listed, "--out")
    listed.write_text("\n".join(NAMES[:9]), encoding="utf-8")
    miner(*call, tmp_path / "first")

    with Store.open(club).writing():
        known = miner(*call, tmp_path / "second")
        listed.write_text("\n".join(NAMES), encoding="utf-8")
        refused = miner(*call, tmp_path / "third")
    miner(*call, tmp_path / "fourth")

    pages = [{file.name for file in (tmp_path / name).iterdir()} for name in ("first", "second", "fourth")]
    assert known.code == 0
    assert refused.code == 1
    assert "no number can be kept for 1 new pupil: another run is at work in this store; wait" in refused.err
    assert not (tmp_path / "third").exists()
    assert pages[0] == pages[1] < pages[2]


def test_too_many_to_be_pupils(club: Path, miner: Miner, tmp_path: Path) -> None:
    """All players of a database are not taken for pupils, and take no number from those who are."""
    many = tmp_path / "many.pgn"
    many.write_text(
        "".join(
            f'[White "White {number}"]\n[Black "Black {number}"]\n[Result "1-0"]\n\n1. e4 e5 1-0\n\n'
            for number in range(200)
        ),
        encoding="utf-8",
    )

    told = miner("pupils", "--store", club, "--games", many, "--out", tmp_path / "out", "--no-pdf")

    assert told.code == 2
    assert "400 players have games there; say which of them are pupils with --players FILE" in told.err
    assert not (club / "pupils").exists()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be forked here")
def test_names_after_a_kill(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Wherever a run that writes names is killed, the next one, without names, leaves none in any file."""
    temporary, listed = tmp_path / "temporary", tmp_path / "list.txt"
    temporary.mkdir()
    listed.write_text(NAMES[0], encoding="utf-8")
    script = ("-m", "tests.faults.killed_changes", "pupils", 5, club, tmp_path, games, NAMES[0])
    done = subprocess.run(
        [sys.executable, *map(str, script)],
        cwd=ROOT,
        env=os.environ | {"TMPDIR": str(temporary)},
        capture_output=True,
        text=True,
        check=True,
    )
    left_over = 0

    for step in range(1, int(done.stdout) + 1):
        store, out = tmp_path / str(step), tmp_path / f"{step}-pages"
        left_over += any(path.name.endswith(".unfinished") for path in out.glob(".*"))
        told = miner("pupils", "--store", store, "--games", games, "--players", listed, "--out", out)

        assert (told.code, told.err) == (0, "")
        assert [path.name for path in out.iterdir() if path.name.startswith(".")] == [".pupils.sha256"]
        for path in out.glob("*.html"):
            assert not re.search(rf"{NAMES[0]}\b", path.read_text(encoding="utf-8"))

    assert left_over > 1
    assert not list(temporary.iterdir())


def test_pages_of_an_earlier_call(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Pages of pupils who are not listed any more go; what the coach has changed stays."""
    (tmp_path / "list.txt").write_text(NAMES[0], encoding="utf-8")
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--out", tmp_path / "out")
    miner(*call)
    (tmp_path / "out" / "pupil-notes.html").write_text("mine")

    told = miner(*call, "--players", tmp_path / "list.txt")

    pages = sorted(file.name for file in (tmp_path / "out").glob("pupil-????.html"))
    assert len(pages) == 1
    assert (tmp_path / "out" / "pupil-notes.html").read_text() == "mine"
    assert "files of an earlier call\n" in told.out
    assert "Pupil" not in told.out


def test_everybody_without_a_list(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """All players of the games have a page, opponents as well, and the help says so."""
    shown = miner("pupils", "--help")
    miner("pupils", "--store", club, "--games", games, "--out", tmp_path / "out", "--no-pdf")

    told = re.sub(r"\s+", " ", shown.out)
    assert "Without it every player in the games gets a page, opponents as well, if they are 300" in told
    assert f"if they are {MOST_PUPILS} or fewer" in told
    players = set(re.findall(r'\[(?:White|Black) "([^"?]+)"', games.read_text(encoding="utf-8")))
    assert len(list((tmp_path / "out").glob("pupil-????.html"))) == len(players) > len(NAMES)


def test_wrong_day(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """A day that is none is wrong use, and nothing is written."""
    told = miner(
        "pupils", "--store", club, "--games", games, "--out", tmp_path / "out", "--lesson-date", "soon"
    )

    assert (told.code, told.err) == (2, "miner: --lesson-date 'soon' is no date; write it as 2025-09-15\n")
    assert not (tmp_path / "out").exists()


def test_motifs_of_all_games(raided: Path, raids: Path, miner: Miner, engine: Path, tmp_path: Path) -> None:
    """What a pupil fell for in positions that never recur, with exercises; without a scan none of it."""
    store = Path(shutil.copytree(raided.parent, tmp_path / "raided")) / "store"
    (tmp_path / "list.txt").write_text("\n".join(NAMES), encoding="utf-8")
    call: list[object] = ["pupils", "--store", store, "--games", raids, "--no-pdf"]
    call += ["--players", tmp_path / "list.txt", "--lesson-date", "2025-01-01"]
    call += ["--engine", engine, "--cache", store.parent / "cache", "--out"]

    told, without = miner(*call, tmp_path / "out"), miner(*call, tmp_path / "without", "--no-scan")

    pages, bare = (sorted((tmp_path / name).glob("pupil-????.html")) for name in ("out", "without"))
    words, others = (
        " ".join(re.sub(r"<[^>]+>|\s+", " ", page.read_text(encoding="utf-8")) for page in some)
        for some in (pages, bare)
    )
    assert (told.code, without.code) == (0, 0)
    assert "Motifs that cost you most" in words
    group = re.sub(r"<[^>]+>|\s+", " ", (tmp_path / "out" / "group.html").read_text(encoding="utf-8"))
    assert re.search(r"What the group falls for most .* Double attack .* 9 of 10 ", group)
    assert not [name for name in NAMES if re.search(rf"{name}\b", group)]
    assert re.search(r"Double attack\s+One move[^.]+ meets both\.\s+1 of 1 \(usual \d\.\d\)", words)
    assert re.search(r"\(it takes 5 times on either side\): .*double attack \(made\)", words)
    assert re.search(r"From your own game \d+ \((White|Black), 2024\.01\.\d\d\)\.", words)
    assert "From somebody else" in words
    fell = sorted((tmp_path / "out").glob("pupil-????.pgn"))  # the tenth fell for nothing
    assert len(fell) == 9
    assert all(file.read_text(encoding="utf-8").count("[Event ") > 1 for file in fell)
    assert "Motifs that cost" not in others
    assert not [name for name in NAMES if re.search(rf"{name}\b", words)]


def test_one_group(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """Its pupils alone get a page; of a group that nobody is in it is told which there are."""
    rows = "".join(f"{name},{'Fridays' if place < 2 else 'Mondays'}\n" for place, name in enumerate(NAMES))
    (tmp_path / "list.csv").write_text(f"name,group\n{rows}", encoding="utf-8")
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--no-scan", "--out", tmp_path / "out")

    told = miner(*call, "--players", tmp_path / "list.csv", "--group", "Fridays")
    nobody = miner(*call, "--players", tmp_path / "list.csv", "--group", "Sundays")

    assert (told.code, told.err) == (0, "")
    assert len(list((tmp_path / "out").glob("pupil-????.html"))) == 2
    assert nobody.err == "miner: --players has nobody of the group Sundays; its groups are Fridays, Mondays\n"


def test_since_what_was_taught(club: Path, games: Path, miner: Miner, tmp_path: Path) -> None:
    """By the table that lessons keep; a file that is not there is no key either."""
    call = ("pupils", "--store", club, "--games", games, "--no-pdf", "--no-scan", "--out", tmp_path / "out")
    miner(
        *("lesson", "--store", club, "--out", tmp_path / "lesson", "--no-pdf"),
        *("--without-taught", "--start", "2024-01-05"),
    )

    told = miner(*call, "--taught", club / "taught.csv")
    missing = miner(*call, "--taught", tmp_path / "none.csv")
    both = miner(*call, "--taught", club / "taught.csv", "--lesson-date", "2024-01-05")

    assert (told.code, told.err) == (0, "")
    assert "Since the lesson on 2024-01-05" in (tmp_path / "out" / "group.html").read_text(encoding="utf-8")
    assert missing.code == both.code == 2
    assert "none.csv is neither a key nor a file; take keys from the column `key`" in missing.err
    assert "each topic of the table has a day of its own" in both.err
