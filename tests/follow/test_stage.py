"""The stage as a whole on a small club's games, with a real engine."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import chess
import pandas as pd
import pytest

from miner.board.moves import pack
from miner.errors import StoreError
from miner.finding.aftermath import find_rates
from miner.follow.stage import follow
from miner.means import Means
from miner.rank.later import later_games
from miner.schema import TABLES
from miner.settings import TallySettings
from miner.store import TABLES_OF, Manifest, Store
from miner.tally.stage import tally
from tests.follow.stores import BEFORE, GAMES, QUICK, judged_store, record, verdict
from tests.judge.test_stage import committed, is_alive, wait_for
from tests.stores import board_after, finish, here, key_after, read_store

pytestmark = pytest.mark.engine
ROOT = Path(__file__).resolve().parents[2]
LONGER = replace(QUICK, nodes=10_000)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return judged_store(tmp_path / "club")


@pytest.fixture(scope="module")
def followed(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Store:
    """The club's store, followed; not to be changed."""
    folder = tmp_path_factory.mktemp("followed")
    store = judged_store(folder / "club")
    follow(store, QUICK, Means(engine=engine, engines=1, cache=folder / "verdicts.sqlite"))
    return store


@pytest.fixture(scope="module")
def at_once(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """What a run of `LONGER` that nobody stopped left behind."""
    folder = tmp_path_factory.mktemp("at-once")
    return follow(
        judged_store(folder / "club"), LONGER, Means(engine=engine, engines=1, cache=folder / "v.sqlite")
    )


def rows(store: Store, table: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = store.read_table(table).to_pylist()
    return found


def tables(store: Store) -> dict[str, Any]:
    return {name: store.read_table(name) for name in TABLES_OF["follow"]}


def packed(moves: str, san: str) -> int:
    return pack(board_after(moves).parse_san(san))


def test_tables_are_those_of_the_schema(followed: Store) -> None:
    """All eight are there, for the one losing reply, with the columns that are declared."""
    for name in TABLES_OF["follow"]:
        table, schema = followed.read_table(name), TABLES[name]
        assert table.schema.equals(schema), name
        assert set(table["key"].to_pylist()) == {key_after(BEFORE)}, name
        assert set(table["move"].to_pylist()) == {packed(BEFORE, "g6")}, name
        for field in schema:
            assert field.nullable or table[field.name].null_count == 0, (name, field.name)


def test_what_was_scored_afterwards(followed: Store) -> None:
    """By band of the player who profits: 5 wins, 3 losses and 2 draws at 1000-1199, 5 losses at 800-999."""
    by_band = {row["band"]: row for row in rows(followed, "afterwards")}

    assert {band: (row["games"], row["score_sum"]) for band, row in by_band.items()} == {
        "800-999": (5, 0.0),
        "1000-1199": (10, 6.0),
    }
    assert by_band["1000-1199"]["mean_rating_gap"] == pytest.approx((5 * 150 + 3 * 200 + 2 * 170) / 10)


def test_who_finds_the_punishment(followed: Store) -> None:
    """3.Qxe5+ keeps the gain, 3.Qf3 and 3.Na3 do not; who chose which is counted by band."""
    there = f"{BEFORE} g6"
    first = {row["answer"]: row for row in rows(followed, "followed") if row["plies"] == 0}
    chosen = {
        (row["answer"], row["band"]): (row["games"], row["players"], row["score_sum"])
        for row in rows(followed, "answers")
        if row["at"] == key_after(there)
    }

    assert set(first) == {packed(there, san) for san in ("Qxe5", "Qf3", "Na3")}
    for row in first.values():
        assert (row["at"], row["path"], row["best_move"]) == (key_after(there), "", "h5e5")
    assert first[packed(there, "Qxe5")]["kept"] == pytest.approx(1.0)
    assert first[packed(there, "Qf3")]["kept"] < 0.3
    assert first[packed(there, "Na3")]["kept"] == 0.0
    assert chosen == {
        (packed(there, "Qxe5"), "1000-1199"): (8, 8, 5.0),
        (packed(there, "Qf3"), "800-999"): (4, 4, 0.0),
        (packed(there, "Qf3"), "1000-1199"): (2, 2, 1.0),
        (packed(there, "Na3"), "800-999"): (1, 1, 0.0),
    }


def test_what_punishes_it(followed: Store) -> None:
    """Only 3.Qxe5+ keeps the gain, by searches of the verdict's nodes; in all eight games 3...Be7 came then,
    and 4.Qxh8 takes the rook, as where the gain leaks away.
    """
    [row] = rows(followed, "punishments")

    assert (row["answers"], row["kept"], row["taught"]) == (["h5e5"], [1.0], "h5e5")
    assert (row["line"][0], row["nodes"]) == ("h5e5", 4_000)
    assert (row["defence"], row["defence_games"], row["games_taught"]) == ("f8e7", 8, 8)
    assert row["against_defence"][0] == "e5h8"


def test_where_the_gain_leaks_away(followed: Store) -> None:
    """After 3.Qxe5+ Be7 five of eight take the rook; 4.d4 lets it off. The way there is told."""
    there = f"{BEFORE} g6 Qxe5 Be7"
    later = [row for row in rows(followed, "followed") if row["at"] == key_after(there)]

    by_answer = {row["answer"]: row for row in later}
    assert set(by_answer) == {packed(there, "Qxh8"), packed(there, "d4")}
    for row in later:
        assert (row["plies"], row["path"], row["best_move"]) == (2, "h5e5 f8e7", "e5h8")
        assert chess.Board(row["fen"]) == chess.Board(board_after(there).fen())
    assert by_answer[packed(there, "Qxh8")]["kept"] > 0.8
    assert by_answer[packed(there, "d4")]["kept"] < 0.75


def test_only_what_follows_a_punishment_is_followed(followed: Store) -> None:
    """Positions after 3.Qf3 are nobody's conversion."""
    missed = key_after(f"{BEFORE} g6 Qf3 Nf6")

    assert missed not in {row["at"] for row in rows(followed, "followed")}


def test_whether_the_rook_was_kept(followed: Store) -> None:
    """Nine plies later those who took it are six pawns up, those who waited one; the others are not counted.

    The games with another move are there, too, and evaluations are those of Black, who erred.
    """
    lasted = rows(followed, "lasted")
    there = f"{BEFORE} g6"

    own = [row for row in lasted if row["chosen"] == row["move"]]
    won = [row["won"] for row in own if row["found"]]
    assert (len(own), len(lasted)) == (15, 21)
    assert sorted(won) == [1, 1, 1, 6, 6, 6, 6, 6]
    assert all(row["won"] is None for row in lasted if not row["found"])
    assert all(row["found"] is None for row in lasted if row["chosen"] == packed(BEFORE, "Nc6"))
    assert all(row["cp"] < -300 for row in own if row["won"] == 6)
    [odd] = [row for row in own if row["plies"] == 1]  # 3.Na3 gxh5, and White resigns
    assert odd["cp"] > 500
    assert packed(there, "Na3") not in {row["chosen"] for row in lasted}


def test_model_games_and_plans(followed: Store) -> None:
    """The five won games make the plan; the models hold the whole game, the reply at its ply."""
    models = rows(followed, "model_games")
    plans = rows(followed, "plans")

    assert [row["place"] for row in models] == [1, 2, 3]
    for row in models:
        moves = row["moves"].split()
        assert (row["result"], row["reply_ply"], moves[3]) == ("1-0", 3, "g7g6")
        assert (row["winner_rating"], row["loser_rating"]) == (1100, 950)
        assert len(moves) == 19
        assert 0.0 <= row["quality"] < 0.2
        assert all(3 < ply < len(moves) for ply in row["moments"])
    assert {row["players"] for row in plans} == {"strongest", "1000-1199"}
    themes = {row["detail"]: (row["games"], row["share"]) for row in plans if row["players"] == "1000-1199"}
    assert themes["castling long"] == themes["queen h7"] == themes["bishop e3"] == (5, 1.0)


def test_seasons(followed: Store) -> None:
    """All games are of January 2024, in the season that began the August before."""
    [row] = rows(followed, "seasons")

    assert (row["season"], row["games_at_position"], row["games_with_reply"]) == ("2023/24", 21, 15)
    assert row["share_low"] < row["share"] == 15 / 21 < row["share_high"]


def test_no_names(followed: Store) -> None:
    """No player's name is in any of the tables."""
    for name in TABLES_OF["follow"]:
        text = str(followed.read_table(name).to_pylist())
        assert "Pupil" not in text
        assert "Rival" not in text


def test_number_of_engines_changes_nothing(
    store: Store, engine: Path, tmp_path: Path, followed: Store
) -> None:
    """Three engines give the same tables as one."""
    follow(store, QUICK, Means(engine=engine, engines=3, cache=tmp_path / "verdicts.sqlite"))

    assert tables(store) == tables(followed)


def test_nothing_is_done_twice(store: Store, engine: Path, tmp_path: Path) -> None:
    """With the same verdicts, settings and engine nothing is done; with other settings no known search is."""
    cache = tmp_path / "verdicts.sqlite"
    first = follow(store, QUICK, Means(engine=engine, cache=cache))
    written = here(store.path("plans")).stat().st_mtime_ns
    again = follow(store, QUICK, Means(engine=engine, cache=cache))
    untouched = here(store.path("plans")).stat().st_mtime_ns
    other = follow(store, replace(QUICK, models=1), Means(engine=engine, cache=cache))

    assert again == first
    assert untouched == written
    assert (other.facts["searches"], other.rows["model_games"]) == (0, 1)


def test_verdicts_must_come_first(tmp_path: Path, engine: Path) -> None:
    """Without verdicts there is nothing to follow; verdicts on an earlier tally will not do."""
    with pytest.raises(StoreError, match="`judge` has not been run"):
        follow(Store.create(tmp_path / "empty"), QUICK, Means(engine=engine, cache=tmp_path / "v.sqlite"))

    store = judged_store(tmp_path / "club")
    tallied = store.require("tally")
    finish(store, replace(tallied, facts={}, settings=tallied.settings | {"min_games": 3}))
    with pytest.raises(StoreError, match="`tally` was run again since `judge`"):
        follow(store, QUICK, Means(engine=engine, cache=tmp_path / "v.sqlite"))


def test_no_losing_replies(tmp_path: Path, engine: Path) -> None:
    """Sound replies leave empty tables, which is an answer."""
    sound = verdict(cp_reply=-40, exp_reply=0.45, exp_best=0.5)
    store = judged_store(tmp_path / "club", sound)

    manifest = follow(store, QUICK, Means(engine=engine, cache=tmp_path / "v.sqlite"))

    assert manifest.rows == dict.fromkeys(TABLES_OF["follow"], 0)
    assert manifest.facts["losing_replies"] == 0


def test_source_that_is_gone(
    store: Store, engine: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Without the source there are no model games, which is said; once it is back they are made."""
    source, aside = tmp_path / "club" / "games.pgn", tmp_path / "aside.pgn"
    cache = tmp_path / "v.sqlite"
    source.rename(aside)

    without = follow(store, QUICK, Means(engine=engine, cache=cache))
    plans_without = rows(store, "plans")
    again = follow(store, QUICK, Means(engine=engine, cache=cache))
    aside.rename(source)
    back = follow(store, QUICK, Means(engine=engine, cache=cache))

    assert without.facts["sources_missing"] == [str(source)]
    assert f"{source} cannot be read again" in caplog.text
    assert without.rows["model_games"] == without.facts["whole_games"] == 0
    assert again == without
    assert (back.rows["model_games"], back.facts["sources_missing"]) == (3, [])
    assert plans_without == rows(store, "plans")  # 30 plies were kept: enough for these games


@pytest.fixture
def fallible_engine(tmp_path: Path) -> Path:
    """An engine that dies over Qf3, h5f3, until the file `mended` is there."""
    fake = ROOT / "tests" / "engine" / "fake_engine.py"
    return script(tmp_path / "fake", f'exec "{sys.executable}" "{fake}" dies-over-Qf3 "{tmp_path}"')


@pytest.fixture
def recorded_engine(engine: Path, tmp_path: Path) -> Path:
    """The real engine behind a script that writes the process ids to `pids` beside it."""
    return script(tmp_path / "recorded", f'echo $$ >> "{tmp_path}/pids"\nexec "{engine}"')


def script(path: Path, command: str) -> Path:
    path.write_text(f"#!/bin/sh\n{command}\n", encoding="utf-8")
    path.chmod(0o755)
    return path


def test_failed_searches_are_tried_again(store: Store, fallible_engine: Path, tmp_path: Path) -> None:
    """An answer that could not be judged has no share, is counted, and is asked for in the next run."""
    settings = replace(QUICK, models=0)
    there = f"{BEFORE} g6"

    def kept_by_qf3(how: Callable[[], Manifest]) -> tuple[Any, int]:
        manifest = how()
        [row] = [row for row in rows(store, "followed") if row["answer"] == packed(there, "Qf3")]
        return row["kept"], manifest.facts["inconclusive"]

    def run() -> Manifest:
        return follow(store, settings, Means(engine=fallible_engine, engines=1, cache=tmp_path / "v.sqlite"))

    first = kept_by_qf3(run)
    (tmp_path / "mended").touch()
    second = kept_by_qf3(run)

    assert first == (None, 1)
    assert second[0] is not None
    assert second[1] == 0


@pytest.mark.posix
@pytest.mark.parametrize("how", ["SIGINT", pytest.param("SIGKILL", marks=pytest.mark.slow)])
def test_interrupted_run_is_taken_up(
    how: str, store: Store, at_once: Manifest, recorded_engine: Path, tmp_path: Path
) -> None:
    """After Ctrl-C or a kill no engine is left and no table half done; the rest goes on from the cache."""
    cache = tmp_path / "verdicts.sqlite"
    arguments = [str(store.root), str(cache), str(recorded_engine), str(LONGER.nodes)]
    with subprocess.Popen([sys.executable, "-m", "tests.follow.run_stage", *arguments], cwd=ROOT) as run:
        wait_for(lambda: committed(cache) > 0)
        run.send_signal(signal.Signals[how])
        run.wait()

    pids = [int(pid) for pid in (tmp_path / "pids").read_text().split()]
    wait_for(lambda: not any(map(is_alive, pids)))
    kept = committed(cache)
    assert run.returncode != 0
    assert store.manifest("follow") is None

    # With one engine no search is asked for twice, though the model games are alike.
    resumed = follow(store, LONGER, Means(engine=recorded_engine, engines=1, cache=cache))

    assert resumed.facts["searches"] == at_once.facts["searches"] - kept > 0
    assert resumed.digests == at_once.digests


def test_games_of_the_prior_are_followed(engine: Path, tmp_path: Path) -> None:
    """A club with one such game is told who punishes it, and how it is won, by the larger database's."""
    large = judged_store(tmp_path / "large")
    club = read_store(tmp_path / "club", [replace(GAMES[0], white="Ours")])
    tally(club, TallySettings(prior=str(large.root)))
    record(club, verdict())

    manifest = follow(club, QUICK, Means(engine=engine, engines=1, cache=tmp_path / "v.sqlite"))

    assert manifest.facts["passages"] == 16
    assert manifest.facts["sources_missing"] == []
    found = find_rates(club).set_index("band")
    assert (found.loc["1000-1199", "games"], found.loc["1000-1199", "found"]) == (11, 9)
    assert (found.loc["800-999", "games"], found.loc["800-999", "found"]) == (5, 0)
    models = rows(club, "model_games")
    assert {row["game"] for row in models} <= set(range(6))  # its own, and by numbers beyond it, the others'
    assert len(models) == 3
    counted = {(row["games_with_reply"], row["games_at_position"]) for row in rows(club, "seasons")}
    assert counted == {(15, 21)}  # of one kind of games: the prior's
    lasted = [row for row in rows(club, "lasted") if row["cp"] is not None]
    losing = pd.DataFrame(rows(club, "judged"))[["key", "move"]].astype({"key": "uint64", "move": "uint16"})
    told = later_games(club, losing, club.bands)
    assert len(told) == len(lasted) > 1  # the players of the prior's games are known, too
