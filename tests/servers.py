"""Servers for the tests, which end with the tests, however those end."""

from __future__ import annotations

import os
import runpy
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
_LOOKS_EVERY_S = 0.2


def start(module: str, *arguments: str, **how: Any) -> subprocess.Popen[bytes]:
    """Run a module as a program, in a process group that is killed as soon as this process has gone."""
    command = [sys.executable, "-m", "tests.servers", str(os.getpid()), module, *arguments]
    return subprocess.Popen(command, cwd=ROOT, start_new_session=True, **how)


def stop(server: subprocess.Popen[bytes]) -> None:
    """Kill a server and what it has started, also if it hangs or has gone already."""
    with suppress(ProcessLookupError):
        os.killpg(server.pid, signal.SIGKILL)
    server.wait()


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(_LOOKS_EVERY_S)
    os.killpg(0, signal.SIGKILL)


if __name__ == "__main__":
    parent, module, *arguments = sys.argv[1:]
    threading.Thread(target=_end_with, args=(int(parent),), daemon=True).start()
    sys.argv = [module, *arguments]
    runpy.run_module(module, run_name="__main__", alter_sys=True)
