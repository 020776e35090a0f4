"""Tests of what is ordered from a real cluster, and of what is said when it cannot be had."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from miner.cluster import ClusterTask, ClusterTasks, connected
from miner.errors import ClusterFailed, Place, SourceError, UsageError
from tests.clusters import Local, free_port
from tests.conftest import ROOT


def test_results_come_in_order(workers: Local) -> None:
    """However long each takes, and more of them than are ahead at a time."""
    with connected(workers.address) as cluster, cluster.cluster_tasks() as tasks:
        doubled = list(tasks.in_order(slowly_doubled, range(30), 0.01, about="numbers"))

    assert doubled == [2 * number for number in range(30)]


@pytest.mark.parametrize(("level", "silenced"), [("WARNING", True), ("INFO", True), ("DEBUG", False)])
def test_dask_itself_is_silent_unless_all_is_to_be_told(
    level: str, silenced: bool, workers: Local, caplog: pytest.LogCaptureFixture
) -> None:
    """What it would say of a lost connection is heard under DEBUG only."""
    caplog.set_level(level)
    caplog.set_level("NOTSET", "distributed.core")

    with connected(workers.address):
        is_silenced = not logging.getLogger("distributed.core").isEnabledFor(logging.ERROR)

    assert is_silenced == silenced


def test_cluster_task_works_on_what_another_has_made(workers: Local) -> None:
    """A task among the arguments stands for its result."""
    with connected(workers.address) as cluster, cluster.cluster_tasks() as tasks:
        first = tasks.order(slowly_doubled, 4, 0.0, about="four")
        second = tasks.order(slowly_doubled, first, 0.0, about="eight")

        assert results_of(tasks, [first, second]) == [8, 16]


def test_error_of_ours_comes_back_as_it_is(workers: Local) -> None:
    """Also through a task that was to work on what never came."""
    with connected(workers.address) as cluster, cluster.cluster_tasks() as tasks:
        refused = tasks.order(refuse, "club.pgn", about="club.pgn")
        after = tasks.order(slowly_doubled, refused, 0.0, about="club.pgn")

        with pytest.raises(SourceError, match=r"club\.pgn: it is damaged; copy it again"):
            results_of(tasks, [after])


def test_other_errors_come_back_and_logs_show_no_arguments(own_cluster: Local) -> None:
    """A fault of ours is not hidden, and its arguments, in which names may be, are in no log."""
    own_cluster.start_worker()

    with (
        connected(own_cluster.address) as cluster,
        cluster.cluster_tasks() as tasks,
        pytest.raises(ZeroDivisionError),
    ):
        results_of(tasks, [tasks.order(fail_over, "Anna Pupil", about="a division")])

    assert "ZeroDivisionError" in own_cluster.logs
    assert "Anna" not in own_cluster.logs


@pytest.mark.posix
def test_worker_that_is_killed_is_replaced_by_another(own_cluster: Local) -> None:
    """Its tasks are done again, also those whose results it held."""
    victim = own_cluster.start_worker()
    own_cluster.start_worker()

    with connected(own_cluster.address) as cluster, cluster.cluster_tasks() as tasks:
        made = [tasks.order(slowly_doubled, number, 0.05, about="a number") for number in range(20)]
        threading.Timer(0.4, os.kill, (victim.pid, signal.SIGKILL)).start()

        assert results_of(tasks, made) == [2 * number for number in range(20)]
        assert len(cluster.workers()) == 1


@pytest.mark.slow
def test_cluster_task_that_kills_its_workers_is_told(own_cluster: Local) -> None:
    """It is given up, and the error names what it was about."""
    for _ in range(4):
        own_cluster.start_worker()

    with (
        connected(own_cluster.address) as cluster,
        cluster.cluster_tasks() as tasks,
        pytest.raises(ClusterFailed, match=r"games\.pgn from byte 7: one worker after the other died"),
    ):
        results_of(tasks, [tasks.order(die, about="games.pgn from byte 7")])


def test_lost_scheduler_is_told(own_cluster: Local) -> None:
    """Work that was ordered ends with one clear error."""
    own_cluster.start_worker()

    with connected(own_cluster.address) as cluster, cluster.cluster_tasks() as tasks:
        waiting = [tasks.order(slowly_doubled, 1, 30.0, about="a number")]
        own_cluster.kill_scheduler()

        with pytest.raises(ClusterFailed, match="the scheduler of the cluster is lost; see that it runs"):
            results_of(tasks, waiting)


def test_last_worker_gone_is_told(own_cluster: Local, monkeypatch: pytest.MonkeyPatch) -> None:
    """After some time in which another might have come."""
    monkeypatch.setattr("miner.cluster.NO_WORKERS_S", 1.0)
    worker = own_cluster.start_worker()

    with connected(own_cluster.address) as cluster, cluster.cluster_tasks() as tasks:
        waiting = [tasks.order(slowly_doubled, 1, 30.0, about="a number")]
        worker.kill()

        with pytest.raises(ClusterFailed, match="the cluster has no worker left"):
            results_of(tasks, waiting)


def test_address_where_nobody_listens() -> None:
    """The error says what to start."""
    with (
        pytest.raises(ClusterFailed, match=r"no scheduler answers there; start one with `dask scheduler`"),
        connected(f"tcp://127.0.0.1:{free_port()}"),
    ):
        pass


@pytest.mark.parametrize("address", ["", "nowhere", "tcp://nowhere", "1:2:3", "tcp://host:port"])
def test_what_is_no_address(address: str) -> None:
    """Told before anything is tried."""
    with pytest.raises(UsageError, match=r"no address of a scheduler; write it like tcp"), connected(address):
        pass


def test_cluster_without_workers(own_cluster: Local) -> None:
    """The error has the command that starts one."""
    with (
        pytest.raises(
            ClusterFailed, match=rf"no workers; start some with `dask worker {own_cluster.address}`"
        ),
        connected(own_cluster.address),
    ):
        pass


ANEW = Path("/proc/sys/kernel/random/uuid")
"""A file that whoever reads it sees anew."""


@pytest.mark.skipif(not ANEW.exists(), reason="this system has no file that looks different to each reader")
def test_file_that_workers_do_not_share(workers: Local, tmp_path: Path) -> None:
    """A worker that does not see the store as it is here is named before it is to work in it."""
    (tmp_path / "salt").write_bytes(b"shared")

    with connected(workers.address) as cluster:
        cluster.require_file(tmp_path / "salt")
        with pytest.raises(
            ClusterFailed, match=r"tcp://127\.0\.0\.1:\d+: a worker sees another /proc/.*/uuid"
        ):
            cluster.require_file(ANEW)


def test_dask_is_loaded_only_for_a_cluster_and_named_if_missing() -> None:
    """Nothing of it is imported with the program; without it the error has the line that installs it."""
    program = (
        "import sys, miner.cli.app\n"
        "assert not {'dask', 'distributed', 'tornado'} & set(sys.modules)\n"
        "sys.modules['distributed'] = None\n"
        "sys.argv = ['miner', 'status', '--store', '.']\n"
        "from miner.cluster import connected\n"
        "try:\n"
        "    with connected('tcp://127.0.0.1:8786'): pass\n"
        "except Exception as error: print(error)\n"
    )

    told = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )

    assert told.stdout.startswith("work on a cluster needs Dask, which is not installed; ")
    assert told.stdout.endswith('pip install "opening-mistake-miner[cluster]"\n')


def results_of(tasks: ClusterTasks, ordered: list[ClusterTask[int]]) -> list[int]:
    """What they have made, once all have ended."""
    ended: set[ClusterTask[int]] = set()
    while not ended.issuperset(ordered):
        ended.update(tasks.finished(1.0))
    return tasks.results(ordered)


# What workers are ordered to do.


def slowly_doubled(number: int, seconds: float) -> int:
    time.sleep(seconds)
    return 2 * number


def refuse(name: str) -> int:
    raise SourceError("it is damaged", where=Place(name), advice="copy it again")


def fail_over(name: str) -> int:
    return len(name) // 0


def die() -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return 0
