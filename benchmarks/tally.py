"""How the tally grows with the data: seconds, peak memory, exponent; against a plain count by pandas.

    python benchmarks/tally.py STORE [--millions 10 20 40] [--memory 1024] [--alike] [--json PLACE]

STORE holds games that were read. Its games are copied as often as is needed, each copy with game numbers and
players of its own, to a folder for temporary files (half a GB for 40 million rows), and tallied in a process
of its own. Wall time depends on what else the machine does; the exponent is told for processor time, too.

Each copy begins with a pair of rook pawn moves of its own, so that its positions are its own, too: then the
positions above the floor grow as the rows do, which is how they grow with real games (146,000 games of
masters and their halves, quarters and eighths: by the power 0.97 to 0.98). With --alike the copies are exact.
That is the worst case: each copy lifts more positions over the floor, in the end all that there are, so that
what is done for each position grows much faster than the rows do. Time is told per row and per position.
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

import chess
import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from benchmarks import record
from benchmarks.record import Figure
from miner.board.moves import pack
from miner.board.play import Boards
from miner.means import Means
from miner.schema import GAMES, KEPT, METHODS, MOVES
from miner.settings import TallySettings
from miner.store import Manifest, Store, digest_of
from miner.store.query import create_views
from miner.tally.stage import tally

MILLION = 1_000_000

_ROW_GROUP = 1 << 17  # the reader's: a key range is read without the groups that lie outside it
FLOOR = 10  # games through a position, whatever the store holds: else the floor would grow on the way

FIRST_MOVES = [
    tuple(pack(chess.Move.from_uci(uci)) for uci in (white, black))
    for white in ("a2a3", "h2h3", "a2a4", "h2h4")
    for black in ("a7a6", "h7h6", "a7a5", "h7h5")
]
"""What copies begin with; the first copy is the games as they are."""


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
        f"{'positions':>10} {'replies':>10} {'us/row':>7} {'us/position':>11}"
    )
    figures = {"pandas groupby in memory": Figure(baseline, "rows/cpu s", "higher")}
    runs: list[dict[str, Any]] = []
    for millions in options.millions:
        with tempfile.TemporaryDirectory(prefix="tally-") as folder:
            rows = int(millions * MILLION)
            root = Path(folder) / "store"
            store = _enlarged(Store.open(options.store), root, rows, options.alike)
            told = _tally_in_a_process(store, options.memory)
        runs.append(told)
        speed = told["rows"] / told["cpu_s"]
        print(
            f"{told['rows']:>12,} {told['wall_s']:>8.1f} {told['cpu_s']:>8.1f} {speed:>11,.0f} "
            f"{speed / baseline:>9.2f} {told['peak_mib']:>9,.0f} {told['positions']:>10,} "
            f"{told['replies']:>10,} {told['cpu_s'] / told['rows'] * MILLION:>7.2f} "
            f"{told['cpu_s'] / told['positions'] * MILLION:>11.1f}",
            flush=True,
        )
        figures |= _figures(told, baseline)
    for less, more in pairwise(runs):
        powers = [
            math.log(more[name] / less[name]) / math.log(more["rows"] / less["rows"])
            for name in ("wall_s", "cpu_s", "positions")
        ]
        print(
            f"from {less['rows']:,} to {more['rows']:,} rows wall time grows by the power {powers[0]:.2f}, "
            f"processor time by {powers[1]:.2f}, the positions by {powers[2]:.2f}"
        )
        figures[f"power of processor time up to {more['rows']:,} rows"] = Figure(powers[1], "", "lower")
    if options.json:
        record.save(options.json, "tally, alike" if options.alike else "tally", figures)


def _figures(told: dict[str, Any], baseline: float) -> dict[str, Figure]:
    speed, size = told["rows"] / told["cpu_s"], f"{told['rows']:,} rows"
    return {
        f"{size}: wall": Figure(told["wall_s"], "s", "lower"),
        f"{size}: speed": Figure(speed, "rows/cpu s", "higher"),
        f"{size}: to pandas": Figure(speed / baseline, "", "higher"),
        f"{size}: peak": Figure(told["peak_mib"], "MiB", "lower"),
        f"{size}: positions": Figure(told["positions"], ""),
    }


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("store", type=Path)
    parser.add_argument("--millions", type=float, nargs="+", default=[10, 20, 40], help="millions of rows")
    parser.add_argument("--memory", type=int, default=1024, help="MiB that the counting may use")
    parser.add_argument("--sample", type=float, default=2, help="millions of rows for pandas")
    parser.add_argument("--alike", action="store_true", help="exact copies: the worst case")
    parser.add_argument("--json", type=Path, help="also add the figures to this run")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


def _enlarged(source: Store, root: Path, rows: int, alike: bool) -> Store:
    """A store with copies of the source's games, the last one cut off after so many rows of moves in all."""
    store = Store.create(root)
    for name in ("games", "moves"):
        store.path(name).mkdir()
    games = source.require("read").rows["games"]
    written = copy = 0
    while written < rows:
        first = FIRST_MOVES[copy - 1] if copy and not alike else ()
        written += _copy_moves(source, store, copy, first, games, rows - written)
        _copy_games(source, store, copy, games)
        copy += 1
    store.record(
        Manifest(
            stage="read",
            settings={},
            inputs={"sources": []},
            rows={"games": copy * games, "moves": written},
            facts={"ledger": dict.fromkeys(KEPT, 0) | {"kept": copy * games}},
            digests={name: digest_of(store.root / name) for name in store.files_of("read")},
            method=METHODS["read"],
        )
    )
    return store


def _copy_moves(source: Store, store: Store, copy: int, first: tuple[int, ...], games: int, most: int) -> int:
    """Copy the moves file by file, up to `most` rows; gives the rows written."""
    written = 0
    for place, file in enumerate(sorted(source.path("moves").glob("*.parquet"))):
        if written >= most:
            break
        table = pq.read_table(file)
        table = (_begun_with(table, first) if first else table).slice(0, most - written)
        table = table.set_column(
            table.column_names.index("game"),
            "game",
            pc.add(table["game"], pa.scalar(copy * games, pa.uint32())),
        )
        pq.write_table(
            table.cast(MOVES),
            store.path("moves") / f"{copy:03}-{place:05}.parquet",
            compression="zstd",
            row_group_size=_ROW_GROUP,
        )
        written += table.num_rows
    return written


def _begun_with(moves: pa.Table, first: tuple[int, ...]) -> pa.Table:
    """The games with two more plies at the start and their last two cut off.

    A game ends where its next move cannot be made any more, or where a repeated position has no row.
    """
    moves = moves.sort_by([("game", "ascending"), ("ply", "ascending")])
    game, ply = moves["game"].to_numpy(), moves["ply"].to_numpy().astype(np.int64)
    begins = np.flatnonzero(np.r_[True, game[1:] != game[:-1]])
    lengths = np.diff(np.r_[begins, len(game)])
    plies = int(ply.max()) + 1
    boards, at = Boards.start().take(np.zeros(len(begins), dtype=np.int64)), begins
    parts: list[tuple[npt.NDArray[Any], ...]] = []  # rows, plies, keys, moves
    for number in range(plies):
        # The mover of the first two plies is whoever moves at those plies in the game itself.
        rows = np.minimum(at + (number - len(first) if number >= len(first) else number), len(game) - 1)
        if number < len(first):
            goes_on, played = lengths > 1, np.full(len(at), first[number], dtype=np.uint16)
        else:
            played = moves["move"].to_numpy()[rows]
            is_next = (lengths > number - len(first)) & (ply[rows] == number - len(first))
            goes_on = is_next & _is_possible(boards, played)
        boards = boards.take(np.flatnonzero(goes_on))
        at, lengths, rows, played = at[goes_on], lengths[goes_on], rows[goes_on], played[goes_on]
        parts.append((rows, np.full(len(rows), number), boards.keys, played))
        boards = boards.after(played)
    taken, numbers, keys, played = (np.concatenate(one) for one in zip(*parts, strict=True))
    order = np.lexsort((game[taken], keys))  # as the reader writes them
    columns = {name: moves[name].take(pa.array(taken[order])) for name in moves.column_names}
    columns |= {"ply": numbers[order].astype(np.uint8), "key": keys[order], "move": played[order]}
    return pa.table(columns).cast(MOVES)


def _is_possible(boards: Boards, moves: npt.NDArray[np.uint16]) -> npt.NDArray[np.bool_]:
    """Whether a piece of the mover's stands where a move begins, and none where it ends."""
    rows = np.arange(len(boards))
    mover = np.where(boards.white_to_move, 0, 1)
    origin, target = (boards.squares[rows, moves >> shift & 0x3F] for shift in (6, 0))
    possible: npt.NDArray[np.bool_] = (origin > 0) & ((origin > 6) == mover)
    possible &= (target == 0) | ((target > 6) != mover)
    return possible


def _copy_games(source: Store, store: Store, copy: int, games: int) -> None:
    for place, file in enumerate(sorted(source.path("games").glob("*.parquet"))):
        table = pq.read_table(file)
        shifted = pc.add(table["game"], pa.scalar(copy * games, pa.uint32()))
        table = table.set_column(table.column_names.index("game"), "game", shifted)
        for name in ("white_player", "black_player"):
            # A multiple of an odd number: other players in each copy, and 0 (not known) stays 0.
            others = table[name].to_numpy() * np.uint32(2 * copy + 1)
            table = table.set_column(table.column_names.index(name), name, pa.array(others, pa.uint32()))
        table = table.cast(GAMES)
        pq.write_table(table, store.path("games") / f"{copy:03}-{place:05}.parquet", compression="zstd")


def _tally_in_a_process(store: Store, memory_mb: int) -> dict[str, Any]:
    command = [sys.executable, __file__, str(store.root), "--child", "--memory", str(memory_mb)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def _tally_here(root: Path, memory_mb: int) -> None:
    store = Store.open(root)
    began = time.perf_counter()
    manifest = tally(store, TallySettings(min_games=FLOOR), Means(memory_mb=memory_mb))
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
    with duckdb.connect() as connection:
        create_views(connection, store.path("moves"), store.path("games"))
        moves = connection.sql(
            f"select key, move, rating, player, score from movers limit {int(rows)}"
        ).to_df()
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
