"""Whether advice holds on games that it was not made from.

    python benchmarks/steering.py GAMES.pgn[.zst] --cache FILE [--bands BAND,BAND] [--figure FILE.svg]

The games are split in two by a hash of their text. The tree is grown and valued on one half. On the other
half the opponents answer as players of the band really did there; our side follows the advice, or plays the
band's most popular move in each position, or the engine's first choice. A reply that was not looked at
counts as best play, and where the tree ends its verdict counts, for all three alike. Intervals: 90%, by
drawing the games of the second half anew, the same draws for all three.

The last line needs no engine: what players really scored, above what the ratings let expect, who chose the
recommended move in a game of the second half, less what the others did in the same position. Nobody told
them to, so those who chose it may differ from the others in more than the move.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import zstandard
from scipy import sparse

from miner.arrays import Floats
from miner.bars import Bars
from miner.distribution import with_extra
from miner.engine.identity import find_engine
from miner.judge.stage import judge
from miner.means import Means
from miner.read.stage import read
from miner.settings import JudgeSettings, ReadSettings, SteerSettings, TallySettings
from miner.steer import Advice, advise
from miner.steer.expectimax import OurPosition, TheirPosition, after_reply
from miner.store import Store
from miner.store.query import create_views
from miner.tally.stage import tally
from miner.terms import BandScheme, Side

DRAWS = 1000
TAIL = 0.05
MOST_GAP = 300  # rating points between players whose games count
POLICIES = ("advice", "most popular", "engine's choice")


@dataclass(frozen=True)
class Realised:
    """What each policy scores on the held-out games: the games as they are first, then one per draw."""

    side: Side
    band: str
    expected: float  # what the advice was said to be worth
    games: int  # held-out games of the band with the other colour
    values: Mapping[str, Floats]


def halves(games: Path, folder: Path) -> tuple[Path, Path]:
    """Two PGN files with the games, each in the one that a hash of its text says."""
    raw = games.read_bytes()
    if games.suffix == ".zst":
        raw = zstandard.ZstdDecompressor().stream_reader(io.BytesIO(raw), read_across_frames=True).read()
    texts = re.split(rb"(?m)^(?=\[Event )", raw)
    files = folder / "first.pgn", folder / "second.pgn"
    for half, file in enumerate(files):
        file.write_bytes(
            b"".join(one for one in texts if one and hashlib.sha256(one).digest()[0] % 2 == half)
        )
    return files


def popular_moves(advice: Advice) -> dict[int, int]:
    """The band's most popular move in each of our positions, the advice where it played none."""
    chosen = dict(advice.valued.chosen)
    for key in chosen:
        played = [one for one in advice.tallied.played.get(key, ()) if one.games_band]
        position = advice.tree[key]
        assert isinstance(position, OurPosition)
        known = {one.move for one in position.choices}
        if played and played[0].move in known:
            chosen[key] = played[0].move
    return chosen


def engine_moves(advice: Advice) -> dict[int, int]:
    """The engine's first choice in each of our positions."""
    return {
        key: position.choices[0].move
        for key, position in advice.tree.items()
        if isinstance(position, OurPosition)
    }


def held_out_rates(advice: Advice, moves: pd.DataFrame, weights: Floats) -> dict[int, Floats]:
    """For each of their positions the rates of its replies in the held-out games, the other moves last.

    `moves`: those of players of the band, with the game's number from 0; `weights` (1 + draws, games).
    Positions without a game are left out.
    """
    columns: dict[tuple[int, int], int] = {}
    firsts: dict[int, int] = {}
    for key, position in advice.tree.items():
        if isinstance(position, TheirPosition):
            firsts[key] = len(columns)
            for move in (*(one.move for one in position.replies), -1):
                columns[key, move] = len(columns)
    there = moves[moves["key"].isin(firsts)]
    places = [
        columns.get((key, move), columns[key, -1])
        for key, move in zip(there["key"].tolist(), there["move"].tolist(), strict=True)
    ]
    seen = sparse.csr_matrix(
        (np.ones(len(there)), (there["number"].to_numpy(), places)), shape=(weights.shape[1], len(columns))
    )
    counts = np.asarray(seen.T @ weights.T)
    rates = {}
    for key, first in firsts.items():
        position = advice.tree[key]
        assert isinstance(position, TheirPosition)
        chosen = counts[first : first + len(position.replies) + 1]
        total = chosen.sum(axis=0)
        if total[0] > 0:
            rest = np.zeros((len(chosen), 1))
            rest[-1] = 1.0
            rates[key] = np.where(total > 0, chosen / np.maximum(total, 1e-9), rest)
    return rates


def realised(advice: Advice, policy: Mapping[int, int], rates: Mapping[int, Floats], draws: int) -> Floats:
    """What the policy scores if the opponents answer by these rates, shape (1 + draws,)."""
    values: dict[int, Floats] = {}

    def followed(key: int, move: int, child: int | None) -> int | None:
        return child if child in values and (key, move) not in advice.valued.cut else None

    for key in advice.valued.positions:  # each after all that follow it
        position = advice.tree[key]
        if isinstance(position, OurPosition):
            [choice] = [one for one in position.choices if one.move == policy[key]]
            child = followed(key, choice.move, choice.child)
            leaf = np.full(1 + draws, advice.worth(choice.cp)[0])
            values[key] = leaf if child is None else values[child]
            continue
        best_play = np.full(1 + draws, advice.worth(position.cp)[0])
        if key not in rates:
            values[key] = best_play
            continue
        total = rates[key][-1] * best_play
        for reply, rate in zip(position.replies, rates[key], strict=False):
            child = followed(key, reply.move, reply.child)
            leaf = np.full(1 + draws, advice.worth(after_reply(advice.tree, position, reply))[0])
            total = total + rate * (leaf if child is None else values[child])
        values[key] = total
    return values[advice.root]


def held_out_moves(store: Store, bands: BandScheme) -> pd.DataFrame:
    """The moves of the second half between players of similar ratings.

    Number of the game from 0, key, move, ply, band, band of the opponent, and surplus: what the mover scored
    above the expectation by the ratings.
    """
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        moves: pd.DataFrame = connection.sql(
            "select game, ply, key, move, rating, rating_other as other, score from movers order by game, ply"
        ).to_df()
    moves["band"] = moves["rating"].map(bands.name_of)
    moves["band_of_other"] = moves["other"].map(bands.name_of)
    moves["number"] = moves["game"].rank(method="dense").astype(int) - 1
    gap = moves["rating"].astype(float) - moves["other"].astype(float)
    moves["surplus"] = moves["score"] / 2.0 - 1.0 / (1.0 + 10.0 ** (-gap / 400.0))
    return moves[gap.abs() <= MOST_GAP]


def choices_made(advice: Advice, moves: pd.DataFrame) -> pd.DataFrame:
    """The moves that players chose in our positions against the band, and whether each was recommended."""
    of_band = (moves["band_of_other"] == advice.band) & ((moves["ply"] % 2 == 0) == advice.side.color)
    made = moves[of_band & moves["key"].isin(advice.valued.chosen)]
    chosen = made["key"].map(advice.valued.chosen)
    cell = f"{advice.side} {advice.band} " + made["key"].astype(str)
    return made.assign(recommended=made["move"] == chosen, cell=cell)


def surplus_of_recommended(made: pd.DataFrame, weights: Floats) -> Floats:
    """Mean surplus of those who chose the recommended move less that of the others in the same position.

    Positions weigh by n m / (n + m) (Cochran-Mantel-Haenszel); shape (1 + draws,).
    """
    cells = made["cell"].astype("category").cat.codes.to_numpy()
    sums = []
    for chosen in (True, False):
        rows = (made["recommended"] == chosen).to_numpy()
        shape = (weights.shape[1], int(cells.max()) + 1)
        where = (made["number"].to_numpy()[rows], cells[rows])
        sums += [
            np.asarray(sparse.csr_matrix((values, where), shape=shape).T @ weights.T)
            for values in (np.ones(rows.sum()), made["surplus"].to_numpy()[rows])
        ]
    n, n_sum, m, m_sum = sums
    weight = np.divide(n * m, n + m, out=np.zeros_like(n), where=n + m > 0)
    difference = n_sum / np.maximum(n, 1.0) - m_sum / np.maximum(m, 1.0)
    gain: Floats = (weight * difference).sum(axis=0) / weight.sum(axis=0)
    return gain


def summary(values: Floats) -> str:
    """The value and its interval."""
    low, high = np.quantile(values[1:], [TAIL, 1.0 - TAIL])
    return f"{values[0]:+.4f} ({low:+.4f} to {high:+.4f})"


def report(found: list[Realised]) -> str:
    """The table: values of the three, then what the advice gains."""
    lines = [f"{'side':<6}{'band':<11}{'games':>6}{'told':>8}" + "".join(f"{one:>18}" for one in POLICIES)]
    for one in found:
        values = "".join(f"{one.values[name][0]:>18.4f}" for name in POLICIES)
        lines.append(f"{one.side:<6}{one.band:<11}{one.games:>6,}{one.expected:>8.4f}{values}")
    lines.append("")
    for name in POLICIES[1:]:
        lines.append(f"advice less {name}:")
        gains = [one.values["advice"] - one.values[name] for one in found]
        lines += [
            f"  {one.side:<6}{one.band:<11}{summary(gain)}" for one, gain in zip(found, gains, strict=True)
        ]
        lines.append(f"  {'mean of all':<17}{summary(np.mean(gains, axis=0))}")
    return "\n".join(lines)


def draw_figure(found: list[Realised], file: Path) -> None:
    """The three values with their intervals, a row for each band and side."""
    try:
        import_module("matplotlib").use("Agg")
        plt = import_module("matplotlib.pyplot")
    except ImportError as error:
        raise SystemExit(f"the figure needs matplotlib: {with_extra('plots')}") from error
    figure, axes = plt.subplots(figsize=(7.0, 1.2 + 0.55 * len(found)), layout="constrained")
    for offset, (name, marker) in enumerate(zip(POLICIES, "os^", strict=True)):
        values = [one.values[name] for one in found]
        low, high = np.quantile(np.array(values)[:, 1:], [TAIL, 1.0 - TAIL], axis=1)
        centre = np.array([one[0] for one in values])
        axes.errorbar(
            centre,
            np.arange(len(found)) + 0.2 * (offset - 1),
            xerr=np.maximum(0.0, [centre - low, high - centre]),
            fmt=marker,
            capsize=2,
            label=name,
        )
    axes.set_yticks(range(len(found)), [f"{one.side}, {one.band}" for one in found])
    axes.invert_yaxis()
    axes.set_xlabel("points per game on held-out games, 90% intervals")
    axes.legend()
    figure.savefig(file)


def main() -> None:
    """Split, advise on one half, and score on the other."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("games", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--bands", default="1200-1399,1400-1599,1600-1799")
    parser.add_argument("--nodes", type=int, default=20_000)
    parser.add_argument("--figure", type=Path)
    asked = parser.parse_args()
    engine = find_engine()
    tallying = TallySettings(min_games=6)
    found: list[Realised] = []
    made: list[pd.DataFrame] = []
    with tempfile.TemporaryDirectory() as folder:
        first, second = halves(asked.games, Path(folder))
        store, other = Store.create(Path(folder, "advised")), Store.create(Path(folder, "held-out"))
        read([str(first)], store, ReadSettings(), Means(progress=Bars()))
        read([str(second)], other, ReadSettings(), Means(progress=Bars()))
        tally(store, tallying, Means(progress=Bars()))
        budgets = JudgeSettings(nodes=(asked.nodes, 5 * asked.nodes))
        judge(store, budgets, Means(engine=engine, cache=asked.cache, progress=Bars()))
        moves = held_out_moves(other, tallying.bands)
        games = int(moves["number"].max()) + 1
        drawn = np.random.default_rng(64).multinomial(games, np.full(games, 1.0 / games), size=DRAWS)
        weights = np.vstack([np.ones(games), drawn])
        for band in asked.bands.split(","):
            for side in Side:
                settings = SteerSettings(nodes=asked.nodes)
                advice = advise(
                    store, side, band, settings, Means(engine=engine, cache=asked.cache, progress=Bars())
                )
                of_band = moves[(moves["band"] == band) & ((moves["ply"] % 2 == 1) == side.color)]
                rates = held_out_rates(advice, of_band, weights)
                policies = (dict(advice.valued.chosen), popular_moves(advice), engine_moves(advice))
                values = {
                    name: realised(advice, policy, rates, DRAWS)
                    for name, policy in zip(POLICIES, policies, strict=True)
                }
                made.append(choices_made(advice, moves))
                found.append(Realised(side, band, advice.value[0], of_band["number"].nunique(), values))
    print(report(found))
    surplus = surplus_of_recommended(pd.concat(made), weights)
    print(f"\nreal score of those who chose the recommended move less that of the others: {summary(surplus)}")
    if asked.figure:
        draw_figure(found, asked.figure)


if __name__ == "__main__":
    main()
