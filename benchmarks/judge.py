"""How busy the pool keeps the engines: its nodes/s against those of the bare engine on the same searches.

    python benchmarks/judge.py STORE [--positions 30] [--rounds 3] [--json PLACE]

Each round judges other positions from an empty cache, and lets as many bare engine processes as there are
cores do the very same searches in a plain loop. Busy is the pool's nodes
over what those engines would have searched in the pool's wall time: 1 is perfect. The engine's own `bench`
command, one thread on its own positions, tells how fast this engine is on this machine.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from benchmarks import record
from benchmarks.record import Figure
from miner.engine.cache import VerdictCache
from miner.engine.consult import consult
from miner.engine.dispatch import Work, engine_options, identify
from miner.engine.identity import find_engine
from miner.engine.verdicts import Request
from miner.judge.candidates import Position
from miner.judge.inquiry import Questions, first_look, is_open, look_deeper
from miner.judge.stage import to_judge
from miner.means import Means
from miner.settings import JudgeSettings
from miner.store import Store


@dataclass
class Bare:
    """What bare engines did."""

    nodes: int = 0
    seconds: float = 0.0  # of all processes, added up

    @property
    def nodes_per_s(self) -> float:
        """Of one process."""
        return self.nodes / self.seconds


def pooled(
    program: Path, positions: list[Position], settings: JudgeSettings, engines: int
) -> tuple[Work, list[Request]]:
    """The work of the pool from an empty cache, and the searches it took."""
    requests: list[Request] = []

    def noted(questions: Questions) -> Questions:
        asked = next(questions)
        while True:
            requests.extend(asked)
            try:
                asked = questions.send((yield asked))
            except StopIteration as end:
                return list(end.value)

    with tempfile.TemporaryDirectory() as folder:
        identity = identify(Means(engine=program), settings.hash_mb)
        with VerdictCache(Path(folder, "verdicts.sqlite"), identity) as cache:
            _, work = consult(
                (noted(judged_alone(position, settings)) for position in positions),
                Means(engine=program, engines=engines),
                hash_mb=settings.hash_mb,
                cache=cache,
            )
    return work, requests


def judged_alone(position: Position, settings: JudgeSettings) -> Questions:
    """The inquiry that judges a position's candidates to their end, whatever others promise."""
    judgements = yield from first_look(position, settings)
    if still_open := [one for one in judgements if is_open(one, settings)]:
        yield from look_deeper(still_open, settings)
    return judgements


def bare(program: Path, requests: list[Request], hash_mb: int, engines: int) -> Bare:
    """The same searches by engines that wait for nobody, dealt out so that all end at about the same time."""
    hands: list[list[Request]] = [[] for _ in range(engines)]
    for request in sorted(requests, key=lambda one: -one.nodes):
        min(hands, key=lambda hand: sum(one.nodes for one in hand)).append(request)
    with ThreadPoolExecutor(engines) as threads:
        done = list(threads.map(lambda hand: bare_loop(program, hand, hash_mb), hands))
    return Bare(sum(one.nodes for one in done), sum(one.seconds for one in done))


def bare_loop(program: Path, requests: list[Request], hash_mb: int) -> Bare:
    with subprocess.Popen(
        [program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        bufsize=1,
        start_new_session=True,  # as the pool's: some systems share the cores out by session
    ) as engine:
        assert engine.stdin is not None
        assert engine.stdout is not None
        for name, value in engine_options(hash_mb).items():
            engine.stdin.write(f"setoption name {name} value {value}\n")
        engine.stdin.write("isready\n")
        while not engine.stdout.readline().startswith("readyok"):
            pass
        nodes, began = 0, time.perf_counter()
        for request in requests:
            moves = f" searchmoves {' '.join(request.searchmoves)}" if request.searchmoves else ""
            engine.stdin.write(f"ucinewgame\nposition fen {request.fen}\ngo nodes {request.nodes}{moves}\n")
            last = ""
            while not (line := engine.stdout.readline()).startswith("bestmove"):
                last = line if " nodes " in line else last
            nodes += int(last.split(" nodes ")[1].split()[0])
        seconds = time.perf_counter() - began
        engine.stdin.write("quit\n")
    return Bare(nodes, seconds)


def own_bench(program: Path) -> float | None:
    """Nodes per second that the engine's `bench` command tells; None: it has no such command."""
    try:
        done = subprocess.run([program, "bench"], capture_output=True, text=True, input="quit\n", timeout=120)
    except subprocess.TimeoutExpired:
        return None
    told = re.search(r"nodes/second\s*:\s*(\d+)", done.stdout + done.stderr, re.IGNORECASE)
    return float(told[1]) if told else None


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("store", type=Path)
    parser.add_argument("--positions", type=int, default=30, help="per round")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--engine")
    parser.add_argument("--engines", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--json", type=Path, help="also add the figures to this run")
    given = parser.parse_args()

    settings, store, program = JudgeSettings(), Store.open(given.store), find_engine(given.engine)
    positions, _ = to_judge(store, settings)
    bench = own_bench(program)
    pool_nodes, could, wall_s = 0, 0.0, 0.0
    for number in range(given.rounds):
        # Every n-th position: each round gets valuable and less valuable ones.
        part = positions[number :: max(given.rounds, len(positions) // given.positions)][: given.positions]
        work, requests = pooled(program, part, settings, given.engines)
        alone = bare(program, requests, settings.hash_mb, given.engines)
        pool_nodes += work.nodes
        wall_s += work.wall_s
        could += alone.nodes_per_s * given.engines * work.wall_s
        print(
            f"round {number + 1}: {work.searches} searches, {work.nodes / 1e6:.1f}M nodes "
            f"in {work.wall_s:.1f} s; "
            f"bare engine {alone.nodes_per_s:,.0f} nodes/s each of {given.engines}; "
            f"busy {work.nodes / (alone.nodes_per_s * given.engines * work.wall_s):.1%} "
            f"(by the pool's own clock {work.busy:.1%})"
        )
    print(f"engines busy: {pool_nodes / could:.1%}")
    per_engine = pool_nodes / wall_s / given.engines
    figures = {
        "engines busy": Figure(pool_nodes / could, "", "higher"),
        "pool, per engine": Figure(per_engine, "nodes/s", "higher"),
        "bare engine": Figure(could / wall_s / given.engines, "nodes/s", "higher"),
    }
    if bench:
        figures["engine's own bench"] = Figure(bench, "nodes/s", "higher")
        figures["pool, per engine, to its own bench"] = Figure(per_engine / bench, "", "higher")
    record.show(figures)
    if given.json:
        record.save(given.json, "judge", figures)


if __name__ == "__main__":
    main()
