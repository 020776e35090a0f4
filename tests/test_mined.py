"""The miner as a library: each command is a call, tables are frames and views, and values show themselves."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import chess
import pandas as pd
import pytest

import miner
from miner.cli.app import COMMANDS
from miner.schema import TABLES
from tests.stores import Game, pgn_of

GAMES = [
    *[Game(moves="e4 e5 Qh5 g6 Qxe5 Be7 Qxh8", black=f"B {at}", black_rating=950) for at in range(8)],
    *[Game(moves="e4 e5 Qh5 Nc6 Bc4 Nf6 Qxf7", black=f"C {at}", black_rating=950) for at in range(8)],
]
SETTINGS = miner.Settings(
    tally=miner.TallySettings(min_games=3),
    judge=miner.JudgeSettings(nodes=(500, 2_000), min_games=3),
    scan=miner.ScanSettings(nodes=(500, 1_000, 2_000)),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the games."""
    folder = tmp_path_factory.mktemp("mined")
    (folder / "club.pgn").write_text(pgn_of(GAMES), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def means(engine: Path, folder: Path) -> miner.Means:
    """The real engine, with a cache of its own."""
    return miner.Means(engine=engine, cache=folder / "verdicts")


@pytest.fixture(scope="module")
def club(folder: Path, means: miner.Means) -> miner.Store:
    """A store of the games, finished by one call; not to be changed."""
    return miner.mine(folder / "club.pgn", folder / "club", SETTINGS, means)


def test_one_call_does_the_whole_job(club: miner.Store, folder: Path, means: miner.Means) -> None:
    """It is silent, gives the finished store, and does nothing if called again; who wants to know is told."""
    told: list[miner.pipeline.StageDone] = []

    again = miner.mine([folder / "club.pgn"], folder / "club", SETTINGS, means, on_done=told.append)

    assert club.status()["out_of_date"] is None
    assert all(club.status()["stages"].values())
    assert [done.was_current for done in told] == [True] * 6
    assert again.status() == club.status()


def test_run_is_no_promise(folder: Path, means: miner.Means, tmp_path: Path) -> None:
    """The stages have run when the call returns, whether or not anybody looks at what it gives."""
    store = miner.Store.create(str(tmp_path / "store"))

    miner.pipeline.run([str(folder / "club.pgn")], store, SETTINGS, means)

    assert store.read_table("findings").num_rows > 0


def test_findings_are_values_that_show_themselves(club: miner.Store) -> None:
    """In words on one line, and in a notebook with a diagram; no name is in it."""
    [*_, finding] = [one for one in club.findings() if one.losing_reply == "g6"]

    shown = finding._repr_html_()

    assert repr(finding).endswith("2...g6??>")
    assert "2...g6??" in shown
    assert "3.Qxe5+" in shown
    drawing = shown[shown.index("<svg") : shown.index("</svg>") + len("</svg>")]
    assert ElementTree.fromstring(drawing).attrib["width"] == "230"
    assert "B 1" not in shown


def test_foreign_text_is_escaped_in_a_notebook(club: miner.Store) -> None:
    """An opening's name comes from a PGN."""
    finding = replace(club.findings()[0], opening="<script>alert(1)</script>", ply=9)

    assert "<script" not in finding._repr_html_()


def test_moments_and_motifs(club: miner.Store) -> None:
    """What the scan found, as values that show themselves likewise."""
    moments = club.moments()

    assert {moment.losing_reply for moment in moments} & {"g6", "Nf6"}
    assert "<svg" in moments[0]._repr_html_()
    assert [motif.band for motif in club.motifs()] == ["all"] * len(club.motifs())
    with pytest.raises(miner.MinerError, match="no band is called"):
        club.motifs("5000-6000")


def test_store_tells_what_it_holds(club: miner.Store, tmp_path: Path) -> None:
    """In a line, and as a table in a notebook; also where nothing was read yet."""
    empty = miner.Store.create(str(tmp_path / "empty"))

    assert "16 games" in repr(club)
    assert "findings" in repr(club)
    assert "nothing was read yet" in repr(empty)
    assert ElementTree.fromstring(club._repr_html_()).tag == "table"
    assert empty._repr_html_().count("not done yet") == 6


def test_frames_have_moves_in_words(club: miner.Store) -> None:
    """Beside the 16 bits stand UCI and SAN, which agree with the board."""
    replies = club.frame("replies")
    fens = dict(zip(*(club.frame("positions")[name] for name in ("key", "fen")), strict=True))

    assert len(replies) == club.read_table("replies").num_rows
    for key, uci, san in zip(*(replies[name] for name in ("key", "move_uci", "move_san")), strict=True):
        assert chess.Board(fens[key]).parse_san(san) == chess.Move.from_uci(uci)
    assert {"g6", "Nc6"} <= {*replies["move_san"]}


def test_a_frame_of_what_was_not_made_says_which_stage_makes_it(tmp_path: Path) -> None:
    """Nothing is damaged, so that nothing is to be mended."""
    store = miner.Store.create(tmp_path / "store")

    with pytest.raises(miner.MinerError, match="the stage `follow` has not been run here"):
        store.frame("followed")


def test_one_band_may_be_a_string(club: miner.Store) -> None:
    """As it is elsewhere."""
    band = club.findings_by_band()[0].band

    assert club.findings(bands=band) == club.findings(bands=[band])


@pytest.mark.parametrize("name", TABLES)
def test_every_table_is_a_frame_and_a_view(name: str, club: miner.Store) -> None:
    """With the same rows, and all its columns."""
    frame, counted = club.frame(name), club.sql(f"select count(*) as rows from {name}")

    assert isinstance(frame, pd.DataFrame)
    assert counted["rows"].tolist() == [len(frame)]
    assert set(TABLES[name].names) <= set(frame.columns)


@pytest.mark.parametrize("name", ["followed", "answers"])
def test_answers_have_the_words_of_their_own_position(name: str, club: miner.Store) -> None:
    """Not of that before the losing reply."""
    frame = club.frame(name)

    assert "Qxe5+" in {*frame["answer_san"]}
    assert frame["answer_san"].notna().all()


def test_sql_has_functions_for_moves_and_keys(club: miner.Store) -> None:
    """They say the same as the frames and lists; promotions, too."""
    rows = club.sql(
        "select uci(move) as uci, san(fen, move) as san, hex_key(key) as key from judged order by all"
    )
    frame = club.frame("judged")
    packed = 4 << 12 | chess.A7 << 6 | chess.A8

    assert {*rows["uci"]} == {*frame["move_uci"]}
    assert {*rows["san"]} == {*frame["move_san"]}
    assert {*rows["key"]} == {f"{key:016x}" for key in frame["key"]}
    assert club.sql("select uci($move) as uci", {"move": packed})["uci"].tolist() == ["a7a8r"]


def test_a_store_without_games_has_views(tmp_path: Path) -> None:
    """Of no files the columns are those of the schema."""
    (tmp_path / "none.pgn").write_text('[White "A"]\n[Result "*"]\n\n*\n', encoding="utf-8")
    store = miner.Store.create(str(tmp_path / "store"))
    miner.pipeline.read([str(tmp_path / "none.pgn")], store, miner.ReadSettings())

    assert store.sql("select uci(move) as move from moves").columns.tolist() == ["move"]
    with pytest.raises(miner.MinerError, match="no table is called 'game'"):
        store.frame("game")


def test_what_a_coach_gets(club: miner.Store, tmp_path: Path) -> None:
    """Each call writes its files and tells which; exercises and sessions are values."""
    looks = miner.Looks(pdf=False)

    files = club.export(tmp_path / "findings.csv", tmp_path / "moments.pgn")
    report = club.report(tmp_path / "report.html")
    lesson = club.lesson(tmp_path / "sheets", looks=looks)
    plan = club.plan(tmp_path / "term", sessions=2, looks=looks)

    assert all(file.stat().st_size for file in [*files, report, *lesson.files, *plan.files])
    assert lesson.exercises
    assert plan.sessions
    assert "exercise" in repr(lesson)
    assert "session" in repr(plan)


def test_what_was_taught_is_left_out(club: miner.Store, tmp_path: Path) -> None:
    """A lesson notes what it teaches in the table that is named; a later one holds nothing of it."""
    looks, table = miner.Looks(pdf=False), tmp_path / "taught.csv"
    first, second = (
        club.lesson(
            tmp_path / f"{month}",
            top=1,
            start=date(2025, month, 1),
            taught=table,
            without_taught=True,
            looks=looks,
        )
        for month in (9, 10)
    )

    assert first.noted is not None
    assert second.noted is not None
    assert str(first.noted.file) == str(table)
    assert first.noted.topics == len(table.read_text(encoding="utf-8").splitlines()) - second.noted.topics - 1
    assert {one.board.fen() for one in first.exercises}.isdisjoint(
        one.board.fen() for one in second.exercises
    )


def test_model_games(club: miner.Store, means: miner.Means, tmp_path: Path) -> None:
    """One by its number, told and written, and with its comments in the report."""
    number = next(game for finding in club.findings() for game in finding.model_games)

    games = club.game(number, tmp_path / "game.pgn", means=means, nodes=2_000)

    assert [one.seen.game.number for one in games.told] == [number]
    assert (tmp_path / "game.pgn").read_text(encoding="utf-8").startswith("[Event")
    assert repr(games) == f"<1 model game: {tmp_path / 'game.pgn'}>"
    page = club.report(tmp_path / "report.html", comments=1, means=means, nodes=2_000)
    assert '"introduction":' in page.read_text(encoding="utf-8")


def test_pupils_pages(club: miner.Store, folder: Path, tmp_path: Path) -> None:
    """Of the same games, without the engine and without names."""
    pages = club.pupils(folder / "club.pgn", tmp_path / "pupils", pdf=False)

    assert tmp_path / "pupils" / "group.html" in pages.files
    assert "16 games" in repr(pages)


def test_advice(club: miner.Store, means: miner.Means) -> None:
    """A side and a band by their names."""
    advice = club.steer("white", "800-999", miner.SteerSettings(plies=4, nodes=500), means)

    assert miner.words.headline(advice)


def test_findings_of_what_has_changed_are_warned_of(
    folder: Path, means: miner.Means, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A notebook shows the warning; then the store is brought up to date."""
    more = tmp_path / "more.pgn"
    more.write_text(pgn_of([Game(moves="d4 d5", white="X")]), encoding="utf-8")
    store = miner.mine(folder / "club.pgn", tmp_path / "store", SETTINGS, means)
    store.add(more)

    with caplog.at_level(logging.WARNING):
        store.findings()
        warned = caplog.text
        caplog.clear()
        store.remake(means=means)
        store.findings()

    assert "what was found is out of date, since `tally` has not been run" in warned
    assert caplog.text == ""
    assert store.check() == []


def test_every_command_is_a_call() -> None:
    """Of the store, of `pipeline`, or by the name that says it: nothing needs the command line."""
    elsewhere = {"run": "mine", "demo": "sample", "show": "findings", "unlock": "unlock", "check": "check"}
    calls = {*dir(miner.Store), *miner.pipeline.__all__, *miner.__all__}

    assert [name for name in COMMANDS if name not in calls and elsewhere.get(name) not in calls] == []
