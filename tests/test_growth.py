"""The benchmark of growth, and how it looks at processes (benchmarks/growth.py, benchmarks/processes.py)."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from benchmarks.processes import watched
from tests.conftest import ROOT

NESTED = "import subprocess, sys; subprocess.run([sys.executable, '-c', sys.argv[1]], check=True)"

pytestmark = pytest.mark.skipif(not Path("/proc/self/smaps_rollup").exists(), reason="needs Linux's /proc")


def test_memory_and_work_of_processes_below_count() -> None:
    """A process that waits for another takes what that one takes."""
    hungry = (
        "import time\nheld = bytearray(200 << 20)\nwhile time.process_time() < 0.5: pass\n"
        "time.sleep(0.5)\nprint(len(held))"
    )

    taken = watched([sys.executable, "-c", NESTED, hungry])

    assert taken.printed == f"{200 << 20}\n"
    assert taken.peak_bytes > 200 << 20
    assert taken.cpu_s > 0.4


def test_a_command_that_fails_ends_the_benchmark() -> None:
    """No figure is made from half a run."""
    with pytest.raises(SystemExit, match="failed"):
        watched([sys.executable, "-c", "raise SystemExit(3)"])


@pytest.mark.slow
@pytest.mark.engine
def test_growth_is_measured_from_end_to_end(tmp_path: Path) -> None:
    """Every stage at every size, in a run that can be compared and a figure."""
    run, figure = tmp_path / "run.json", tmp_path / "growth.png"
    command = [
        sys.executable,
        str(ROOT / "benchmarks/growth.py"),
        *("--sources", str(ROOT / "data/sample/club.pgn"), "--made", str(tmp_path / "made")),
        *("--games", "300", "3000", "--candidates", "4", "--nodes", "500", "1000"),
        *("--json", str(run), "--figure", str(figure)),
    ]

    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout

    figures = json.loads(run.read_text())["figures"]["growth"]
    assert figures["3,000 games: rows of moves"]["value"] > 9 * figures["300 games: rows of moves"]["value"]
    assert {"read: exponent of cpu_s", "tally again, 3,000 games: wall"} <= set(figures)
    assert "bytes per row of moves" in told
    assert figure.read_bytes().startswith(b"\x89PNG")
