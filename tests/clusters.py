"""Real clusters on this machine: a scheduler and workers as `dask` starts them, talking over TCP."""

from __future__ import annotations

import os
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests import servers

PATIENCE_S = 60.0


@dataclass
class Local:
    """A scheduler and the workers that were started for it."""

    folder: Path  # for what they write
    port: int
    scheduler: subprocess.Popen[bytes] | None = None
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def address(self) -> str:
        """Where the scheduler listens."""
        return f"tcp://127.0.0.1:{self.port}"

    @property
    def logs(self) -> str:
        """All that scheduler and workers have said."""
        return "".join(path.read_text("utf-8", "replace") for path in sorted(self.folder.glob("*.log")))

    def start_scheduler(self) -> None:
        """Start it, and wait until it answers."""
        self.scheduler = self._start("scheduler", "--port", str(self.port), "--no-dashboard")
        _wait_for(lambda: _answers(self.port), "the scheduler")

    def kill_scheduler(self) -> None:
        """As a crash would."""
        assert self.scheduler is not None
        self.scheduler.kill()
        self.scheduler.wait()

    def start_worker(self, *options: str, **environment: str) -> subprocess.Popen[bytes]:
        """Start a worker process, and wait until the scheduler knows it."""
        name = f"worker-{len(self.workers)}"
        worker = self._start(
            "worker",
            self.address,
            "--name",
            name,
            "--no-nanny",
            "--no-dashboard",
            "--nthreads",
            "1",
            "--local-directory",
            str(self.folder),
            *options,
            **environment,
        )
        self.workers.append(worker)
        log = self.folder / f"{len(self.workers):02}.log"
        _wait_for(lambda: "Registered to" in log.read_text("utf-8", "replace"), name)
        return worker

    def stop(self) -> None:
        """End all, also those that hang."""
        for process in [*self.workers, *([self.scheduler] if self.scheduler else [])]:
            servers.stop(process)

    def _start(self, what: str, *options: str, **environment: str) -> subprocess.Popen[bytes]:
        with (self.folder / f"{len(self.workers) + 1 if what == 'worker' else 0:02}.log").open("ab") as log:
            return servers.start(
                f"distributed.cli.dask_{what}",
                "--host",
                "127.0.0.1",
                *options,
                env={name: value for name, value in os.environ.items() if name != "MINER_ENGINE"}
                | environment,
                stdout=log,
                stderr=log,
            )


@contextmanager
def local(folder: Path) -> Iterator[Local]:
    """A scheduler without workers yet; all is ended afterwards."""
    folder.mkdir(parents=True, exist_ok=True)
    cluster = Local(folder, free_port())
    try:
        cluster.start_scheduler()
        yield cluster
    finally:
        cluster.stop()


def free_port() -> int:
    """A port on which nobody listens."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _answers(port: int) -> bool:
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


def _wait_for(is_there: object, what: str) -> None:
    assert callable(is_there)
    deadline = time.monotonic() + PATIENCE_S
    while not is_there():
        assert time.monotonic() < deadline, f"{what} did not start"
        time.sleep(0.05)
