"""What a program takes with all that it starts: memory now, and the peak of a whole run."""

from __future__ import annotations

import re
import subprocess
import threading
from collections.abc import Sequence
from pathlib import Path

BETWEEN_LOOKS_S = 0.05


def resident_bytes(pid: int) -> int:
    """Memory of a process and all below it now; of pages that they share each has its part (Linux only)."""
    try:
        told = Path(f"/proc/{pid}/smaps_rollup").read_text()
        children = " ".join(file.read_text() for file in Path(f"/proc/{pid}/task").glob("*/children")).split()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    found = re.search(r"^Pss:\s+(\d+) kB", told, re.MULTILINE)
    return (int(found[1]) * 1024 if found else 0) + sum(resident_bytes(int(child)) for child in children)


def peak_of(command: Sequence[str | Path]) -> tuple[int, str]:
    """Peak resident bytes of a command with all below it, and what it printed.

    Raises SystemExit if the command fails.
    """
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        printed: list[str] = []
        listener = threading.Thread(target=lambda pipe: printed.append(pipe.read()), args=(process.stdout,))
        listener.start()
        peak = 0
        while process.poll() is None:
            peak = max(peak, resident_bytes(process.pid))
            listener.join(BETWEEN_LOOKS_S)
        listener.join()
    if process.returncode:
        raise SystemExit(f"{' '.join(map(str, command))} failed")
    return peak, "".join(printed)
