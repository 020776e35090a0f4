"""What a program takes with all that it starts: processor time and peak memory (Linux only)."""

from __future__ import annotations

import os
import re
import subprocess
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

BETWEEN_LOOKS_S = 0.1
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")
_USER_TICKS, _SYSTEM_TICKS = 11, 12  # places in /proc/PID/stat behind the name; see proc_pid_stat(5)


@dataclass(frozen=True, slots=True)
class Taken:
    """What a command took with all below it, as far as looks at it could see."""

    peak_bytes: int  # of resident memory; of pages that processes share each has its part
    cpu_s: float
    printed: str


def watched(command: Sequence[str | Path]) -> Taken:
    """Run a command and look at it, and at all below it, until it ends.

    Raises SystemExit if it fails.
    """
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        printed: list[str] = []
        listener = threading.Thread(target=lambda pipe: printed.append(pipe.read()), args=(process.stdout,))
        listener.start()
        peak, cpu_s, over = 0, dict[int, float](), threading.Event()
        while process.poll() is None:
            pids = list(_with_all_below(process.pid))
            peak = max(peak, sum(map(_resident_bytes, pids)))
            # A process that has ended keeps what it had used when it was last seen.
            cpu_s |= {pid: used for pid in pids if (used := _cpu_s(pid)) > 0.0}
            over.wait(BETWEEN_LOOKS_S)
        listener.join()
    if process.returncode:
        raise SystemExit(f"{' '.join(map(str, command))} failed")
    return Taken(peak, sum(cpu_s.values()), "".join(printed))


def _with_all_below(pid: int) -> Iterator[int]:
    yield pid
    try:
        threads = list(Path(f"/proc/{pid}/task").iterdir())
    except (FileNotFoundError, ProcessLookupError):  # it has ended
        return
    for thread in threads:
        for child in _told(thread / "children").split():
            yield from _with_all_below(int(child))


def _resident_bytes(pid: int) -> int:
    found = re.search(r"^Pss:\s+(\d+) kB", _told(Path(f"/proc/{pid}/smaps_rollup")), re.MULTILINE)
    return int(found[1]) * 1024 if found else 0


def _cpu_s(pid: int) -> float:
    fields = _told(Path(f"/proc/{pid}/stat")).rpartition(")")[2].split()
    return (int(fields[_USER_TICKS]) + int(fields[_SYSTEM_TICKS])) / _TICKS_PER_S if fields else 0.0


def _told(file: Path) -> str:
    """What the system tells in a file; nothing if the process has ended."""
    try:
        return file.read_text()
    except (FileNotFoundError, ProcessLookupError):
        return ""
