"""Tests of the pool with real engines that are killed and stopped, and with scripted ones that err."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Callable, Sequence
from pathlib import Path

import chess
import pytest

from miner.engine.cache import VerdictCache
from miner.engine.consult import consult
from miner.engine.dispatch import Work, identify
from miner.engine.schedule import Inquiry
from miner.engine.verdicts import Answer, Failure, Request, Verdict
from miner.errors import EngineFailed
from miner.means import USUAL, Means, PoolLimits
from tests.judge.tables import LINES, board_after

IMPATIENT = PoolLimits(search_s=2.0, slack=1.0, slowest=1e9)
REQUESTS = [
    Request.of(board_after(" ".join(line.split()[:plies])), nodes=4000)
    for line in LINES
    for plies in range(1, 7)
]

Said = list[tuple[object, tuple[str, ...], int]]


def said(answers: list[Answer]) -> Said:
    """The answers without the time they took."""
    verdicts = [answer for answer in answers if isinstance(answer, Verdict)]
    assert len(verdicts) == len(answers), answers
    return [(one.score, one.pv, one.nodes) for one in verdicts]


def ask(
    program: Path,
    cache: Path,
    requests: Sequence[Request],
    *,
    engines: int = 1,
    disturb: Callable[[Work], None] = lambda _: None,
    limits: PoolLimits = USUAL.limits,
) -> tuple[list[Answer], Work]:
    """The answers to some searches, each an inquiry of its own, with a disturbance after each search."""

    def one(request: Request) -> Inquiry[Answer]:
        [answer] = yield [request]
        return answer

    with VerdictCache(cache, identify(Means(engine=program, limits=limits), 16)) as opened:
        return consult(
            map(one, requests),
            Means(engine=program, engines=engines, limits=limits),
            hash_mb=16,
            cache=opened,
            on_progress=lambda _, work: disturb(work),
        )


def ask_all(
    program: Path, cache: Path, disturb: Callable[[Work], None], limits: PoolLimits = USUAL.limits
) -> tuple[Said, Work]:
    """All of `REQUESTS`, by two engines."""
    answers, work = ask(program, cache, REQUESTS, engines=2, disturb=disturb, limits=limits)
    return said(answers), work


@pytest.mark.posix
@pytest.mark.engine
@pytest.mark.parametrize("how", ["SIGKILL", pytest.param("SIGSTOP", marks=pytest.mark.slow)])
def test_lost_engines_change_nothing(how: str, recorded_engine: Path, tmp_path: Path) -> None:
    """Engines that are killed or stopped in the middle are replaced, and all verdicts are as without."""
    pids = tmp_path / "pids"

    def disturb(work: Work) -> None:
        if work.searches in (3, 9):
            with contextlib.suppress(ProcessLookupError):  # lost already, and no new one yet
                os.kill(int(pids.read_text().split()[-1]), signal.Signals[how])

    quiet, quiet_work = ask_all(recorded_engine, tmp_path / "quiet.sqlite", lambda _: None)
    disturbed, work = ask_all(recorded_engine, tmp_path / "disturbed.sqlite", disturb, IMPATIENT)

    assert disturbed == quiet
    assert (quiet_work.lost, work.lost >= 1) == (0, True)
    assert not any(map(_is_alive, map(int, pids.read_text().split())))


def test_work_that_was_not_done_has_no_speed() -> None:
    """Nothing searched: no nodes per second, and nobody was busy; half the time of two engines is half."""
    assert (Work().nodes_per_s, Work().busy) == (0.0, 0.0)
    assert Work(nodes=600, search_s=3.0).nodes_per_s == 200.0
    assert Work(engines=2, wall_s=3.0, search_s=3.0).busy == 0.5
    together = Work(engines=2, wall_s=3.0, search_s=3.0) + Work(engines=2, wall_s=1.0, search_s=1.0)
    assert (together.engines, together.busy) == (2, 0.5)


@pytest.mark.engine
def test_second_time_is_from_the_cache(engine: Path, tmp_path: Path) -> None:
    """The same searches are not made again."""
    first, first_work = ask_all(engine, tmp_path / "verdicts.sqlite", lambda _: None)
    second, second_work = ask_all(engine, tmp_path / "verdicts.sqlite", lambda _: None)

    assert second == first
    assert (first_work.from_cache, second_work.searches) == (len(REQUESTS) - first_work.searches, 0)
    assert second_work.from_cache == len(REQUESTS)


@pytest.mark.engine
def test_searches_are_of_the_position_and_moves_asked_for(engine: Path, tmp_path: Path) -> None:
    """Mate in one is found, and with another move it is not."""
    board = board_after("e4 e5 Qh5 Nc6 Bc4 Nf6")
    blunder = board.parse_san("Qxe5+")

    (mate, other), _ = ask(
        engine,
        tmp_path / "verdicts.sqlite",
        [Request.of(board, 2000), Request.of(board, 2000, (blunder,))],
    )

    assert isinstance(mate, Verdict)
    assert isinstance(other, Verdict)
    assert (mate.move, mate.score.mate) == ("h5f7", 1)
    assert (other.move, other.score.as_cp < -300) == ("h5e5", True)
    assert len(mate.wdl) == 3


@pytest.mark.engine
def test_pool_works_under_a_running_loop(engine: Path, tmp_path: Path) -> None:
    """In a notebook a loop runs already."""

    async def notebook_cell() -> list[Answer]:
        return ask(engine, tmp_path / "verdicts.sqlite", REQUESTS[:1])[0]

    assert len(said(asyncio.run(notebook_cell()))) == 1


def ask_fake(program: Path, tmp_path: Path, limits: PoolLimits = USUAL.limits) -> list[Answer]:
    """One whole and one restricted search."""
    requests = [
        Request.of(chess.Board(), 1000),
        Request.of(chess.Board(), 1000, (chess.Move.from_uci("g1f3"),)),
    ]
    return ask(program, tmp_path / "verdicts.sqlite", requests, limits=limits)[0]


def test_engine_with_few_options_is_good_enough(fake_engine: Callable[[str], Path], tmp_path: Path) -> None:
    """Threads, Hash and win/draw/loss are set only where they exist."""
    answers = ask_fake(fake_engine("none-at-all"), tmp_path)

    verdicts = [answer for answer in answers if isinstance(answer, Verdict)]
    assert [one.move for one in verdicts] == ["a2a3", "g1f3"]
    assert [one.wdl for one in verdicts] == [(), ()]
    assert [one.score.cp for one in verdicts] == [20, 20]


@pytest.mark.parametrize("flaw", ["dies-once", "hangs-once"])
def test_search_is_tried_again(flaw: str, fake_engine: Callable[[str], Path], tmp_path: Path) -> None:
    """An engine that fails over a search once does not make it inconclusive."""
    answers = ask_fake(fake_engine(flaw), tmp_path, PoolLimits(search_s=0.5, slack=1.0, slowest=1e9))

    assert all(isinstance(answer, Verdict) for answer in answers)


@pytest.mark.parametrize(
    ("flaw", "reason"),
    [
        ("illegal", "e1e8"),
        ("illegal-line", "e1e8"),
        ("none", "(none)"),
        ("silent", "no score"),
        ("short", "after 1 of 1,000 nodes"),
    ],
)
def test_nonsense_is_inconclusive(
    flaw: str, reason: str, fake_engine: Callable[[str], Path], tmp_path: Path
) -> None:
    """After the third engine a search is given up, with the reason, and never kept."""
    program = fake_engine(flaw)
    answers = ask_fake(program, tmp_path)

    assert all(isinstance(answer, Failure) and reason in answer.reason for answer in answers), answers
    with VerdictCache(tmp_path / "verdicts.sqlite", identify(Means(engine=program), 16)) as cache:
        assert cache.find(Request.of(chess.Board(), 1000)) is None


def test_only_the_flawed_search_is_inconclusive(fake_engine: Callable[[str], Path], tmp_path: Path) -> None:
    """An engine without `searchmoves` still judges positions."""
    whole, restricted = ask_fake(fake_engine("unrestricted"), tmp_path)

    assert isinstance(whole, Verdict)
    assert isinstance(restricted, Failure)
    assert "none of the moves that were asked for" in restricted.reason


def test_useless_engine_ends_the_run(fake_engine: Callable[[str], Path], tmp_path: Path) -> None:
    """Positions given up one after the other without a verdict end the run with the reason."""
    program = fake_engine("illegal")

    with pytest.raises(EngineFailed, match=r"fake-illegal: .*nonsense.*it said last: 'bestmove e1e8'"):
        ask_fake(program, tmp_path, PoolLimits(max_hopeless=1))


def test_engine_that_exits_at_once(fake_engine: Callable[[str], Path], tmp_path: Path) -> None:
    """What it said before it ended is in the error."""
    with pytest.raises(EngineFailed, match="it said last: 'cannot load the network'"):
        ask_fake(fake_engine("exits"), tmp_path)


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
