"""What the staged budgets find of what the deepest budget finds on everything, and for how many nodes.

    python benchmarks/staged.py STORE... --cache FILE [--sample 300] [--seed 1]

Draws a random sample of candidates from each store. The baseline searches every position and every reply at
the deepest budget; it is slow (hours of one core for large samples) and goes on where it was broken off.
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import chess
from tqdm import tqdm

from benchmarks.judge import judged_alone
from miner.engine.cache import VerdictCache
from miner.engine.consult import consult
from miner.engine.dispatch import Work, identify
from miner.engine.identity import find_engine
from miner.engine.verdicts import Request, Verdict
from miner.judge.candidates import MOST_LOST, Position
from miner.judge.inquiry import Judgement, Questions, look
from miner.judge.stage import to_judge
from miner.means import Means
from miner.settings import JudgeSettings
from miner.store import Store

Finding = tuple[int, int]  # key and move


@dataclass
class Outcome:
    """Judgements by key and move, and the nodes of all searches that led to them."""

    judgements: dict[Finding, Judgement] = field(default_factory=dict)
    nodes: int = 0


@dataclass
class Bench:
    """One engine, one cache, one list of positions."""

    engine: Path
    cache: Path
    engines: int | None
    hash_mb: int

    def run(self, positions: list[Position], inquiries: Iterator[Questions], what: str) -> Outcome:
        """What the inquiries find, through the cache."""
        searched: dict[Request, int] = {}
        identity = identify(Means(engine=self.engine), self.hash_mb)
        with (
            VerdictCache(self.cache, identity) as cache,
            tqdm(total=len(positions), desc=what, leave=False) as bar,
        ):

            def tell(finished: int, _work: Work) -> None:
                bar.update(finished - bar.n)

            found, _ = consult(
                (counted(one, searched) for one in inquiries),
                Means(engine=self.engine, engines=self.engines),
                hash_mb=self.hash_mb,
                cache=cache,
                on_progress=tell,
            )
        judged = {(one.position.key, one.candidate.packed): one for part in found for one in part}
        return Outcome(judged, sum(searched.values()))


def counted(questions: Questions, searched: dict[Request, int]) -> Questions:
    """The same inquiry; notes the nodes of every search once, also of those that were in the cache."""
    requests = next(questions)
    while True:
        answers = yield requests
        for request, answer in zip(requests, answers, strict=True):
            if isinstance(answer, Verdict):
                searched[request] = answer.nodes
        try:
            requests = questions.send(answers)
        except StopIteration as end:
            judgements: list[Judgement] = end.value
            return judgements


def exhaustive(position: Position, nodes: int) -> Questions:
    """The baseline: every candidate at the deepest budget."""
    judgements = [Judgement(position, candidate) for candidate in position.candidates]
    yield from look(chess.Board(position.fen), judgements, nodes)
    return judgements


def sample_of(store: Path, settings: JudgeSettings, size: int, seed: int) -> list[Position]:
    opened = Store.open(store)
    positions, _ = to_judge(opened, settings)
    candidates = [(position.key, candidate) for position in positions for candidate in position.candidates]
    # By a hash of each candidate, so that another candidate more or less does not change the whole sample.
    candidates.sort(key=lambda pair: hashlib.sha256(f"{seed} {pair[0]} {pair[1].packed}".encode()).digest())
    drawn = set(candidates[:size])
    parts = [
        replace(
            position,
            candidates=tuple(each for each in position.candidates if (position.key, each) in drawn),
        )
        for position in positions
    ]
    return [position for position in parts if position.candidates]


def points(one: Judgement) -> float:
    """Points per 100 games, in the band where that is most."""
    return one.candidate.worth / MOST_LOST * one.loss


def compare(outcome: Outcome, baseline: Outcome, settings: JudgeSettings) -> str:
    """One line of the table."""

    def losing(judged: Outcome) -> dict[Finding, Judgement]:
        found = judged.judgements.items()
        return {key: one for key, one in found if not one.failure and one.loss >= settings.loss_threshold}

    truth, shown = losing(baseline), losing(outcome)
    whole = sum(map(points, truth.values()))
    missed = {key: one for key, one in truth.items() if key not in shown}
    share = 1 - sum(map(points, missed.values())) / whole if whole else 1.0
    great = sum(points(one) >= 1 for one in missed.values())
    alarms = [one for key, one in shown.items() if key not in truth]
    depths = "/".join(
        str(sum(one.looks[-1].nodes == nodes for one in outcome.judgements.values() if one.looks))
        for nodes in settings.nodes
    )
    nodes = ",".join(f"{one // 1000}k" for one in settings.nodes)
    keep = ",".join(map(str, settings.keep))
    return (
        f"{nodes:>22} {keep:>12} {depths:>14} {len(truth):>6} {whole:>8.2f} {share:>7.1%} {len(missed):>6} "
        f"{great:>6} {len(alarms):>6} {sum(map(points, alarms)):>7.2f} "
        f"{outcome.nodes / 1e6:>8.1f}M {outcome.nodes / baseline.nodes:>6.1%}"
    )


HEAD = (
    f"{'nodes':>22} {'keep':>12} {'ended at':>14} {'losing':>6} {'points':>8} {'kept':>7} {'missed':>6} "
    f"{'>=1 pt':>6} {'alarms':>6} {'points':>7} {'nodes':>9} {'share':>6}"
)


def alternatives(settings: JudgeSettings) -> list[JudgeSettings]:
    """The settings themselves, and others with the same deepest budget."""
    last = settings.nodes[-1]
    ladders = [
        ((last // 16, last // 4, last), (0.35, 0.7)),
        ((last // 32, last // 8, last), (0.2, 0.6)),
        ((last // 64, last // 16, last), (0.2, 0.6)),
        ((last // 32, last // 16, last // 8, last), (0.2, 0.5, 0.7)),
        ((last // 16, last), (0.6,)),
    ]
    return [settings, *(dataclasses.replace(settings, nodes=n, keep=k) for n, k in ladders)]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("stores", nargs="+", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--sample", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--engine")
    parser.add_argument("--engines", type=int)
    parser.add_argument("--nodes", help="budgets, comma-separated (default: the settings')")
    parser.add_argument("--alternatives", action="store_true", help="other budgets too")
    given = parser.parse_args()

    settings = JudgeSettings()
    if given.nodes:
        settings = dataclasses.replace(settings, nodes=tuple(map(int, given.nodes.split(","))))
    bench = Bench(find_engine(given.engine), given.cache, given.engines, settings.hash_mb)
    for store in given.stores:
        positions = sample_of(store, settings, given.sample, given.seed)
        candidates = sum(len(position.candidates) for position in positions)
        deepest = settings.nodes[-1]
        baseline = bench.run(positions, (exhaustive(one, deepest) for one in positions), "exhaustive")
        print(f"{store.name}: {candidates} candidates in {len(positions)} positions, seed {given.seed}")
        print(f"exhaustive at {deepest:,} nodes: {baseline.nodes / 1e6:,.1f}M nodes\n{HEAD}")
        for one in alternatives(settings) if given.alternatives else [settings]:
            staged = bench.run(positions, (judged_alone(position, one) for position in positions), "staged")
            print(compare(staged, baseline, one))


if __name__ == "__main__":
    main()
