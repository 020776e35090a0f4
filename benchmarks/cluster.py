"""What a cluster costs beside the work, measured; and what it would do with a month of games, simulated.

    python benchmarks/cluster.py GAMES.pgn.zst [--json PLACE] [--games 90e6 --stored 30e9 --disk 500e6]

The games are enlarged to --sample ones (see benchmarks/enlarged.py), and get a remark with the clock behind
each move, as servers write them; reading a game with them takes far longer than one without. A real scheduler
and two workers are started on this machine. Measured are: what one task costs, what goes through the
scheduler in a second, and each step of the stages by processor time, which holds on a machine that does other
work as well. Reading and judging are timed with one worker and with two, the clock on the
wall: with fewer free cores than workers that tells little.

The simulation then sends a month's batches through the same steps: a client, a scheduler and a shared disk
that do one thing at a time, and 1 to 64 workers of a core each. It tells the hours, and which of them is busy
most: where that is not the workers, more of them do not help. The disk's speed is given, not measured; and
so may be (--rest) what the rest of a tally takes for a million rows, since in a sample it is mostly what a
tally costs at all: docs/measured.md has it from stores of 150,000 and 1.5 million games.
"""

from __future__ import annotations

import argparse
import heapq
import tempfile
import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import chess
import numpy as np
import pyarrow.parquet as pq
import zstandard

from benchmarks import record
from benchmarks.enlarged import Enlarger
from benchmarks.judge import judged_alone
from benchmarks.read import plain_text
from benchmarks.record import Figure, Figures
from miner.cluster import Cluster, connected
from miner.engine.cache import VerdictCache
from miner.engine.consult import consult
from miner.engine.dispatch import identify
from miner.engine.identity import EngineIdentity, find_engine
from miner.engine.schedule import Inquiry, Schedule
from miner.engine.verdicts import Answer, Request, Verdict
from miner.judge.stage import to_judge
from miner.means import Means
from miner.pgn.batches import BATCH_BYTES, Batch, cut_batches, cut_stretches
from miner.pgn.ledger import Count, Numbering, Report
from miner.pgn.movetext import RESULTS
from miner.pgn.sources import find_sources
from miner.read.clustered import read_on_cluster
from miner.read.stage import read
from miner.read.workers import BatchJob, read_batches
from miner.settings import JudgeSettings, ReadSettings, TallySettings
from miner.store import Store
from miner.store.query import Resources, connected_to_games
from miner.tally import replies
from miner.tally.replies import Counting, count_range
from miner.tally.stage import kept_games, tally
from miner.terms import Score, Side
from tests.clusters import Local, local

Result = TypeVar("Result")

WORKERS = (1, 2, 4, 8, 16, 32, 64)
TASKS = 500
FED = 24  # batches of text
FILES = 500  # that a key range looks into
SEEN_GAMES = 4_000_000  # whose signatures are compared
VERDICTS = 20_000
JUDGED = 24  # positions, for the time that judging takes with one worker and two
NODES = (20_000, 80_000)
STAGED = 0.23
"""Share of the nodes that the last budget on everything would take (benchmarks/staged.py, rated games)."""
TASKS_OF_A_LOT = 3  # to parse it, to tell of it, to write it


@dataclass(frozen=True, kw_only=True, slots=True)
class Costs:
    """Seconds of processor time, unless the name says otherwise."""

    order_s: float  # of the client, for a task that does nothing
    task_s: float  # of the scheduler, for the same
    feed_s: float  # of the client, for each batch of text that is an argument of a task
    pass_on_s: float  # of the scheduler, for the same
    decompress_s: float  # of the client, for each batch of one compressed stream
    cut_s: float  # of the client, for each batch that is cut out of a file
    parse_s: float  # of a worker, for each batch
    write_s: float
    number_s: float  # of the client, for each batch
    verdict_s: float  # of the client, for each verdict
    rows_s: float  # of a worker, for each million rows that it counts
    look_s: float  # of a worker, for each file that a key range looks into
    row_groups: float  # of a file of moves; a range reads one or two of them
    moves_bytes_per_game: float
    tally_s: float  # of the client, for each million rows: what is not done in ranges
    nodes_per_s: float  # of one engine
    rows_per_game: float
    text_bytes_per_game: float
    written_bytes_per_game: float
    nodes: float  # that the judge's candidates need


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("source", type=Path)
    parser.add_argument("--sample", type=int, default=60_000, help="games that are measured with")
    parser.add_argument("--games", type=float, default=90e6, help="in a month")
    parser.add_argument("--stored", type=float, default=30e9, help="bytes of it, compressed")
    parser.add_argument("--disk", type=float, default=500e6, help="bytes/s of the shared disk")
    parser.add_argument("--memory", type=int, default=8192, help="MB of each worker for the tally")
    parser.add_argument(
        "--rest",
        type=float,
        help="seconds that the rest of the tally takes for a million rows",
    )
    parser.add_argument("--engine")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()

    with tempfile.TemporaryDirectory() as folder:
        sample = Enlarger([given.source], Path(folder)).file_of(given.sample)
        costs, figures = measure(sample, Path(folder), find_engine(given.engine))
    print("\nmeasured")
    record.show(figures)
    if given.rest is not None:
        costs = replace(costs, tally_s=given.rest)
    for line in simulated(costs, int(given.games), given.stored, given.disk, given.memory):
        print(line)
    if given.json:
        record.save(given.json, "cluster", figures)


def measure(source: Path, folder: Path, engine: Path) -> tuple[Costs, Figures]:
    """All costs, and the figures to be shown."""
    plain, compressed = folder / "games.pgn", folder / "games.pgn.zst"
    plain.write_text(with_clocks(plain_text(source).decode("latin-1")), encoding="latin-1")
    compressed.write_bytes(zstandard.compress(plain.read_bytes()))
    store = Store.create(folder / "store")
    games = read([str(plain)], store, ReadSettings()).rows["games"]
    steps = _steps(compressed, plain, folder)
    tallied, tally_cpu_s = _cpu_of(lambda: tally(store, TallySettings(), Means(threads=1)))
    assert tallied.rows["replies"], "too few games to count"
    rows = store.require("read").rows["moves"]
    range_s = _range_s(store, folder)
    nodes, judged_nodes_per_s, alone = _judged(store, engine, folder, None)
    with local(folder / "dask") as machines:
        told = _with_workers(machines, plain, store, engine, folder)
    text_bytes = plain.stat().st_size
    moves, ledger = (_files(store, table) for table in ("moves", "games"))
    written = sum(file.stat().st_size for file in [*moves, *ledger])
    costs = Costs(
        order_s=told["nothing, client"],
        task_s=told["nothing, scheduler"],
        feed_s=told["text, client"],
        pass_on_s=told["text, scheduler"],
        decompress_s=steps["decompress"],
        cut_s=steps["cut"],
        parse_s=steps["parse"],
        write_s=steps["write"],
        number_s=_number_s(int(games * BATCH_BYTES / text_bytes)),
        verdict_s=_verdict_s(folder),
        rows_s=range_s * 1e6 / rows,
        look_s=_look_s(store, folder / "looked at"),
        row_groups=float(np.mean([pq.read_metadata(file).num_row_groups for file in moves])),
        moves_bytes_per_game=sum(file.stat().st_size for file in moves) / games,
        tally_s=max(0.0, tally_cpu_s - range_s) * 1e6 / rows,
        nodes_per_s=judged_nodes_per_s,
        rows_per_game=rows / games,
        text_bytes_per_game=text_bytes / games,
        written_bytes_per_game=written / games,
        nodes=nodes,
    )
    figures = {
        "a task that does nothing, for the client": Figure(1e3 * costs.order_s, "ms", "lower"),
        "a task that does nothing, for the scheduler": Figure(1e3 * costs.task_s, "ms", "lower"),
        "the same, by the clock on the wall": Figure(1e3 * told["nothing, wall"], "ms", "lower"),
        "text sent by the client": Figure(BATCH_BYTES / costs.feed_s / 1e6, "MB/s", "higher"),
        "text passed on by the scheduler": Figure(BATCH_BYTES / costs.pass_on_s / 1e6, "MB/s", "higher"),
        "one stream decompressed and cut": Figure(BATCH_BYTES / costs.decompress_s / 1e6, "MB/s", "higher"),
        "a file cut into stretches": Figure(BATCH_BYTES / costs.cut_s / 1e6, "MB/s", "higher"),
        "text parsed by a core": Figure(BATCH_BYTES / costs.parse_s / 1e6, "MB/s", "higher"),
        "text's tables written by a core": Figure(BATCH_BYTES / costs.write_s / 1e6, "MB/s", "higher"),
        f"games numbered and compared with {SEEN_GAMES / 1e6:.0f} million": Figure(
            BATCH_BYTES / costs.text_bytes_per_game / costs.number_s, "games/s", "higher"
        ),
        "verdicts booked and kept": Figure(1 / costs.verdict_s, "/s", "higher"),
        "rows counted by a core": Figure(1e6 / costs.rows_s, "rows/s", "higher"),
        "a look into a file for a key range": Figure(1e3 * costs.look_s, "ms", "lower"),
        "rest of the tally, for a million rows": Figure(costs.tally_s, "s", "lower"),
        "nodes of an engine": Figure(costs.nodes_per_s, "nodes/s", "neither"),
        "reading: one worker's time by two workers'": Figure(told["read 1"] / told["read 2"], "times"),
        "judging: one worker's time by two workers'": Figure(told["judge 1"] / told["judge 2"], "times"),
        "judging: two engines here by two workers": Figure(alone / told["judge 2"], "times"),
    }
    return costs, figures


def with_clocks(text: str) -> str:
    """Games with a remark behind each move, and the number of the move again before Black's.

    >>> print(with_clocks("1. e4 e5 2. Nf3 1-0"))
    1. e4 { [%clk 0:09:58] } 1... e5 { [%clk 0:09:55] } 2. Nf3 { [%clk 0:09:53] } 1-0
    """
    return "\n".join(line if line.startswith("[") else _clocked(line) for line in text.split("\n"))


def _clocked(moves: str) -> str:
    told: list[str] = []
    number, is_whites, left = "", True, 600
    for word in moves.split():
        if word[0].isdigit() and word.endswith("."):
            number, is_whites = word, True
            told.append(word)
        elif word in (*RESULTS, "*"):
            told.append(word)
        else:
            left -= 1 + len(told) % 4  # as it may be: what cannot be compressed away
            if not is_whites:
                told.append(f"{number}..")
            told.append(f"{word} {{ [%clk 0:{left // 60 % 60:02}:{left % 60:02}] }}")
            is_whites = False
    return " ".join(told)


def _cpu_of(work: Callable[[], Result]) -> tuple[Result, float]:
    began = time.process_time()
    return work(), time.process_time() - began


def _wall_of(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _job(folder: Path) -> BatchJob:
    for table in ("games", "moves"):
        (folder / table).mkdir(parents=True)
    return BatchJob(ReadSettings(), b"salt", "auto", folder)


def _steps(source: Path, plain: Path, folder: Path) -> dict[str, float]:
    """Seconds for each batch of text, by step."""

    def text_bytes(batches: Iterator[Batch]) -> int:
        return sum(len(piece.text) for batch in batches for piece in batch)

    [compressed], [uncompressed] = find_sources([str(source)]), find_sources([str(plain)])
    size, decompress_s = _cpu_of(lambda: text_bytes(cut_batches([compressed], lambda _: None)))
    _, cut_s = _cpu_of(lambda: cut_stretches(uncompressed, 0))
    batches = list(cut_batches([uncompressed], lambda _: None))
    reader = _job(folder / "parsed").batch_reader()
    _, parse_s = _cpu_of(lambda: [reader.read(batch) for batch in batches])
    job = _job(folder / "written")
    _, both_s = _cpu_of(lambda: list(read_batches(iter(batches), job, 1, Numbering())))
    found = {"decompress": decompress_s, "cut": cut_s, "parse": parse_s, "write": max(0.0, both_s - parse_s)}
    return {step: seconds * BATCH_BYTES / size for step, seconds in found.items()}


def _number_s(games: int) -> float:
    """For a batch of so many games, among SEEN_GAMES."""
    batches = max(1, SEEN_GAMES // games)
    drawn = np.random.default_rng(1).integers(1, 1 << 63, (batches, games)).astype(np.uint64)
    numbering = Numbering()
    count = Count(games, lines=10 * games, size=0, skipped=0, sign="", origin=0, begins_text=False)

    def number() -> None:
        for signatures in drawn:
            numbering.answer(Report([count], signatures))

    return _cpu_of(number)[1] / batches


def _verdict_s(folder: Path) -> float:
    """From a request to a verdict that is kept, without the engine."""
    board = chess.Board()

    def one(request: Request) -> Inquiry[Answer]:
        [answer] = yield [request]
        return answer

    with VerdictCache(folder / "many.sqlite", EngineIdentity("none", "", ())) as cache:
        requests = [Request(board.fen(), number) for number in range(VERDICTS)]
        schedule = Schedule(map(one, requests), cache.find, 3)

        def ask() -> None:
            while (job := schedule.next_job()) is not None:
                verdict = Verdict(Score(Side.WHITE, cp=20), ("e2e4", "e7e5", "g1f3") * 5, 1_000, 20)
                cache.add(job.request, verdict)
                schedule.answer(job, verdict)
                if job.request.nodes % 1_000 == 0:
                    cache.commit()

        return _cpu_of(ask)[1] / VERDICTS


def _files(store: Store, table: str) -> list[Path]:
    """The Parquet files of a table of a store on this machine."""
    folder = store.path(table)
    assert isinstance(folder, Path)
    return sorted(folder.glob("*.parquet"))


def _range_s(store: Store, folder: Path) -> float:
    """For all rows of a store as one key range."""
    counting = Counting(
        moves=store.path("moves"),
        games=store.path("games"),
        movers=folder / "movers",
        bands=TallySettings().bands,
        min_games=TallySettings().enough_games(kept_games(store.require("read"))),
        resources=Resources(threads=1),
    )
    with connected_to_games(
        counting.moves, counting.games, folder / "spill", counting.resources
    ) as connection:
        next(counting.count(connection, [(0, 0)], None))
    return _cpu_of(lambda: count_range((0, replies.KEY_SPACE - 1), counting))[1]


def _look_s(store: Store, folder: Path) -> float:
    """For each of many files, of which a narrow key range holds hardly a row."""
    folder.mkdir()
    files = _files(store, "moves")
    for number in range(FILES):
        (folder / f"{number:06}.parquet").hardlink_to(files[number % len(files)])
    with connected_to_games(
        folder, store.path("games"), folder / "spill", Resources(threads=1)
    ) as connection:
        query = "select sum(move), sum(game), sum(ply) from moves where key between $low and $high"
        keys = {"low": 1 << 61, "high": (1 << 61) + (1 << 50)}
        return _cpu_of(lambda: connection.execute(query, keys).fetchall())[1] / FILES


def _judged(
    store: Store, engine: Path, folder: Path, cluster: Cluster | None, engines: int = 2
) -> tuple[float, float, float]:
    """Nodes that all candidates need, nodes/s of an engine, and seconds for JUDGED positions."""
    positions, settings = to_judge(store, JudgeSettings(nodes=NODES))
    identity = identify(Means(engine=engine), settings.hash_mb)
    with (
        tempfile.TemporaryDirectory(dir=folder) as own,
        VerdictCache(Path(own, "verdicts.sqlite"), identity) as cache,
    ):
        began = time.perf_counter()
        _, work = consult(
            (judged_alone(position, settings) for position in positions[:JUDGED]),
            Means(engine=engine, engines=engines, cluster=cluster),
            hash_mb=settings.hash_mb,
            cache=cache,
        )
        seconds = time.perf_counter() - began
    searches = len(positions) + sum(len(position.candidates) for position in positions)
    return STAGED * searches * JudgeSettings().nodes[-1], work.nodes_per_s, seconds


def _with_workers(machines: Local, plain: Path, store: Store, engine: Path, folder: Path) -> dict[str, float]:
    """Seconds for a task, for a batch of text that is fed, and for reading and judging by workers."""
    told: dict[str, float] = {}
    sources = find_sources([str(plain)])
    for workers in (1, 2):
        machines.start_worker("--resources", "engine=1", MINER_ENGINE=str(engine))
        with connected(machines.address) as cluster:

            def read_once(name: str, cluster: Cluster = cluster) -> float:
                job = _job(folder / name)
                return _wall_of(
                    lambda: list(read_on_cluster(sources, job, cluster, lambda _: None, Numbering()))
                )

            read_once(f"warming up {workers}")
            told[f"read {workers}"] = read_once(f"read by {workers}")
            told[f"judge {workers}"] = _judged(store, engine, folder, cluster)[2]
            text = bytes(np.random.default_rng(1).integers(0, 256, BATCH_BYTES, dtype=np.uint8))
            orders: dict[str, Sequence[object]] = {"nothing": [0] * TASKS, "text": [text] * FED}
            for what, things in orders.items():
                told |= {f"{what}, {who}": spent for who, spent in _task_s(cluster, things).items()}
    return told


def _task_s(cluster: Cluster, things: Sequence[object]) -> dict[str, float]:
    """Seconds of client, scheduler and wall for each of some tasks that do nothing, from order to result."""

    def do_all() -> None:
        with cluster.cluster_tasks() as cluster_tasks:
            ordered = [cluster_tasks.order(_nothing, thing, about="nothing") for thing in things]
            ended = 0
            while ended < len(ordered):
                ended += len(cluster_tasks.finished(1.0))
            cluster_tasks.results(ordered)

    scheduler_before = cluster.client.run_on_scheduler(time.process_time)
    client_before, wall_before = time.process_time(), time.perf_counter()
    do_all()
    client, wall = time.process_time() - client_before, time.perf_counter() - wall_before
    scheduler = cluster.client.run_on_scheduler(time.process_time) - scheduler_before
    return {
        who: s / len(things) for who, s in {"client": client, "scheduler": scheduler, "wall": wall}.items()
    }


def _nothing(_: object) -> int:
    return 0


# The simulation.


@dataclass(frozen=True, slots=True)
class Step:
    """What a job does at a station, for how long."""

    station: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Run:
    """What came of sending jobs through stations."""

    seconds: float
    busy: dict[str, float]  # share (0 to 1) of the time, of each station

    @property
    def busiest(self) -> str:
        """The station that has least time left."""
        return max(self.busy, key=lambda station: self.busy[station])


def send(route: Sequence[Step], jobs: int, places: dict[str, int], ahead: int) -> Run:
    """Equal jobs on one route; each station serves so many at once, first come first served.

    No more than `ahead` jobs are on their way at a time.

    >>> send([Step("client", 1.0), Step("worker", 2.0)], 10, {"client": 1, "worker": 2}, 4).seconds
    12.0
    """
    free = dict(places)
    waiting: dict[str, deque[int]] = defaultdict(deque)
    busy: dict[str, float] = dict.fromkeys(places, 0.0)
    events: list[tuple[float, int, int]] = []  # when, the number of the event, the step that it ends
    numbers = iter(range(jobs * len(route) + 1))
    now, begun = 0.0, 0

    def arrive(step: int) -> None:
        station = route[step].station
        if free[station]:
            free[station] -= 1
            busy[station] += route[step].seconds
            heapq.heappush(events, (now + route[step].seconds, next(numbers), step))
        else:
            waiting[station].append(step)

    def leave(station: str) -> None:
        free[station] += 1
        if waiting[station]:
            arrive(waiting[station].popleft())

    while begun < min(ahead, jobs):
        begun += 1
        arrive(0)
    while events:
        now, _, step = heapq.heappop(events)
        leave(route[step].station)
        if step + 1 < len(route):
            arrive(step + 1)
        elif begun < jobs:
            begun += 1
            arrive(0)
    return Run(now, {station: busy[station] / places[station] / now for station in places})


def simulated(costs: Costs, games: int, stored_bytes: float, disk: float, memory_mb: int) -> Iterator[str]:
    """A table of hours for each stage, by the number of workers, with the busiest station."""
    text = games * costs.text_bytes_per_game
    lots = max(1, round(text / BATCH_BYTES))
    rows = games * costs.rows_per_game
    written = games * costs.written_bytes_per_game / lots
    task, disk_s = costs.task_s, 1.0 / disk
    work = [
        Step("scheduler", TASKS_OF_A_LOT * task),
        Step("workers", costs.parse_s),
        Step("client", costs.number_s + TASKS_OF_A_LOT * costs.order_s),
        Step("workers", costs.write_s),
        Step("disk", written * disk_s),
    ]
    feeding = [Step("client", costs.decompress_s + costs.feed_s), Step("scheduler", costs.pass_on_s)]
    cutting = [Step("client", costs.cut_s), Step("disk", stored_bytes / lots * disk_s)]
    ranges = max(1, round(rows / replies.rows_per_range(memory_mb)))
    range_s = costs.rows_s * rows / ranges / 1e6 + costs.look_s * lots
    looked_at = games * costs.moves_bytes_per_game / max(1.0, min(ranges, costs.row_groups))
    batch_nodes = costs.nodes_per_s  # a second's
    batches = max(1, round(costs.nodes / batch_nodes))
    searches = batch_nodes / JudgeSettings().nodes[0]
    judging = [
        Step("client", searches * costs.verdict_s + costs.order_s),
        Step("scheduler", task),
        Step("workers", 1.0),
    ]
    counting = [
        Step("client", costs.order_s),
        Step("scheduler", task),
        Step("disk", looked_at * disk_s),
        Step("workers", range_s),
    ]
    stages = {
        "read, one stream": ([*feeding, *work], lots, 0.0),
        "read, cut": ([*cutting, *work], lots, 0.0),
        "tally": (counting, ranges, costs.tally_s * rows / 1e6),
        "judge": (judging, batches, 0.0),
    }
    yield (
        f"\nsimulated: {games / 1e6:,.0f} million games, {stored_bytes / 1e9:,.0f} GB stored, "
        f"{text / 1e9:,.0f} GB of text, {rows / 1e9:.1f} billion rows, {written * lots / 1e9:,.0f} GB of "
        f"tables, {costs.nodes / 1e9:,.1f} billion nodes"
    )
    yield "hours (and what is busiest, in per cent of the time)"
    yield f"{'workers':>7}" + "".join(f"{name:>30}" for name in stages)
    for workers in WORKERS:
        places = {"client": 1, "scheduler": 1, "disk": 1, "workers": workers}
        cells = []
        for route, jobs, alone_s in stages.values():
            run = send(route, jobs, places, max(4, 2 * workers))
            seconds = run.seconds + alone_s
            busiest = run.busiest if run.seconds >= alone_s else "client"
            share = run.busy[busiest] if busiest != "client" or not alone_s else alone_s / seconds
            cells.append(f"{seconds / 3600:12.2f} ({busiest} {share:.0%})")
        yield f"{workers:>7}" + "".join(f"{cell:>30}" for cell in cells)


if __name__ == "__main__":
    main()
