"""What commands that do next to nothing take: their processor time against that of the libraries all need.

    python benchmarks/startup.py [--rounds 7] [--json PLACE]

The yardstick is a process that imports pyarrow, chess and typer. Each round starts every command and the
yardstick once, one after the other, so that what else the machine does meets all of them; the least time of
each counts, which is the one that was disturbed least.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from benchmarks import record
from benchmarks.record import ROOT, Figure
from miner.store import Store

YARDSTICK = "import pyarrow, chess, typer"


def cpu_s(words: list[str]) -> float:
    """Processor time of a process and of those that it started, whatever its exit code."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], cwd=ROOT, capture_output=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--json", type=Path, help="also add the figures to this run")
    given = parser.parse_args()

    with tempfile.TemporaryDirectory() as folder:
        Store.create(Path(folder, "store"))
        program = ["-m", "miner.cli"]
        commands = {
            "yardstick": ["-c", YARDSTICK],
            "--help": [*program, "--help"],
            "typing error": [*program, "statsu"],
            "status": [*program, "status", "--store", f"{folder}/store"],
        }
        rounds = [{name: cpu_s(words) for name, words in commands.items()} for _ in range(given.rounds)]
    least = {name: min(one[name] for one in rounds) for name in commands}
    figures = {name: Figure(seconds * 1000, "ms") for name, seconds in least.items()}
    for name in list(commands)[1:]:
        figures[f"{name}, to the yardstick"] = Figure(least[name] / least["yardstick"], "", "lower")
    record.show(figures)
    if given.json:
        record.save(given.json, "startup", figures)


if __name__ == "__main__":
    main()
