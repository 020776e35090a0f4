"""What a benchmark measured, kept in a file with the facts of the machine; and two such files side by side.

    python benchmarks/record.py RUN.json [BEFORE.json] [--noise 0.1]

Every benchmark takes `--json PLACE` and adds its figures to that file; benchmarks that are given the same
file make up one run. A folder stands for a new file in it, named by the time and the commit. Without BEFORE
a run is held against the one before it in its folder, or the baseline that is kept with the project.

A figure that is worse by more than the noise (0.1: ten per cent) is marked, and the exit code is then 1.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Literal

ROOT = Path(__file__).resolve().parent.parent
BASELINE = ROOT / "benchmarks" / "results" / "baseline.json"
LIBRARIES = ("chess", "duckdb", "numpy", "pandas", "pyarrow", "scipy")

Better = Literal["higher", "lower", "neither"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One number that was measured."""

    value: float
    unit: str
    better: Better = "neither"  # which way it should go; neither: it only tells what was measured


Figures = Mapping[str, Figure]


def show(figures: Figures) -> None:
    """Print a line for each figure."""
    for name, figure in figures.items():
        print(f"{name:44} {figure.value:14,.2f} {figure.unit}")


def save(place: Path, benchmark: str, figures: Figures) -> Path:
    """Add a benchmark's figures to the run in `place`, and give the file it is in.

    `place` is a file, made if there is none, or a folder, in which a new file is made.
    """
    file = file_of(place)
    run = _loaded(file) if file.exists() else {"machine": machine(), "figures": {}}
    run["figures"][benchmark] = {name: asdict(figure) for name, figure in figures.items()}
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps(run, indent=1) + "\n", encoding="utf-8")
    print(f"kept in {file}")
    return file


def file_of(place: Path) -> Path:
    """The file itself, or a new one in a folder, named by the time and the commit."""
    return place / f"{_now():%Y%m%d-%H%M%S}-{_commit()}.json" if place.is_dir() else place


def machine() -> dict[str, Any]:
    """What the figures were measured on, and when."""
    return {
        "date": _now().isoformat(timespec="seconds"),
        "commit": _commit(),
        "cpu": _cpu(),
        "cores": os.cpu_count(),
        "load": [round(load, 2) for load in os.getloadavg()],  # what else ran when it began
        "memory_gib": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30, 1),
        "system": platform.platform(),
        "python": platform.python_version(),
        "libraries": {name: metadata.version(name) for name in LIBRARIES},
    }


def _now() -> datetime:
    return datetime.now(UTC)


def _commit() -> str:
    """The commit that is checked out, with a `+` if files have been changed since; `unknown` without git."""

    def git(*arguments: str) -> str:
        done = subprocess.run(["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=True)
        return done.stdout.strip()

    try:
        return git("rev-parse", "--short", "HEAD") + ("+" if git("status", "--porcelain", "-uno") else "")
    except (OSError, subprocess.CalledProcessError):
        return "unknown"


def _cpu() -> str:
    """The processor's name."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    named = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return named[0] if named else platform.machine()


def _loaded(file: Path) -> dict[str, Any]:
    try:
        run: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        run["machine"]["date"], run["figures"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SystemExit(f"{file} holds no run of benchmarks: {error!r}") from error
    return run


def before(file: Path) -> Path | None:
    """The run to hold a run against: the one before it in its folder, else the baseline; None: no other."""
    date = _loaded(file)["machine"]["date"]
    others = [other for other in file.parent.glob("*.json") if not other.samefile(file)]
    earlier = {_loaded(other)["machine"]["date"]: other for other in others}
    known = [when for when in earlier if when < date]
    if known:
        return earlier[max(known)]
    return BASELINE if BASELINE.exists() and not BASELINE.samefile(file) else None


@dataclass(frozen=True, slots=True)
class Change:
    """A figure of two runs."""

    name: str
    unit: str
    before: float
    now: float
    better: Better

    @property
    def ratio(self) -> float:
        """Now to before; 1 if both are 0."""
        if self.before == self.now:
            return 1.0
        return self.now / self.before if self.before else float("inf")

    def is_worse(self, noise: float) -> bool:
        """Whether it went the wrong way by more than the share `noise`."""
        if self.better == "lower":
            return self.ratio > 1.0 + noise
        return self.better == "higher" and self.ratio < 1.0 / (1.0 + noise)


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[Change]:
    """The figures that both runs have, in the order of the later one."""
    return [
        Change(
            f"{benchmark}: {name}",
            figure["unit"],
            before["figures"][benchmark][name]["value"],
            figure["value"],
            figure["better"],
        )
        for benchmark, figures in now["figures"].items()
        for name, figure in figures.items()
        if name in before["figures"].get(benchmark, {})
    ]


def compare(earlier: Path, later: Path, noise: float) -> int:
    """Print the figures of two runs side by side; the number of those that are worse."""
    old, new = _loaded(earlier), _loaded(later)
    print(f"{later.name} held against {earlier.name}")
    for fact, value in new["machine"].items():
        if fact not in ("date", "load") and old["machine"].get(fact) != value:
            print(f"  {fact}: {old['machine'].get(fact)} -> {value}")
    found = changes(old, new)
    print(f"{'figure':54} {'before':>14} {'now':>14} {'ratio':>7}")
    for one in found:
        mark = "  worse" if one.is_worse(noise) else ""
        print(f"{one.name:54} {one.before:14,.2f} {one.now:14,.2f} {one.ratio:7.2f} {one.unit}{mark}")
    return sum(one.is_worse(noise) for one in found)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("run", type=Path)
    parser.add_argument("before", type=Path, nargs="?")
    parser.add_argument("--noise", type=float, default=0.1, help="share by which figures differ by chance")
    options = parser.parse_args()
    earlier = options.before or before(options.run)
    if earlier is None:
        print(f"there is no run to hold {options.run.name} against")
        return
    worse = compare(earlier, options.run, options.noise)
    print(f"{worse} worse by more than {options.noise:.0%}")
    sys.exit(bool(worse))


if __name__ == "__main__":
    main()
