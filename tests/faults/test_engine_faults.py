"""Engines that die, hang, flood or talk nonsense, asked by the stages: a real one with a flaw."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import chess
import pytest

from miner.board.moves import pack
from miner.cli.terminal import stage_line
from miner.engine.cache import VerdictCache
from miner.engine.consult import consult
from miner.engine.dispatch import identify
from miner.engine.schedule import Inquiry
from miner.engine.uci import LONGEST_GREETING, LONGEST_LINE
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.errors import EngineFailed
from miner.follow.stage import follow
from miner.judge.stage import judge
from miner.means import Means, PoolLimits
from miner.progress import Silent, Task
from miner.settings import JudgeSettings, SteerSettings
from miner.steer import Advice, advise
from miner.store import Manifest, Store
from miner.terms import Side
from tests.conftest import ROOT
from tests.engine.test_uci import members_of
from tests.faults.conftest import Flawed
from tests.follow.stores import QUICK, judged_store
from tests.judge.tables import board_after, tallied_store
from tests.judge.test_stage import is_alive, wait_for
from tests.stores import Game
from tests.stores import tallied_store as steer_store

pytestmark = [pytest.mark.engine, pytest.mark.posix]

JUDGE = JudgeSettings(nodes=(500, 2000))
FOLLOW = replace(QUICK, nodes=1000, model_nodes=300, most_games=20)
IMPATIENT = PoolLimits(search_s=1.5, slack=1.0, slowest=1e9)
NA3 = chess.Move.from_uci("b1a3")

Run = Callable[..., Manifest]


def judge_it(store: Store, engine: Path, cache: Path, limits: PoolLimits = IMPATIENT) -> Manifest:
    return judge(store, JUDGE, Means(engine=engine, engines=1, cache=cache, limits=limits))


def follow_it(store: Store, engine: Path, cache: Path, limits: PoolLimits = IMPATIENT) -> Manifest:
    return follow(store, FOLLOW, Means(engine=engine, engines=1, cache=cache, limits=limits))


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage that asks an engine, a store that is ready for it, and what an engine without a flaw leaves."""

    run: Run
    ready: Path
    undisturbed: Manifest

    def store(self, folder: Path) -> Store:
        """A copy of the store."""
        return Store.open(Path(shutil.copytree(self.ready, folder / "store")))


@pytest.fixture(scope="module")
def stages(engine: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Stage]:
    found = {}
    for name, run, make in (("judge", judge_it, _tallied), ("follow", follow_it, _judged)):
        folder = tmp_path_factory.mktemp(name)
        ready = make(folder)
        store = Store.open(Path(shutil.copytree(ready, folder / "undisturbed")))
        found[name] = Stage(run, ready, run(store, engine, folder / "verdicts.sqlite"))
    return found


def _tallied(folder: Path) -> Path:
    tallied_store(folder / "store", lines=("e4 e5 Nf3 Nc6 Bc4 Nf6",))
    return folder / "store"


def _judged(folder: Path) -> Path:
    judged_store(folder / "club")
    return folder / "club" / "store"


@pytest.fixture(params=["judge", "follow"])
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def stage(name: str, stages: dict[str, Stage]) -> Stage:
    return stages[name]


@pytest.fixture
def cache(tmp_path: Path) -> Path:
    return tmp_path / "verdicts.sqlite"


FLAWS = {
    "is killed": "it ended before `bestmove`",
    "is killed in between": "it ended before `readyok`",
    "hangs": "no `bestmove` within 2 s",
    "floods": "no `bestmove` within 2 s",
    "says no bestmove": "no `bestmove` within 2 s",
    "says a line without end": f"a line of more than {LONGEST_LINE:,} bytes",
    "says a line of 10 MB": f"a line of more than {LONGEST_LINE:,} bytes",
    "ends early": "the search ended after",
    "plays an illegal move": "a1h8",
    "castles where it cannot": "e1h1",
    "castles in letters": "'o-o'",
    "plays no move": "(none)",
    "says half a bestmove": "(none)",
    "tells no score": "no score before `bestmove`",
    "tells nodes beyond reason": "cannot be",
    "tells a depth beyond reason": "cannot be",
    "tells a time beyond reason": "it talked nonsense",
    "tells a mate beyond reason": "cannot be",
    "tells a score that is no number": "no score before `bestmove`",
    "tells bounds only": "no score before `bestmove`",
    "tells centipawns beyond reason": "it claims what is not so: -20,001 centipawns cannot be",
    "lies of a mate": "it claims what is not so: mate in 1 is not what the line",
    "lies of being mated": "it claims what is not so",
    "lies of a mate on the board": "it claims what is not so: mate in 0 is not what the line",
    "lies of a mate without its line": "it claims what is not so: no mate in 9 comes of",
}
"""What an engine may do in a search, and what is said of it."""
LIES = [flaw for flaw, said in FLAWS.items() if "claims what is not so" in said]
SAID_BEFORE = [flaw for flaw in FLAWS if "beyond reason" in flaw or "mated" in flaw or "on the board" in flaw]
"""Flaws that are much like others."""


@pytest.mark.parametrize(
    ("name", "flaw"),
    [
        *(
            pytest.param("judge", flaw, marks=[pytest.mark.slow] if flaw in SAID_BEFORE else [])
            for flaw in FLAWS
        ),
        *(
            pytest.param("follow", flaw, marks=[] if flaw == "is killed" else [pytest.mark.slow])
            for flaw in ("is killed", "hangs", "ends early")
        ),
    ],
)
def test_engine_that_fails_once_is_replaced(
    flaw: str, stage: Stage, flawed: Flawed, cache: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """One bad search is made again by another engine: same tables, and no process is left."""
    manifest = stage.run(stage.store(tmp_path), flawed(flaw, "once"), cache)

    assert manifest.digests == stage.undisturbed.digests
    assert (manifest.facts["inconclusive"], manifest.facts["engines_lost"]) == (0, 1)
    assert FLAWS[flaw] in caplog.text
    check_none_is_left(tmp_path)


@pytest.mark.parametrize("flaw", ["is killed", "plays an illegal move"])
def test_advice_is_the_same_after_a_failure(flaw: str, engine: Path, flawed: Flawed, tmp_path: Path) -> None:
    """Steering asks engines, too: one that fails once changes no number."""
    games = [
        Game(moves=moves, white_rating=1100, black_rating=1100) for moves in 4 * ["e4 e5 Nf3", "d4 d5 c4"]
    ]
    store = steer_store(tmp_path, games)
    settings = SteerSettings(nodes=500, min_games=3, min_reach=0.1, draws=20)

    def advice(program: Path) -> Advice:
        cache = tmp_path / f"{program.name}.sqlite"
        return advise(store, Side.WHITE, "1000-1199", settings, Means(engine=program, cache=cache, engines=1))

    undisturbed, disturbed = advice(engine), advice(flawed(flaw, "once"))

    assert len(undisturbed.choices) > 1
    assert disturbed.choices.equals(undisturbed.choices)
    check_none_is_left(tmp_path)


@pytest.mark.parametrize(
    ("name", "flaw"),
    [("judge", "tells of many lines"), ("judge", "ends with a bound"), ("follow", "chatters")],
)
def test_oddities_are_no_faults(
    flaw: str, stage: Stage, flawed: Flawed, cache: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Lines that do not count are passed over, in every search, without a word."""
    manifest = stage.run(stage.store(tmp_path), flawed(flaw, "always"), cache)

    assert manifest.digests == stage.undisturbed.digests
    assert manifest.facts["engines_lost"] == 0
    assert caplog.messages == []


def test_mate_whose_line_is_cut_short(flawed: Flawed, cache: Path) -> None:
    """It counts as it was said, since the engine shows it when it is asked from there."""
    board = board_after("e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5 Bxd1")

    [answer] = ask(flawed("cuts lines short", "always"), cache, Request.of(board, 2000))

    assert isinstance(answer, Verdict)
    assert (answer.score.mate, answer.pv) == (2, ("c4f7",))


@pytest.mark.parametrize(
    "flaw",
    [
        "is killed",
        "ends early",
        "castles in letters",
        *(pytest.param(lie, marks=[pytest.mark.slow] if lie in SAID_BEFORE else []) for lie in LIES),
    ],
)
def test_search_that_always_fails_is_inconclusive(
    flaw: str, stages: dict[str, Stage], flawed: Flawed, cache: Path, tmp_path: Path
) -> None:
    """Of the reply that no engine survives the row says why; all other rows are as ever."""
    store = stages["judge"].store(tmp_path)

    manifest = judge_it(store, flawed(flaw, "b1a3"), cache)

    undisturbed = Store(stages["judge"].ready.parent / "undisturbed")
    lost = [row for row in rows_of(store) if row["state"] == "inconclusive"]
    assert [row["move"] for row in lost] == [pack(NA3)] * manifest.facts["inconclusive"]
    assert lost
    for row in lost:
        assert row["detail"].startswith("3 engines were lost over it: ")
        assert FLAWS[flaw] in row["detail"]
    assert [row for row in rows_of(store) if row["move"] != pack(NA3)] == [
        row for row in rows_of(undisturbed) if row["move"] != pack(NA3)
    ]
    false_claims = 3 * len(lost) if flaw in LIES else 0
    assert manifest.facts["false_claims"] == false_claims
    line = stage_line(manifest, was_current=False)
    assert (f"; false claims of the engine: {false_claims}, which do not count" in line) == (flaw in LIES)


@pytest.mark.parametrize(
    "flaw",
    [
        "is killed",
        pytest.param("hangs", marks=pytest.mark.slow),
        "says a line without end",
        "tells no score",
        "lies of a mate without its line",
    ],
)
def test_engine_that_always_fails_ends_the_run(
    flaw: str, stages: dict[str, Stage], flawed: Flawed, cache: Path, tmp_path: Path
) -> None:
    """After a few positions an engine is called useless, with the reason, and nothing is written."""
    store = stages["judge"].store(tmp_path)
    limits = replace(IMPATIENT, max_tries=2, max_hopeless=2)

    with pytest.raises(EngineFailed, match="the engine is of no use") as failed:
        judge_it(store, flawed(flaw, "always"), cache, limits)

    assert FLAWS[flaw] in str(failed.value)
    assert len(str(failed.value)) < 1500
    assert starts(tmp_path) <= 1 + limits.max_tries * limits.max_hopeless
    assert (store.manifest("judge"), store.path("judged").exists()) == (None, False)
    check_none_is_left(tmp_path)


def test_following_with_a_useless_engine(
    stages: dict[str, Stage], flawed: Flawed, cache: Path, tmp_path: Path
) -> None:
    """What was played is counted all the same; that no answer could be judged is counted and said."""
    settings = replace(FOLLOW, lasting_games=0)  # more searches that fail would end it
    means = Means(engine=flawed("is killed", "always"), engines=1, cache=cache, limits=IMPATIENT)
    manifest = follow(stages["follow"].store(tmp_path), settings, means)

    assert manifest.facts["inconclusive"] > 0
    assert manifest.rows["answers"] > 0
    assert "inconclusive" in stage_line(manifest, was_current=False)


@pytest.mark.parametrize(
    ("flaw", "start_s", "reason"),
    [
        ("says no uciok", 3.0, "no `uciok` within 3 s; it said last: 'id name Some 1'"),
        ("exits", 30.0, "it ended before `uciok`; it said last: 'cannot load the network'"),
        ("greets without end", 30.0, f"it said more than {LONGEST_GREETING:,} bytes before `uciok`"),
    ],
)
def test_engine_that_never_starts(
    flaw: str,
    start_s: float,
    reason: str,
    flawed: Flawed,
    stages: dict[str, Stage],
    cache: Path,
    tmp_path: Path,
) -> None:
    """It is told before anything is touched, with its last words and what to do."""
    store = stages["judge"].store(tmp_path)

    with pytest.raises(EngineFailed) as failed:
        judge_it(store, flawed(flaw, "always"), cache, replace(IMPATIENT, start_s=start_s))

    assert reason in str(failed.value)
    assert failed.value.advice.startswith("try it by hand")
    check_none_is_left(tmp_path)


@pytest.mark.parametrize(
    "flaw",
    [pytest.param("says no uciok", marks=pytest.mark.slow), "exits", "greets without end", "starts slowly"],
)
def test_engine_that_starts_badly_once(
    flaw: str, stages: dict[str, Stage], flawed: Flawed, cache: Path, tmp_path: Path
) -> None:
    """A start that fails is made again, one that takes its time is waited for."""
    store = stages["judge"].store(tmp_path)

    manifest = judge_it(store, flawed(flaw, "once"), cache, replace(IMPATIENT, start_s=5.0))

    assert manifest.digests == stages["judge"].undisturbed.digests
    assert manifest.facts["engines_lost"] == (flaw != "starts slowly")


def test_nothing_judged_is_lost(stage: Stage, flawed: Flawed, cache: Path, tmp_path: Path) -> None:
    """Verdicts from before an engine went bad are kept, whether or not the run could be finished."""
    store = stage.store(tmp_path)
    engine = flawed("plays an illegal move", "after 3")

    with contextlib.suppress(EngineFailed):  # only if many positions are left
        limits = replace(IMPATIENT, max_tries=1)
        assert stage.run(store, engine, cache, limits).facts["searches"] == 3
    (tmp_path / "mended").touch()
    mended = stage.run(store, engine, cache)

    assert mended.digests == stage.undisturbed.digests
    assert mended.facts["searches"] == stage.undisturbed.facts["searches"] - 3 > 0


def test_engine_without_win_draw_loss(
    stages: dict[str, Stage], flawed: Flawed, cache: Path, tmp_path: Path
) -> None:
    """Losses come from centipawns and are the same; that the shares are missing is counted and said."""
    store = stages["judge"].store(tmp_path)

    manifest = judge_it(store, flawed("tells no win/draw/loss", "always"), cache)

    undisturbed = Store(stages["judge"].ready.parent / "undisturbed")
    assert {len(row["wdl_best"] + row["wdl_reply"]) for row in rows_of(store)} == {0}
    assert [row["loss"] for row in rows_of(store)] == [row["loss"] for row in rows_of(undisturbed)]
    assert manifest.facts["without_wdl"] == manifest.rows["judged"]
    assert f"of {manifest.rows['judged']} the engine told no win/draw/loss" in stage_line(
        manifest, was_current=False
    )
    assert stages["judge"].undisturbed.facts["without_wdl"] == 0


def test_all_engines_are_killed_at_once(stages: dict[str, Stage], recorded: Path, tmp_path: Path) -> None:
    """Somebody who ends every engine, even while they start, costs time only."""
    store = stages["judge"].store(tmp_path)
    killer = Killer(tmp_path / "pids", at=(2, 9))

    manifest = judge(
        store, JUDGE, Means(engine=recorded, engines=6, cache=tmp_path / "verdicts.sqlite", progress=killer)
    )

    assert manifest.digests == stages["judge"].undisturbed.digests
    assert manifest.facts["engines_lost"] >= 2
    assert not any(map(is_alive, killer.pids()))


def test_position_that_kills_engines_ends_no_run(flawed: Flawed, cache: Path) -> None:
    """Many replies in one position that no engine survives are that position's fault, not the engine's."""
    start, replies = chess.Board(), ["a2a3", "b2b3", "c2c3", "d2d3", "e2e3", "f2f3"]
    wanted = [Request.of(start, 300, (chess.Move.from_uci(reply),)) for reply in replies]
    after_e4 = chess.Board("rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq - 0 1")

    *of_start, other = ask(flawed("is killed", "restricted"), cache, *wanted, Request.of(after_e4, 300))

    assert all(isinstance(answer, Failure) for answer in of_start)
    assert isinstance(other, Verdict)


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize(
    "flaw", ["floods", "says a line without end", "says a line of 10 MB", "tells of many lines", "chatters"]
)
def test_what_an_engine_says_takes_no_memory(flaw: str, flawed: Flawed, cache: Path) -> None:
    """However much it talks, little of it is held at a time."""
    program = flawed(flaw, "once")

    with most_memory() as taken:
        [answer] = ask(program, cache, Request.of(chess.Board(), 300))

    assert isinstance(answer, Verdict)
    assert taken() < 32 << 20


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_greeting_takes_no_memory(flawed: Flawed) -> None:
    """Options without end are not kept."""
    program = flawed("greets without end", "always")

    with most_memory() as taken, pytest.raises(EngineFailed):
        identify(Means(engine=program), 16)

    assert taken() < 32 << 20


@pytest.mark.posix
@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="programs cannot be stopped here")
@pytest.mark.slow
def test_time_in_which_the_run_is_stopped_does_not_count(flawed: Flawed, tmp_path: Path) -> None:
    """After Ctrl-Z, however long, no engine seems to have hung."""
    tallied_store(tmp_path / "store", lines=("e4",))
    engine = flawed("hangs", "never")
    arguments = [tmp_path / "store", tmp_path / "verdicts.sqlite", engine, 200_000, 250_000]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.faults.run_judge", *map(str, arguments)],
        cwd=ROOT,
    ) as run:
        wait_for((tmp_path / "searches").exists)
        run.send_signal(signal.SIGSTOP)
        time.sleep(3.5)
        stopped = run.poll() is None
        run.send_signal(signal.SIGCONT)
        run.wait()

    facts = Store.open(tmp_path / "store").require("judge").facts
    assert stopped
    assert (facts["engines_lost"], facts["inconclusive"]) == (0, 0)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux is asked to end the engines of a killed run")
def test_engine_ends_with_a_run_that_is_killed(flawed: Flawed, tmp_path: Path) -> None:
    """Also one that is deep in a search and hears nothing of the end of its input."""
    tallied_store(tmp_path / "store", lines=("e4",))
    engine = flawed("hangs", "always")
    arguments = [tmp_path / "store", tmp_path / "verdicts.sqlite", engine, 200_000, 250_000]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.faults.run_judge", *map(str, arguments)], cwd=ROOT
    ) as run:
        wait_for((tmp_path / "searches").exists)
        run.kill()

    engines = [int(pid) for pid in (tmp_path / "groups").read_text().split()]
    try:
        wait_for(lambda: not any(map(is_alive, engines)))
    finally:
        for group in engines:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(group, signal.SIGKILL)  # the engine behind the go-between is stopped


class Killer(Silent):
    """Progress that ends all engines after some of the searches."""

    def __init__(self, recorded: Path, at: tuple[int, ...]) -> None:
        self.recorded, self.at, self.told = recorded, at, 0

    def pids(self) -> list[int]:
        return pids_in(self.recorded)

    @contextmanager
    def task(self, what: str, *, total: int | None, unit: str) -> Iterator[Task]:  # noqa: ARG002
        """A task that is told of each search."""
        yield self

    def advance(self, amount: int = 1) -> None:
        """Nothing."""

    def facts(self, text: str) -> None:  # noqa: ARG002 - the interface's names
        """Told after each search."""
        self.told += 1
        if self.told in self.at:
            for pid in self.pids():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)


def ask(program: Path, cache: Path, *requests: Request) -> list[Answer]:
    """The answers of one engine to the searches of one inquiry."""

    def one() -> Inquiry[list[Answer]]:
        answers = yield list(requests)
        return answers

    with VerdictCache(cache, identify(Means(engine=program), 16)) as opened:
        [answers], _ = consult(
            [one()], Means(engine=program, engines=1, limits=IMPATIENT), hash_mb=16, cache=opened
        )
    return answers


@contextmanager
def most_memory() -> Iterator[Callable[[], int]]:
    """Bytes by which the memory of this process rose at most in the context, asked behind it."""
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the highest so far is forgotten
    before = _peak()
    taken = 0
    yield lambda: taken
    taken = _peak() - before


def _peak() -> int:
    [line] = [
        one for one in Path("/proc/self/status").read_text("ascii").splitlines() if one.startswith("VmHWM")
    ]
    return int(line.split()[1]) << 10


def rows_of(store: Store) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = store.read_table("judged").to_pylist()
    return found


def starts(folder: Path) -> int:
    """How often the engine was started."""
    return (folder / "starts").stat().st_size


def check_none_is_left(folder: Path) -> None:
    """Each engine had a process group of its own."""
    if sys.platform == "linux":
        groups = map(int, (folder / "groups").read_text("ascii").split())
        assert not [group for group in groups if members_of(group)]


def pids_in(file: Path) -> list[int]:
    return [int(pid) for pid in file.read_text("ascii").split()] if file.exists() else []
