"""How time, memory and disk grow with the number of games, stage by stage.

    python benchmarks/growth.py [--games 15000 150000 1500000] [--without-engine] [--figure growth.png]
                                [--json PLACE]

The games are made from real ones (see benchmarks/enlarged.py), once: they are kept in the folder --made,
out/growth if none is named. Every stage runs in a process of its own, through the call that the program
makes. Wall and processor time are of that call alone, without the start of Python, worker processes and
engines included; memory is the peak of that process with all below it. The judge gets a fixed number of
candidates, the most valuable ones, and few nodes, so that its time shows what grows with the data beside the
engine's work; what is followed and ranked are those of them that lose, more or fewer. `again` is read and
tally once more, one per cent of other games added to the sources: only these are read, and all are tallied.
`text` is DuckDB counting tags and moves in the same file, for comparison.

Exponents are slopes of log time against log games. Those of processor time hold on a machine that does other
work as well; wall time does not.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from importlib import import_module
from itertools import pairwise
from pathlib import Path

from benchmarks import record
from benchmarks.enlarged import Enlarger
from benchmarks.processes import watched
from benchmarks.read import count_text
from miner.distribution import with_extra
from miner.engine.identity import find_engine
from miner.follow.stage import follow
from miner.judge.stage import judge
from miner.means import Means
from miner.rank.stage import rank
from miner.read.stage import read
from miner.report.page import report
from miner.settings import FollowSettings, JudgeSettings, RankSettings, ReadSettings, TallySettings
from miner.store import Store
from miner.tally.stage import tally

SHARED = Path(os.environ.get("MINER_SHARED") or record.ROOT.parent / "shared") / "data"
REAL = [SHARED / "masters-146k.pgn.zst", SHARED / "rated-dev.pgn.zst"]
SAMPLE = [record.ROOT / "data" / "sample" / "club.pgn"]
SIZES, SIZES_OF_SAMPLE = (15_000, 150_000, 1_500_000), (400, 4_000, 40_000)  # games

MOST_EXPONENT = 1.05  # of reading and tallying
MOST_MEMORY_GIB = 2.0  # of any stage
MOST_BYTES_PER_ROW = 8.0  # of the store, by rows of moves
MOST_SHARE_AGAIN = 0.03  # of the first read, for one per cent more games
ADDED = 0.01

THRESHOLD = 0.03
"""Expected score lost: low enough that some candidates lose at any size, and there is something to follow."""

STAGES = ("text", "read", "tally", "judge", "follow", "rank", "report", "read again", "tally again")
WITH_VERDICTS = ("judge", "follow", "rank", "report")
GROWING = ("read", "tally")  # the stages whose exponent has a target


@dataclass(frozen=True, kw_only=True, slots=True)
class Task:
    """What a stage works on."""

    store: Path
    games: list[str]  # sources
    engine: str
    candidates: int
    nodes: list[int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """What a stage took."""

    wall_s: float
    cpu_s: float
    peak_bytes: int
    disk_bytes: int  # of the store after it
    rows: dict[str, int]


Growth = dict[int, dict[str, Run]]
"""By games and stage."""


def main() -> None:
    """Print a line for each stage as soon as it is measured, then what they grow by."""
    options = _options()
    if options.stage:
        _do_here(options.stage, Task(**json.loads(options.task)))
        return
    engine = "" if options.without_engine else str(find_engine(options.engine))
    sources = options.sources or (REAL if all(file.exists() for file in REAL) else SAMPLE)
    sizes = options.games or (SIZES_OF_SAMPLE if sources == SAMPLE else SIZES)
    enlarger = Enlarger(sources, options.made)
    print(f"games made from {', '.join(file.name for file in sources)}; {json.dumps(record.machine())}")
    options.made.mkdir(parents=True, exist_ok=True)
    kept = record.file_of(options.json) if options.json else None
    growth: Growth = {}
    for games in sorted(sizes):
        with tempfile.TemporaryDirectory(prefix="store-", dir=options.made) as folder:
            growth[games] = _measured(enlarger, games, Path(folder), engine, options)
        if kept:
            record.save(kept, "growth", dict(_figures(growth)))
    _print_growth(growth)
    if options.figure:
        _draw(growth, options.figure)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--games", type=int, nargs="+", help="sizes; else a factor of ten between three")
    parser.add_argument("--sources", type=Path, nargs="+", help="real games; else those of MINER_SHARED")
    parser.add_argument("--made", type=Path, default=record.ROOT / "out" / "growth")
    parser.add_argument("--candidates", type=int, default=60, help="replies that are judged")
    parser.add_argument("--nodes", type=int, nargs="+", default=[2_000, 8_000], help="budgets of the judge")
    parser.add_argument("--engine")
    parser.add_argument("--without-engine", action="store_true", help="leave out what needs verdicts")
    parser.add_argument("--figure", type=Path, help="also draw time and memory")
    parser.add_argument(
        "--json", type=Path, help="also add the figures to this run: see benchmarks/record.py"
    )
    parser.add_argument("--stage", choices=STAGES, help=argparse.SUPPRESS)
    parser.add_argument("--task", help=argparse.SUPPRESS)
    return parser.parse_args()


def _measured(
    enlarger: Enlarger, games: int, folder: Path, engine: str, options: argparse.Namespace
) -> dict[str, Run]:
    file, more = enlarger.file_of(games), enlarger.more_than(games, ADDED)
    task = Task(
        store=folder / "store",
        games=[str(file)],
        engine=engine,
        candidates=options.candidates,
        nodes=options.nodes,
    )
    runs: dict[str, Run] = {}
    print(f"\n{games:,} games")
    print(f"{'stage':12} {'wall s':>9} {'cpu s':>9} {'games/s':>9} {'peak MiB':>9} {'store MiB':>9}  rows")
    for stage in STAGES:
        if options.without_engine and stage in WITH_VERDICTS:
            continue
        if stage == "read again":
            task = replace(task, games=[str(file), str(more)])
        runs[stage] = _done_in_a_process(stage, task)
        _print_run(stage, games, runs[stage])
    return runs


def _done_in_a_process(stage: str, task: Task) -> Run:
    told = json.dumps(asdict(task), default=str)
    taken = watched([sys.executable, __file__, "--stage", stage, "--task", told])
    called = json.loads(taken.printed.splitlines()[-1])
    return Run(
        wall_s=called["wall_s"],
        cpu_s=taken.cpu_s - called["cpu_before_s"],
        peak_bytes=taken.peak_bytes,
        disk_bytes=_size(task.store),
        rows=called["rows"],
    )


def _do_here(stage: str, task: Task) -> None:
    stages: dict[str, Callable[[Task], dict[str, int]]] = {
        "text": _count_text,
        "read": _read,
        "tally": _tally,
        "judge": _judge,
        "follow": _follow,
        "rank": _rank,
        "report": _report,
        "read again": _read,
        "tally again": _tally,
    }
    task = replace(task, store=Path(task.store))
    began, cpu_before_s = time.perf_counter(), time.process_time()
    rows = stages[stage](task)
    print(json.dumps({"wall_s": time.perf_counter() - began, "cpu_before_s": cpu_before_s, "rows": rows}))


def _count_text(task: Task) -> dict[str, int]:
    games, plies = count_text(Path(task.games[0]))
    return {"games": games, "plies": plies}


def _read(task: Task) -> dict[str, int]:
    return read(task.games, Store.create(task.store), ReadSettings()).rows


def _tally(task: Task) -> dict[str, int]:
    return tally(Store.open(task.store), TallySettings()).rows


def _judge(task: Task) -> dict[str, int]:
    settings = JudgeSettings(
        nodes_in_all=2 * task.candidates * task.nodes[0],
        nodes=tuple(task.nodes),
        loss_threshold=THRESHOLD,
        tempo_threshold=THRESHOLD,
    )
    return judge(Store.open(task.store), settings, Means(engine=Path(task.engine), cache=_cache(task))).rows


def _follow(task: Task) -> dict[str, int]:
    settings = FollowSettings(nodes=task.nodes[0], model_nodes=task.nodes[0] // 4)
    return follow(Store.open(task.store), settings, Means(engine=Path(task.engine), cache=_cache(task))).rows


def _rank(task: Task) -> dict[str, int]:
    settings = RankSettings(loss_threshold=THRESHOLD, tempo_threshold=THRESHOLD)
    return rank(Store.open(task.store), settings).rows


def _report(task: Task) -> dict[str, int]:
    return {"bytes": report(Store.open(task.store), task.store.parent / "report.html")}


def _cache(task: Task) -> Path:
    return task.store.parent / "verdicts.sqlite"


def _size(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())


def _print_run(stage: str, games: int, run: Run) -> None:
    rows = ", ".join(f"{name} {count:,}" for name, count in run.rows.items())
    print(
        f"{stage:12} {run.wall_s:9.1f} {run.cpu_s:9.1f} {games / run.wall_s:9,.0f} "
        f"{run.peak_bytes / 2**20:9,.0f} {run.disk_bytes / 2**20:9,.1f}  {rows}",
        flush=True,
    )


def _bytes_per_row(runs: dict[str, Run], stage: str) -> float:
    """Of the store after this stage, all tables included."""
    return runs[stage].disk_bytes / runs["read"].rows["moves"]


def _share_again(runs: dict[str, Run], what: str, stages: Sequence[str]) -> float:
    """Time of these stages for one per cent more games, as a share of that of the first run."""
    first, again = (sum(getattr(runs[stage + when], what) for stage in stages) for when in ("", " again"))
    return float(again / first)


def _exponent(growth: Growth, stage: str, what: str, sizes: Sequence[int]) -> float:
    """Slope of the log of what a stage took, between the least and the greatest of the sizes."""
    less, more = (getattr(growth[size][stage], what) for size in (min(sizes), max(sizes)))
    return math.log(more / less) / math.log(max(sizes) / min(sizes))


def _positions_exponent(growth: Growth, sizes: Sequence[int]) -> float:
    less, more = (growth[size]["tally"].rows["positions"] for size in (min(sizes), max(sizes)))
    return math.log(more / less) / math.log(max(sizes) / min(sizes))


def _print_growth(growth: Growth) -> None:
    sizes = sorted(growth)
    spans = [*pairwise(sizes), *([(sizes[0], sizes[-1])] if len(sizes) > 2 else [])]
    if spans:
        print(f"\nexponents of wall (and processor) time\n{'stage':12}", end="")
        print("".join(f"{f'{less:,} to {more:,}':>24}" for less, more in spans), "  target")
        for stage in growth[sizes[0]]:
            slopes = [
                [_exponent(growth, stage, what, span) for what in ("wall_s", "cpu_s")] for span in spans
            ]
            told = [f"{wall:.2f} ({cpu:.2f})" for wall, cpu in slopes]
            target = f"  at most {MOST_EXPONENT}" if stage in GROWING else ""
            print(f"{stage:12}{''.join(f'{one:>24}' for one in told)}{target}")
        told = [f"{_positions_exponent(growth, span):.2f}" for span in spans]
        print(f"{'positions':12}{''.join(f'{one:>24}' for one in told)}  (what the tally is made for)")
    print()
    for games, runs in growth.items():
        peak, stage = max((run.peak_bytes, stage) for stage, run in runs.items())
        print(
            f"{games:>10,} games: peak {peak / 2**30:.2f} GiB ({stage}; target below {MOST_MEMORY_GIB:g}), "
            f"store {_bytes_per_row(runs, 'read'):.2f} bytes per row of moves when read, "
            f"{_bytes_per_row(runs, 'tally'):.2f} when tallied (target at most {MOST_BYTES_PER_ROW:g}), "
            f"1% more games read in {_share_again(runs, 'cpu_s', ['read']):.1%} of the first run's processor "
            f"time (target {MOST_SHARE_AGAIN:.0%}), read and tallied in "
            f"{_share_again(runs, 'cpu_s', GROWING):.1%} of it"
        )


def _figures(growth: Growth) -> Iterator[tuple[str, record.Figure]]:
    for games, runs in growth.items():
        for stage, run in runs.items():
            where = f"{stage}, {games:,} games"
            yield f"{where}: wall", record.Figure(run.wall_s, "s", "lower")
            yield f"{where}: processor", record.Figure(run.cpu_s, "s", "lower")
            yield f"{where}: peak", record.Figure(run.peak_bytes / 2**20, "MiB", "lower")
            yield f"{where}: store", record.Figure(run.disk_bytes / 2**20, "MiB", "lower")
        where = f"{games:,} games"
        yield f"{where}: rows of moves", record.Figure(runs["read"].rows["moves"], "")
        yield f"{where}: positions", record.Figure(runs["tally"].rows["positions"], "")
        for stage in GROWING:
            bytes_per_row = _bytes_per_row(runs, stage)
            yield f"{where}: store per row of moves, {stage}", record.Figure(bytes_per_row, "bytes", "lower")
        again = _share_again(runs, "wall_s", GROWING)
        yield f"{where}: 1% more, share of wall", record.Figure(again, "", "lower")
        text = runs["text"].wall_s / runs["read"].wall_s
        yield f"{where}: read to DuckDB's count of text", record.Figure(text, "", "higher")
    if len(growth) > 1:
        for stage in GROWING:
            for what in ("wall_s", "cpu_s"):
                slope = _exponent(growth, stage, what, list(growth))
                yield f"{stage}: exponent of {what}", record.Figure(slope, "", "lower")


def _draw(growth: Growth, file: Path) -> None:
    """Time and memory against games, both on logarithmic scales, with what each grows by."""
    try:
        import_module("matplotlib").use("agg")
        plt = import_module("matplotlib.pyplot")
    except ImportError as error:
        raise SystemExit(f"the figure needs matplotlib: {with_extra('plots')}") from error
    sizes = sorted(growth)
    figure, (times, memory) = plt.subplots(1, 2, figsize=(11, 5), layout="constrained")
    for stage in ("read", "tally", *WITH_VERDICTS):
        if stage not in growth[sizes[0]]:
            continue
        for axes, what, unit in ((times, "cpu_s", 1.0), (memory, "peak_bytes", 2.0**20)):
            values = [getattr(growth[size][stage], what) / unit for size in sizes]
            slope = f" ({_exponent(growth, stage, what, sizes):.2f})" if len(sizes) > 1 else ""
            (drawn,) = axes.plot(sizes, values, marker="o", label=f"{stage}{slope}")
        waited = [growth[size][stage].wall_s for size in sizes]
        times.plot(sizes, waited, color=drawn.get_color(), linewidth=0.8, linestyle="--")
    last = growth[sizes[-1]]["read"].cpu_s
    in_step = [last * size / sizes[-1] for size in sizes]
    times.plot(sizes, in_step, color="grey", linestyle=":", label="in step with the games (1)")
    memory.axhline(MOST_MEMORY_GIB * 1024, color="grey", linestyle=":", label="target")
    for axes, title in ((times, "Processor time; dashed: wall, s"), (memory, "Peak memory, MiB")):
        axes.set(xscale="log", yscale="log", xlabel="games", title=f"{title} (exponent)")
        axes.grid(which="both", alpha=0.25)
        axes.legend(fontsize="small")
    figure.savefig(file, dpi=110)
    plt.close(figure)
    print(f"drawn: {file}")


if __name__ == "__main__":
    main()
