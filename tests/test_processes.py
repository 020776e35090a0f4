"""A function on many values, by several processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from miner.errors import MinerError
from miner.processes import AT_ONCE, FEW, apart, mapped


def halved(value: int) -> tuple[float, int]:
    """Half of it, and in which process; 13 cannot be halved, 666 kills the process."""
    if value == 13:
        raise ValueError("unlucky")
    if value == 666:
        os.kill(os.getpid(), signal.SIGTERM)
    return value / 2, os.getpid()


def even(count: int) -> list[int]:
    return list(range(0, 2 * count, 2))


def test_many_values_are_spread_and_come_back_in_order() -> None:
    """Two processes, neither of them this one; each value is told of when it is done."""
    done: list[int] = []
    count = FEW + AT_ONCE + 3

    made = mapped(halved, even(count), 2, done.append)

    assert [half for half, _ in made] == list(range(count))
    assert os.getpid() not in {process for _, process in made}
    assert sum(done) == count


def test_few_values_are_no_matter_for_processes() -> None:
    """Up to 64, or where one process is asked for, this one does it."""
    for count, processes in ((FEW, 2), (FEW + 1, 1)):
        assert {process for _, process in mapped(halved, even(count), processes)} == {os.getpid()}


def test_what_fails_is_told() -> None:
    """The error of the function, and a process that dies."""
    with pytest.raises(ValueError, match="unlucky"):
        mapped(halved, [*even(FEW), 13], 2)
    with pytest.raises(MinerError, match="has died"):
        mapped(halved, [*even(FEW), 666], 2)


def test_programs_that_ctrl_c_does_not_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    """A session of their own here; on Windows, which has none, a group of processes."""
    here = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getsid(0) == os.getpid())"],
        capture_output=True,
        text=True,
        check=True,
        **apart(),
    )
    monkeypatch.setattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 512, raising=False)
    monkeypatch.setattr(sys, "platform", "win32")

    assert here.stdout == "True\n"
    assert apart() == {"creationflags": 512}
