"""How the tally grows with the data: seconds, peak memory, exponent; against a plain count by pandas.

    python benchmarks/tally.py STORE [--millions 10 20 40] [--memory 1024]

STORE holds games that were read. Its moves are copied as often as is needed, each copy with game numbers and
players of its own, to a folder for temporary files (half a GB for 40 million rows), and tallied in a process
of its own. Wall time depends on what else the machine does; the exponent is told for processor time, too.
Copies repeat positions, and lift more of them over the floor than other games would: what is done for each
position grows faster than the rows do.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from miner.schema import GAMES, MOVES
from miner.settings import TallySettings
from miner.store import Manifest, Store
from miner.tally.replies import Resources
from miner.tally.stage import tally

MILLION = 1_000_000


def main() -> None:
    """Print a line for each size, then what it grows by."""
    options = _options()
    if options.child:
        _tally_here(options.store, options.memory)
        return
    baseline = _pandas_rows_per_s(Store.open(options.store), options.sample * MILLION)
    print(f"pandas groupby of {options.sample} million rows in memory: {baseline:,.0f} rows/cpu s")
    print(
        f"{'rows':>12} {'wall s':>8} {'cpu s':>8} {'rows/cpu s':>11} {'to pandas':>9} {'peak MiB':>9} "
        f"{'positions':>10} {'replies':>10}"
    )
    runs: list[dict[str, Any]] = []
    for millions in options.millions:
        with tempfile.TemporaryDirectory(prefix="tally-") as folder:
            store = _enlarged(Store.open(options.store), Path(folder) / "store", int(millions * MILLION))
            told = _tally_in_a_process(store, options.memory)
        runs.append(told)
        speed = told["rows"] / told["cpu_s"]
        print(
            f"{told['rows']:>12,} {told['wall_s']:>8.1f} {told['cpu_s']:>8.1f} {speed:>11,.0f} "
            f"{speed / baseline:>9.2f} {told['peak_mib']:>9,.0f} {told['positions']:>10,} "
            f"{told['replies']:>10,}",
            flush=True,
        )
    for less, more in pairwise(runs):
        powers = [
            math.log(more[name] / less[name]) / math.log(more["rows"] / less["rows"])
            for name in ("wall_s", "cpu_s")
        ]
        print(
            f"from {less['rows']:,} to {more['rows']:,} rows wall time grows by the power {powers[0]:.2f}, "
            f"processor time by {powers[1]:.2f}"
        )


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("store", type=Path)
    parser.add_argument("--millions", type=float, nargs="+", default=[10, 20, 40], help="millions of rows")
    parser.add_argument("--memory", type=int, default=1024, help="MiB that the counting may use")
    parser.add_argument("--sample", type=float, default=2, help="millions of rows for pandas")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


def _enlarged(source: Store, root: Path, rows: int) -> Store:
    """A store with copies of the source's games, the last one cut off after so many rows of moves in all."""
    store = Store.create(root)
    for name in ("games", "moves"):
        store.path(name).mkdir()
    games = source.require("read").rows["games"]
    written = copy = 0
    while written < rows:
        written += _copy_moves(source, store, copy, games, rows - written)
        _copy_games(source, store, copy, games)
        copy += 1
    store.finish(
        Manifest(
            stage="read",
            settings={},
            inputs={"sources": []},
            rows={"games": copy * games, "moves": written},
            facts={},
        )
    )
    return store


def _copy_moves(source: Store, store: Store, copy: int, games: int, most: int) -> int:
    """Copy the moves file by file, up to `most` rows; gives the rows written."""
    written = 0
    for place, file in enumerate(sorted(source.path("moves").glob("*.parquet"))):
        if written >= most:
            break
        table = pq.read_table(file).slice(0, most - written)
        player = table["player"].to_numpy()
        # A multiple of an odd number: other players in each copy, and 0 (not known) stays 0.
        others = player * np.uint32(2 * copy + 1)
        table = table.set_column(
            table.column_names.index("game"),
            "game",
            pc.add(table["game"], pa.scalar(copy * games, pa.uint32())),
        ).set_column(table.column_names.index("player"), "player", pa.array(others, pa.uint32()))
        pq.write_table(
            table.cast(MOVES), store.path("moves") / f"{copy:03}-{place:05}.parquet", compression="zstd"
        )
        written += table.num_rows
    return written


def _copy_games(source: Store, store: Store, copy: int, games: int) -> None:
    for place, file in enumerate(sorted(source.path("games").glob("*.parquet"))):
        table = pq.read_table(file)
        shifted = pc.add(table["game"], pa.scalar(copy * games, pa.uint32()))
        table = table.set_column(table.column_names.index("game"), "game", shifted).cast(GAMES)
        pq.write_table(table, store.path("games") / f"{copy:03}-{place:05}.parquet", compression="zstd")


def _tally_in_a_process(store: Store, memory_mb: int) -> dict[str, Any]:
    command = [sys.executable, __file__, str(store.root), "--child", "--memory", str(memory_mb)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def _tally_here(root: Path, memory_mb: int) -> None:
    store = Store.open(root)
    began = time.perf_counter()
    manifest = tally(store, TallySettings(), resources=Resources(memory_mb=memory_mb))
    wall_s = time.perf_counter() - began
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(
        json.dumps(
            {
                "rows": store.require("read").rows["moves"],
                "wall_s": wall_s,
                "cpu_s": used.ru_utime + used.ru_stime,
                "peak_mib": used.ru_maxrss / 1024,
                "positions": manifest.rows["positions"],
                "replies": manifest.rows["replies"],
            }
        )
    )


def _pandas_rows_per_s(store: Store, rows: float) -> float:
    """Rows per second of the plain count on rows that are in memory already."""
    parts, loaded = [], 0
    for file in sorted(store.path("moves").glob("*.parquet")):
        if loaded >= rows:
            break
        parts.append(pq.read_table(file).slice(0, int(rows) - loaded).to_pandas())
        loaded += len(parts[-1])
    moves = pd.concat(parts, ignore_index=True)
    began = time.process_time()
    edges = (0, 1, *TallySettings().band_edges)
    band = np.searchsorted(edges, moves["rating"], side="right")
    counted = (
        moves.assign(band=band)
        .groupby(["key", "move", "band"])
        .agg(
            games=("score", "size"),
            players=("player", "nunique"),
            score=("score", "sum"),
            rating=("rating", "sum"),
        )
    )
    assert counted["games"].sum() == len(moves)
    return len(moves) / (time.process_time() - began)


if __name__ == "__main__":
    main()
