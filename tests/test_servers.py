"""Servers that tests start have gone when the tests have, however those were ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.judge.test_stage import is_alive, wait_for
from tests.servers import ROOT

ENDLESS = """
import signal
from pathlib import Path

import pytest

from tests import servers

start = servers.start


def noted(*arguments, **how):
    server = start(*arguments, **how)
    with Path("pids").open("a") as pids:
        print(server.pid, file=pids)
    return server


@pytest.fixture
def noting(monkeypatch):
    monkeypatch.setattr(servers, "start", noted)
    yield
    Path("cleared").touch()


@pytest.fixture
def unattended(noting):
    servers.start("http.server", "0", "--bind", "127.0.0.1")


def test_without_end(noting, request):
    for name in FIXTURES:
        request.getfixturevalue(name)
    Path("ready").touch()
    signal.pause()
"""


@pytest.mark.skipif(os.name == "nt", reason="sends signals")
@pytest.mark.parametrize("how", ["SIGTERM", "SIGKILL"])
@pytest.mark.parametrize(
    ("fixtures", "servers"),
    [(["unattended"], 1), pytest.param(["workers", "s3"], 4, marks=pytest.mark.slow)],
    ids=["unattended", "cluster and bucket"],
)
def test_servers_end_with_the_tests(how: str, fixtures: list[str], servers: int, tmp_path: Path) -> None:
    """Told to end, tests clear away what they have set up; killed, they cannot, but the servers end."""
    (tmp_path / "test_endless.py").write_text(f"FIXTURES = {fixtures}\n{ENDLESS}", encoding="utf-8")
    arguments = ["-p", "tests.conftest", "-p", "no:cacheprovider", "-c", os.devnull, "test_endless.py"]
    with subprocess.Popen(
        [sys.executable, "-m", "pytest", *arguments],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        stdout=subprocess.DEVNULL,
    ) as tests:
        wait_for((tmp_path / "ready").exists)
        pids = [int(pid) for pid in (tmp_path / "pids").read_text(encoding="ascii").split()]
        alive = [is_alive(pid) for pid in pids]
        tests.send_signal(signal.Signals[how])

    wait_for(lambda: not any(map(is_alive, pids)))
    assert alive == [True] * servers
    assert tests.returncode == (pytest.ExitCode.INTERRUPTED if how == "SIGTERM" else -signal.SIGKILL)
    assert (tmp_path / "cleared").exists() == (how == "SIGTERM")
