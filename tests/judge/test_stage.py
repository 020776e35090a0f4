"""Tests of the stage as a whole, with a real engine."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import chess
import pytest

from miner.board.moves import pack
from miner.engine.consult import Engines
from miner.engine.verdicts import Request, Verdict
from miner.errors import StoreError
from miner.judge.inquiry import Judgement, Questions
from miner.judge.stage import TOO_LITTLE, judge, judged_within, without_known
from miner.means import Means
from miner.progress import Silent, Task
from miner.schema import JUDGED
from miner.settings import JudgeSettings, TallySettings
from miner.store import Store
from miner.tally.stage import tally
from miner.terms import Score, Side
from tests import stores
from tests.inquiries import heard
from tests.judge.tables import board_after, key_of, position, tallied_store
from tests.stores import Game, finish, here, read_store

pytestmark = pytest.mark.engine
QUICK = JudgeSettings(nodes=(1000, 3000, 8000))
LONGER = JudgeSettings(nodes=(4_000, 6_000, 8_000))
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return tallied_store(tmp_path / "store")


@pytest.fixture(scope="module")
def uninterrupted(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store that was judged by `LONGER` in one go."""
    folder = tmp_path_factory.mktemp("uninterrupted")
    store = tallied_store(folder / "store")
    judge(store, LONGER, Means(engine=engine, cache=folder / "verdicts.sqlite"))
    return store


def rows(store: Store) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = store.read_table("judged").to_pylist()
    return found


def test_judged_table(store: Store, engine: Path, tmp_path: Path) -> None:
    """One row per candidate, from the mover's point of view, with a loss that fits its numbers."""
    manifest = judge(store, QUICK, Means(engine=engine, cache=tmp_path / "verdicts.sqlite"))

    table = store.read_table("judged")
    found = {(row["key"], row["move"]): row for row in table.to_pylist()}
    assert table.schema.equals(JUDGED)
    assert len(found) == manifest.rows["judged"] == manifest.facts["candidates"] == 54
    for row in found.values():
        assert row["state"] == "judged"
        assert row["loss"] == pytest.approx(max(0.0, row["exp_best"] - row["exp_reply"]))
        assert (row["nodes_before"] == 0) == (row["nodes"] == 1000) == (row["loss_before"] is None)
        assert (row["pv_best"][0], len(row["wdl_best"])) == (row["best_move"], 3)
        assert pack(chess.Move.from_uci(row["pv_reply"][0])) == row["move"]
    # 1.e4 e5 2.Nf3 Nc6 3.Bc4 Nf6 4.Ng5: whatever else Black plays, d5 meets the attack on f7.
    board = board_after("e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5")
    best = found[key_of(board), pack(board.parse_san("d5"))]
    blunder = found[key_of(board), pack(board.parse_san("Bb4"))]
    assert (best["best_move"], best["loss"], best["nodes"]) == ("d7d5", 0.0, 1000)
    assert (blunder["nodes"], blunder["nodes_before"]) == (3000, 1000)  # that leaves no doubt
    assert blunder["loss"] > 0.15
    assert blunder["loss_before"] > 0.1


def test_fewer_games_than_were_tallied_is_told(
    store: Store, engine: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Replies of so few games lie, for the most part, in positions that the tally left out."""
    tally = store.require("tally")
    finish(store, replace(tally, facts=tally.facts | {"min_games": 20}))
    few = replace(QUICK, min_games=5, nodes=(100, 200))

    judge(store, few, Means(engine=engine, cache=tmp_path / "verdicts.sqlite"))

    assert "replies of 5 games are asked for, but positions of fewer than 20 were not tallied" in caplog.text


def test_number_of_engines_changes_nothing(store: Store, engine: Path, tmp_path: Path) -> None:
    """One engine and three give the same table, each from an empty cache."""
    tables = []
    for engines in (1, 3):
        here(store.root / "judge.json").unlink(missing_ok=True)
        judge(store, QUICK, Means(engine=engine, engines=engines, cache=tmp_path / f"{engines}.sqlite"))
        tables.append(store.read_table("judged"))

    assert tables[0].equals(tables[1])


def test_nothing_is_done_twice(store: Store, engine: Path, tmp_path: Path) -> None:
    """With the same tally, settings and engine the stage does nothing; with other settings it runs."""
    first = judge(store, QUICK, Means(engine=engine, cache=tmp_path / "verdicts.sqlite"))
    written = here(store.path("judged")).stat().st_mtime_ns
    again = judge(store, QUICK, Means(engine=engine, cache=tmp_path / "verdicts.sqlite"))
    untouched = here(store.path("judged")).stat().st_mtime_ns
    stricter = JudgeSettings(nodes=QUICK.nodes, min_games=21)
    other = judge(store, stricter, Means(engine=engine, cache=tmp_path / "verdicts.sqlite"))

    assert again == first
    assert untouched == written
    assert other.inputs == first.inputs
    assert (other.facts["searches"], other.rows["judged"] < first.rows["judged"]) == (0, True)


def test_tally_must_come_first(tmp_path: Path, engine: Path) -> None:
    """Without a tally there is nothing to judge."""
    store = Store.create(tmp_path / "empty")

    with pytest.raises(StoreError, match="`tally` has not been run"):
        judge(store, QUICK, Means(engine=engine, cache=tmp_path / "verdicts.sqlite"))


def test_failed_searches_are_rows(store: Store, fake_engine: Callable[[str], Path], tmp_path: Path) -> None:
    """A verdict that could not be had is a row with the reason and without numbers; the others are judged."""
    manifest = judge(
        store, QUICK, Means(engine=fake_engine("dies-over-Na3"), cache=tmp_path / "verdicts.sqlite")
    )

    failed = [row for row in rows(store) if row["state"] == "inconclusive"]
    assert 0 < len(failed) == manifest.facts["inconclusive"] < manifest.rows["judged"]
    for row in failed:
        assert row["move"] == pack(chess.Move.from_uci("b1a3"))
        assert row["detail"] == "3 engines were lost over it: it ended before `bestmove`"
        assert (row["loss"], row["cp_best"], row["best_move"], row["pv_reply"]) == (None, None, "", [])


def test_inconclusive_is_tried_again(
    store: Store, fake_engine: Callable[[str], Path], tmp_path: Path
) -> None:
    """A finished run with failed searches is not the last word: only those are searched in the next one."""
    engine, cache = fake_engine("dies-over-Na3"), tmp_path / "verdicts.sqlite"
    first = judge(store, QUICK, Means(engine=engine, cache=cache))
    (tmp_path / "mended").touch()
    second = judge(store, QUICK, Means(engine=engine, cache=cache))
    third = judge(store, QUICK, Means(engine=engine, cache=cache))

    assert first.facts["inconclusive"] > 0 == second.facts["inconclusive"]
    assert 0 < second.facts["searches"] < first.facts["searches"]
    assert {row["state"] for row in rows(store)} == {"judged"}
    assert third == second


def test_forced_retreat_is_found(engine: Path, tmp_path: Path) -> None:
    """1.e4 e5 2.Nc3 Nf6 3.f4 exf4 4.e5 drives the knight home: 4...Qe7 only puts it off."""
    store = tallied_store(tmp_path / "vienna", lines=("e4 e5 Nc3 Nf6 f4 exf4",), from_ply=5)
    judge(
        store,
        JudgeSettings(nodes=(10_000, 50_000, 80_000)),
        Means(engine=engine, cache=tmp_path / "v.sqlite"),
    )

    board = board_after("e4 e5 Nc3 Nf6 f4")
    wanted = (key_of(board), pack(board.parse_san("exf4")))
    [row] = [row for row in rows(store) if (row["key"], row["move"]) == wanted]
    assert row["retreat"] == "f6g8"
    assert row["retreat_loss"] > 0.1
    assert all(line.startswith("e5f4 ") for line in row["defences"])
    assert all(one["retreat_loss"] is None for one in rows(store) if not one["retreat"])


def test_interrupted_run_leaves_what_was_judged_before(store: Store, engine: Path, tmp_path: Path) -> None:
    """The settings of the last run stay known until there are new results."""
    before = judge(store, QUICK, Means(engine=engine, cache=tmp_path / "cache.sqlite"))

    with pytest.raises(KeyboardInterrupt):
        judge(store, LONGER, Means(engine=engine, cache=tmp_path / "cache.sqlite", progress=BrokenOff()))

    assert store.manifest("judge") == before
    assert len(rows(store)) == before.rows["judged"]


class BrokenOff(Silent):
    """Progress during which somebody presses Ctrl-C."""

    @contextmanager
    def task(self, what: str, *, total: int | None, unit: str) -> Iterator[Task]:  # noqa: ARG002 - the interface's names
        raise KeyboardInterrupt
        yield self


class Told(Silent):
    """Progress that keeps what it is told."""

    def __init__(self) -> None:
        self.notes: list[str] = []

    def note(self, text: str) -> None:
        self.notes.append(text)


def test_budget_is_told_and_kept(store: Store, engine: Path, tmp_path: Path) -> None:
    """The minutes are told before, what was left after; a second run with the same budget does nothing."""
    told, few = Told(), replace(QUICK, nodes_in_all=60_000)
    means = Means(engine=engine, cache=tmp_path / "verdicts.sqlite", progress=told)

    whole = judge(store, QUICK, means)
    part = judge(store, few, replace(means, cache=tmp_path / "other.sqlite"))

    assert told.notes[0].startswith("a first look at the replies takes up to 1 minute: ")
    assert told.notes[1].startswith("judging takes up to 1 minute: ")
    assert told.notes[2].startswith("a first look at the replies takes up to 1 minute: 15,000 nodes")
    assert part.facts["candidates"] + part.facts["left"] == whole.facts["candidates"]
    assert 0 < part.facts["candidates"] < whole.facts["candidates"]
    assert (1 - TOO_LITTLE) * 60_000 < part.facts["nodes_asked"] < whole.facts["nodes_asked"]
    assert judge(store, few, means) == part


@pytest.mark.posix
@pytest.mark.parametrize("how", ["SIGINT", pytest.param("SIGKILL", marks=pytest.mark.slow)])
def test_interrupted_run_is_taken_up(
    how: str, store: Store, uninterrupted: Store, recorded_engine: Path, tmp_path: Path
) -> None:
    """After Ctrl-C or a kill no engine is left, no table half done, and the rest ends in the same table."""
    cache = tmp_path / "verdicts.sqlite"
    arguments = [str(store.root), str(cache), str(recorded_engine), *map(str, LONGER.nodes)]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.judge.run_stage", *arguments],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    ) as run:
        wait_for(lambda: committed(cache) > 0)
        run.send_signal(signal.Signals[how])
        _, complaint = run.communicate()

    pids = [int(pid) for pid in (tmp_path / "pids").read_text().split()]
    wait_for(lambda: not any(map(is_alive, pids)))
    kept = committed(cache)
    assert run.returncode != 0
    assert ("KeyboardInterrupt" in complaint) == (how == "SIGINT")
    assert store.manifest("judge") is None
    assert not store.path("judged").exists()

    resumed = judge(store, LONGER, Means(engine=recorded_engine, cache=cache))

    assert resumed.facts["searches"] == uninterrupted.require("judge").facts["searches"] - kept > 0
    assert store.read_table("judged").equals(uninterrupted.read_table("judged"))


def committed(cache: Path) -> int:
    """Verdicts on disk, as another process sees them."""
    if not cache.exists():
        return 0
    file = sqlite3.connect(f"file:{cache}?mode=ro", uri=True)
    try:
        return int(file.execute("SELECT count(*) FROM verdicts").fetchone()[0])
    except sqlite3.OperationalError:  # not prepared yet
        return 0
    finally:
        file.close()


def wait_for(happened: Callable[[], bool], patience_s: float = 60.0) -> None:
    """Wait until something is so."""
    until = time.monotonic() + patience_s
    while not happened():
        assert time.monotonic() < until, "it did not happen"
        time.sleep(0.02)


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # A killed child of a killed parent may wait as a zombie for the system's first process.
    stat = Path(f"/proc/{pid}/stat")
    return not (stat.exists() and stat.read_text().rsplit(")", 1)[1].split()[0] == "Z")


def test_verdicts_of_the_prior_are_taken_over(engine: Path, tmp_path: Path) -> None:
    """What the same engine said in the larger database's store is not asked again; another depth is."""
    games = [
        Game(moves=f"e4 e5 Nf3 {reply}", white=f"W{reply}{n}", black=f"B{reply}{n}")
        for reply, number in (("Nc6", 20), ("d6", 8), ("f6", 8))
        for n in range(number)
    ]
    large = stores.tallied_store(tmp_path / "large", games)
    club = read_store(tmp_path / "club", games[:3])
    tally(club, TallySettings(prior=str(large.root)))
    means = Means(engine=engine, cache=tmp_path / "large.sqlite")
    judge(large, QUICK, means)

    taken = judge(club, QUICK, Means(engine=engine, cache=tmp_path / "empty.sqlite"))
    rows_taken = rows(club)
    deeper = judge(club, LONGER, Means(engine=engine, cache=tmp_path / "empty.sqlite"))

    assert (taken.facts["candidates"], taken.facts["nodes_asked"]) == (0, 0)
    assert taken.facts["taken_over"] == taken.rows["judged"] == len(rows_taken) > 4
    by_reply = {(row["key"], row["move"]): row for row in rows(large)}
    assert all(by_reply[row["key"], row["move"]] == row for row in rows_taken)
    assert deeper.facts["taken_over"] == 0
    assert deeper.facts["candidates"] == len(rows_taken)


def test_a_promoted_reply_is_judged_again_where_it_was_only_screened() -> None:
    """What the prior looked at once is too little for a reply whose players score clearly less here."""
    known = {(key_of(board_after("")), pack(chess.Move.from_uci("e2e4"))): {"nodes": 1000}}
    settings = JudgeSettings(nodes=(1000, 3000))

    for promoted, is_left in ((False, False), (True, True)):
        left, taken = without_known([position("", "e4", promoted=promoted)], known, settings)

        assert bool(left) is is_left
        assert len(taken) == (not is_left)


class Dealt:
    """Engines that ask one inquiry after another, and note what is asked; `cp`: what positions are worth."""

    def __init__(self, cp: dict[str, int]) -> None:
        self.cp, self.order, self.spent = cp, list[str](), 0

    def ask_within(
        self, _task: str, inquiries: Sequence[Questions], nodes: int, _expected: int
    ) -> tuple[list[list[Judgement]], int]:
        found: list[list[Judgement]] = []
        before = self.spent
        for inquiry in inquiries:
            if nodes and self.spent - before >= nodes:
                break
            found.append(heard(inquiry, self.answer))
        return found, self.spent - before

    def answer(self, request: Request) -> Verdict:
        self.spent += request.nodes
        self.order.append(f"{request.fen.split()[0]} {request.nodes}")
        board = chess.Board(request.fen)
        lost = max((cp for fen, cp in self.cp.items() if request.fen.startswith(fen)), default=0)
        return Verdict(
            Score(Side.of(board.turn), cp=lost), (next(iter(board.legal_moves)).uci(),), request.nodes, 9
        )


def test_what_is_unlikely_waits_for_first_looks() -> None:
    """A quarter of the nodes is for first looks at two of three: the doubt of the first comes last."""
    lines = {"e4 e5": ("Nf3", 65), "e4 c5": ("Nf3", 200), "e4 e6": ("d4", 0)}
    positions = [position(line, reply) for line, (reply, _) in lines.items()]
    after_reply = {board_after(f"{line} {reply}").board_fen(): cp for line, (reply, cp) in lines.items()}
    dealt = Dealt(after_reply)
    settings = replace(QUICK, nodes=(1000, 2000), nodes_in_all=16_000)

    judgements, spent = judged_within(positions, settings, cast(Engines, dealt))

    doubt, blunder, good = (board_after(line).board_fen() for line in lines)
    assert [asked for asked in dealt.order if asked.split()[0] not in after_reply] == [
        *(f"{doubt} 1000", f"{blunder} 1000", f"{blunder} 2000"),
        *(f"{good} 1000", f"{doubt} 2000"),
    ]
    assert (len(judgements), spent) == (3, 14_000)
