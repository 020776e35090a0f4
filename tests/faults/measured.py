"""The command in a process of its own, with the memory that it held at the most."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import pytest

from miner.store import Manifest, Store
from tests.conftest import ROOT
from tests.reading import Tables, tables_of

STATUS = Path("/proc/self/status")
needs_peak = pytest.mark.skipif(
    not STATUS.exists() or "VmHWM" not in STATUS.read_text(), reason="this system tells no process its peak"
)
LONGEST_S = 3_000  # a guard against reading without end, no measure
_PROGRAM = """
import sys
from pathlib import Path
from miner.cli import main
try:
    main()
finally:
    told = Path("/proc/self/status").read_text().splitlines()
    print(next(line.split()[1] for line in told if line.startswith("VmHWM")), file=sys.stderr)
"""


@dataclass(frozen=True)
class Measured:
    """What a read in one process left, said, and took."""

    code: int
    err: str
    peak_mb: float
    store: Path

    @property
    def tables(self) -> Tables:
        """Both tables; the ledger must add up."""
        store = Store.open(self.store)
        manifest = store.manifest("read")
        assert manifest is not None, self.err
        return checked(tables_of(store, manifest))


def read_measured(folder: Path, *sources: Path | str, stdin: IO[bytes] | int | None = None) -> Measured:
    """`miner read` of the sources into a new store in `folder`."""
    store = folder / "store"
    names = [str(source) for source in sources]
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM, "read", *names, "--store", str(store), "--processes", "1"],
        cwd=ROOT,
        stdin=stdin,
        capture_output=True,
        text=True,
        check=False,
        timeout=LONGEST_S,
    )
    *said, peak = done.stderr.splitlines()
    return Measured(done.returncode, "\n".join(said), int(peak) / 1024, store)


def checked(tables: Tables) -> Tables:
    """The tables, after a look whether every game that was seen ends in one row, in order and apart."""
    manifest: Manifest = tables.manifest
    assert manifest.facts["games"] == manifest.rows["games"] == len(tables.games)
    counted = Counter(tables.states)
    assert counted == Counter({state: n for state, n in manifest.facts["ledger"].items() if n})
    by_source: dict[str, int] = {}
    ends: dict[str, int] = {}
    for game in tables.games:
        source = game["source"]
        by_source[source] = by_source.get(source, 0) + 1
        assert game["number"] == by_source[source]
        assert ends.get(source, 0) <= game["start_byte"] <= game["end_byte"]
        ends[source] = game["end_byte"]
    return tables
