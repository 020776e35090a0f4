"""Runs stages in processes that begin at once, for all is imported already: forker.py SOURCE ENGINE GAMES.

GAMES are the fewest games that a position and a reply need. Reads the name of a stage, `earlier` or `now` (by
other settings or these) and a folder on a line; tells the process id, which is that of its process group,
too, and after another line, when the process has ended, how, as `os.waitpid` has it: until then nobody else
can have its id. In the folder the file `begun` tells that the stage is at work, `done` in how many seconds it
was done, `said` what it said.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from miner import pipeline
from miner.export.formats import FORMATS
from miner.means import Means
from miner.report.page import report
from miner.settings import (
    FollowSettings,
    JudgeSettings,
    RankSettings,
    ReadSettings,
    ScanSettings,
    TallySettings,
)
from miner.store import Store


@dataclass(frozen=True)
class Bench:
    """Where a stage works, and on what."""

    source: Path
    engine: Path
    games: int
    folder: Path
    earlier: bool = False  # by other settings, so that each stage has something to do `now`

    @cached_property
    def store(self) -> Store:
        return Store.create(self.folder / "store")

    @property
    def cache(self) -> Path:
        return self.folder / "verdicts.sqlite"

    @property
    def begun(self) -> Path:
        return self.folder / "begun"

    @property
    def done(self) -> Path:
        return self.folder / "done"

    @property
    def said(self) -> Path:
        return self.folder / "said"

    @property
    def lists(self) -> list[Path]:
        return [self.folder / f"list{suffix}" for suffix in FORMATS]

    @property
    def page(self) -> Path:
        return self.folder / "report.html"


def read(bench: Bench) -> None:
    settings = ReadSettings(plies=20 if bench.earlier else 30)
    pipeline.read([str(bench.source)], bench.store, settings, Means(processes=2))


def tally(bench: Bench) -> None:
    pipeline.tally(bench.store, TallySettings(min_games=bench.games + bench.earlier))


def judge(bench: Bench) -> None:
    settings = JudgeSettings(nodes=(2000, 10_000), min_games=bench.games + bench.earlier)
    pipeline.judge(bench.store, settings, Means(engine=bench.engine, engines=2, cache=bench.cache))


def scan(bench: Bench) -> None:
    settings = ScanSettings(nodes=(500, 1000, 2000), first_ply=2, games=10 if bench.earlier else 40)
    pipeline.scan(bench.store, settings, Means(engine=bench.engine, engines=2, cache=bench.cache))


def follow(bench: Bench) -> None:
    settings = FollowSettings(nodes=5000, model_nodes=1000)
    pipeline.follow(bench.store, settings, Means(engine=bench.engine, engines=2, cache=bench.cache))


def rank(bench: Bench) -> None:
    pipeline.rank(bench.store, RankSettings(side="white" if bench.earlier else "both"))


def export(bench: Bench) -> None:
    pipeline.export(bench.store.read_table("findings"), bench.lists)


def make_report(bench: Bench) -> None:
    report(bench.store, bench.page)


STAGES: dict[str, Callable[[Bench], None]] = {
    "read": read,
    "tally": tally,
    "judge": judge,
    "scan": scan,
    "follow": follow,
    "rank": rank,
    "export": export,
    "report": make_report,
}
"""In their order."""


def main(source: str, engine: str, games: str) -> None:
    for line in sys.stdin:
        stage, when, folder = line.rstrip("\n").split(maxsplit=2)
        bench = Bench(Path(source), Path(engine), int(games), Path(folder), when == "earlier")
        pid = os.fork()
        if pid == 0:
            os.setpgid(0, 0)
            _speak_to(bench.said)
            _do(stage, bench)
            return
        with contextlib.suppress(PermissionError, ProcessLookupError):
            os.setpgid(pid, pid)  # whoever comes first
        tell(pid)
        sys.stdin.readline()
        tell(os.waitpid(pid, 0)[1])


def _do(stage: str, bench: Bench) -> None:
    began = time.monotonic()
    with bench.store.writing():
        bench.begun.touch()
        STAGES[stage](bench)
    bench.done.write_text(str(time.monotonic() - began), encoding="ascii")


def _speak_to(said: Path) -> None:
    file = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for number, taken in ((0, nothing), (1, file), (2, file)):
        os.dup2(taken, number)


def tell(number: int) -> None:
    sys.stdout.write(f"{number}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(*sys.argv[1:])
