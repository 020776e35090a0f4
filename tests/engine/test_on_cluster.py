"""Tests of engines on the workers of a real cluster: killed, missing, other than ours."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

import pytest

from miner.cluster import connected
from miner.engine.cache import VerdictCache
from miner.engine.consult import consult
from miner.engine.dispatch import Work, identify
from miner.engine.schedule import Inquiry
from miner.engine.verdicts import Answer, Request, Verdict
from miner.errors import ClusterFailed, EngineFailed
from miner.means import USUAL, Means, PoolLimits
from tests.clusters import Local
from tests.judge.tables import LINES, board_after

REQUESTS = [
    Request.of(board_after(" ".join(line.split()[:plies])), nodes=4000)
    for line in LINES
    for plies in range(1, 7)
]
ENGINE = ("--resources", "engine=1")

Said = list[tuple[object, tuple[str, ...], int]]


def ask(
    program: Path,
    cache: Path,
    cluster: Local | None,
    disturb: Callable[[Work], None] = lambda _: None,
    limits: PoolLimits = USUAL.limits,
) -> tuple[Said, Work]:
    """What is answered to all `REQUESTS`, and the work it took; without a cluster by an engine here."""

    def one(request: Request) -> Inquiry[Answer]:
        [answer] = yield [request]
        return answer

    with (
        connected(cluster.address) if cluster else nullcontext() as workers,
        VerdictCache(cache, identify(Means(engine=program, limits=limits), 16)) as opened,
    ):
        answers, work = consult(
            map(one, REQUESTS),
            Means(engine=program, engines=1, limits=limits, cluster=workers),
            hash_mb=16,
            cache=opened,
            on_progress=lambda _, work: disturb(work),
        )
    verdicts = [answer for answer in answers if isinstance(answer, Verdict)]
    assert len(verdicts) == len(REQUESTS), answers
    return [(one.score, one.pv, one.nodes) for one in verdicts], work


@pytest.mark.engine
def test_workers_say_what_an_engine_here_says(workers: Local, engine: Path, tmp_path: Path) -> None:
    """The same verdicts, and a second time from the one cache."""
    here, _ = ask(engine, tmp_path / "here.sqlite", None)

    there, work = ask(engine, tmp_path / "there.sqlite", workers)
    again, from_cache = ask(engine, tmp_path / "there.sqlite", workers)

    assert there == again == here
    assert (work.engines, work.searches >= len(set(REQUESTS)), from_cache.searches) == (2, True, 0)


@pytest.mark.posix
@pytest.mark.engine
def test_killed_worker_changes_nothing(own_cluster: Local, engine: Path, tmp_path: Path) -> None:
    """What it had not told is asked of another one."""
    here, _ = ask(engine, tmp_path / "here.sqlite", None)
    victim, _ = own_cluster.start_worker(*ENGINE), own_cluster.start_worker(*ENGINE)

    def kill(work: Work) -> None:
        if work.searches == 2:
            os.killpg(victim.pid, signal.SIGKILL)

    there, work = ask(engine, tmp_path / "there.sqlite", own_cluster, kill)

    assert victim.wait() == -signal.SIGKILL
    assert there == here
    assert work.lost == 0


@pytest.mark.engine
def test_lost_scheduler_ends_the_run_and_a_new_one_goes_on(
    own_cluster: Local, engine: Path, tmp_path: Path
) -> None:
    """What was heard by then is in the cache."""
    own_cluster.start_worker(*ENGINE)

    def kill(work: Work) -> None:
        if work.searches == 2:
            own_cluster.kill_scheduler()

    with pytest.raises(ClusterFailed, match="the scheduler of the cluster is lost"):
        ask(engine, tmp_path / "verdicts.sqlite", own_cluster, kill)
    own_cluster.start_scheduler()
    own_cluster.start_worker(*ENGINE)
    there, work = ask(engine, tmp_path / "verdicts.sqlite", own_cluster)

    assert there == ask(engine, tmp_path / "here.sqlite", None)[0]
    assert work.from_cache >= 2


@pytest.mark.engine
def test_workers_with_another_engine_or_none_are_left_out(
    own_cluster: Local, engine: Path, recorded_engine: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Each with a warning that names it, as long as another one has the engine."""
    own_cluster.start_worker(*ENGINE, MINER_ENGINE=str(tmp_path / "none"))
    own_cluster.start_worker(*ENGINE, MINER_ENGINE=str(recorded_engine))
    own_cluster.start_worker()
    own_cluster.start_worker(*ENGINE)

    _, work = ask(engine, tmp_path / "verdicts.sqlite", own_cluster)

    warnings = [one.getMessage() for one in caplog.records if one.name == "miner.engine.on_cluster"]
    assert len(warnings) == 2
    assert any("worker-0" in one and "is no program that can be run" in one for one in warnings)
    assert any("worker-1" in one and "has another program than the one here" in one for one in warnings)
    assert (work.engines, work.lost) == (1, 0)


@pytest.mark.engine
def test_no_worker_has_the_engine(own_cluster: Local, engine: Path, tmp_path: Path) -> None:
    """Nothing is asked; the error names the workers and what to do there."""
    own_cluster.start_worker(*ENGINE, MINER_ENGINE=str(tmp_path / "none"))

    with pytest.raises(EngineFailed, match=r"worker tcp://.*none is no program .*install the same engine"):
        ask(engine, tmp_path / "verdicts.sqlite", own_cluster)


@pytest.mark.engine
def test_no_worker_may_run_engines(own_cluster: Local, engine: Path, tmp_path: Path) -> None:
    """The error has the option that says how many it may."""
    own_cluster.start_worker()

    with pytest.raises(ClusterFailed, match=r"no worker .* may run engines; .*--resources engine=2"):
        ask(engine, tmp_path / "verdicts.sqlite", own_cluster)


def test_engine_that_dies_at_its_worker_is_replaced(
    workers: Local, fake_engine: Callable[[str], Path], tmp_path: Path
) -> None:
    """As on this machine: the search is tried again, and the loss is counted."""
    _, work = ask(fake_engine("dies-once"), tmp_path / "verdicts.sqlite", workers)

    assert work.lost == 1


def test_engine_that_was_replaced_is_not_asked_any_more(
    workers: Local, fake_engine: Callable[[str], Path], tmp_path: Path
) -> None:
    """Workers keep their engines for a while, but not for a run with a newer program under the same path."""
    program = fake_engine("sound")
    ask(program, tmp_path / "before.sqlite", workers)
    program.write_text(program.read_text().replace(" sound ", " dies-once "))

    _, work = ask(program, tmp_path / "after.sqlite", workers)

    assert work.lost == 1


def test_engine_of_no_use_ends_the_run(
    workers: Local, fake_engine: Callable[[str], Path], tmp_path: Path
) -> None:
    """With what it said, and where."""
    limits = PoolLimits(max_hopeless=1)

    with pytest.raises(EngineFailed, match=r"nonsense: .*\(worker tcp://.*\); it said last: 'bestmove e1e8'"):
        ask(fake_engine("illegal"), tmp_path / "verdicts.sqlite", workers, limits=limits)
