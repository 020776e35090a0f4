"""How fast games are read, against a python-chess loop and the compiled reader alone, and in what memory.

    python benchmarks/read.py SOURCE [--rounds 3] [--sample 2000] [--memory] [--json FILE]

SOURCE is a file of PGN, as it is or compressed with zstd. All speeds are of one run, taken in turn, the best
of the rounds, so that their ratios hold on a machine that does other work as well. `--memory` reads the
source once and ten times over (as many zstd frames, all but the first of repeated games; and with other
names, so that no game is a repeated one) and tells the peak of resident memory, workers included.
"""

from __future__ import annotations

import argparse
import io
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import chess.pgn
import chess.polyglot
import numpy as np
import pyarrow as pa
import rust_pgn_reader_python_binding as compiled
import zstandard

from miner.read.games import find_games, one_line_end
from miner.read.lines import Lines
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Store

PLIES = ReadSettings().plies
SLICE = 30_000  # games given to the compiled reader at a time, besides all at once


def plain_text(source: Path) -> bytes:
    data = source.read_bytes()
    if source.suffix == ".zst":
        data = zstandard.ZstdDecompressor().stream_reader(data, read_across_frames=True).read()
    return one_line_end(data)


def games_of(text: bytes) -> list[str]:
    games = find_games(Lines(text), np.array([0]))
    spans = zip(games.starts.tolist(), games.ends.tolist(), strict=True)
    return [text[start:end].decode("latin-1") for start, end in spans]


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def python_chess_loop(games: list[str]) -> None:
    """Read games and compute the key before each kept ply."""
    for text in games:
        game = chess.pgn.read_game(io.StringIO(text))
        assert game is not None, "a sampled game is not seen by python-chess"
        board = game.board()
        for ply, move in enumerate(game.mainline_moves()):
            if ply == PLIES:
                break
            chess.polyglot.zobrist_hash(board)
            board.push(move)


def compiled_alone(games: pa.ChunkedArray, at_once: int) -> None:
    """Decode whole games, tags included, with all threads."""
    for start in range(0, len(games), at_once):
        compiled.parse_games(games.slice(start, at_once))


def read_whole(source: Path, processes: int | None = None) -> int:
    """The stage from the compressed file to the tables; the number of games."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store.create(Path(folder) / "store")
        return int(read([str(source)], store, ReadSettings(), processes=processes).facts["games"])


def measure_speed(source: Path, rounds: int, sample: int) -> dict[str, float]:
    """Games per second of each way, and the ratios."""
    games = games_of(plain_text(source))
    sampled = games[:: max(1, len(games) // sample)]
    array = pa.chunked_array([pa.array(games, pa.large_string()).cast(pa.string())])
    best = {"loop": float("inf"), "at_once": float("inf"), "in_slices": float("inf"), "stage": float("inf")}
    for _ in range(rounds):
        best["loop"] = min(best["loop"], seconds(lambda: python_chess_loop(sampled)))
        best["at_once"] = min(best["at_once"], seconds(lambda: compiled_alone(array, len(array))))
        best["in_slices"] = min(best["in_slices"], seconds(lambda: compiled_alone(array, SLICE)))
        best["stage"] = min(best["stage"], seconds(lambda: read_whole(source)))
    loop = len(sampled) / best["loop"]
    speeds = {name: len(games) / best[name] for name in ("at_once", "in_slices", "stage")}
    return {
        "games": len(games),
        "python_chess_games_per_s": loop,
        "compiled_at_once_games_per_s": speeds["at_once"],
        "compiled_in_slices_games_per_s": speeds["in_slices"],
        "stage_games_per_s": speeds["stage"],
        "stage_to_python_chess": speeds["stage"] / loop,
        "stage_to_compiled_at_once": speeds["stage"] / speeds["at_once"],
        "stage_to_compiled_in_slices": speeds["stage"] / speeds["in_slices"],
    }


def resident_bytes(pid: int) -> int:
    """Memory of a process and all below it now; of pages that they share each has its part (Linux only)."""
    try:
        told = Path(f"/proc/{pid}/smaps_rollup").read_text()
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    found = re.search(r"^Pss:\s+(\d+) kB", told, re.MULTILINE)
    return (int(found[1]) * 1024 if found else 0) + sum(resident_bytes(int(child)) for child in children)


def peak_of(source: Path) -> int:
    """Peak resident bytes of a fresh process that reads the source, workers included."""
    process = subprocess.Popen([sys.executable, __file__, str(source), "--only-read"])
    peak = 0
    stop = threading.Event()
    while process.poll() is None:
        peak = max(peak, resident_bytes(process.pid))
        stop.wait(0.05)
    if process.returncode:
        raise SystemExit(f"reading {source.name} failed")
    return peak


def measure_memory(source: Path) -> dict[str, float]:
    """Peaks for the source once, ten times over, and ten times with other names."""
    text = plain_text(source)
    compress = zstandard.ZstdCompressor(level=1).compress
    with tempfile.TemporaryDirectory() as folder:
        once, same, other = (Path(folder) / f"{name}.pgn.zst" for name in ("once", "same", "other"))
        once.write_bytes(compress(text))
        same.write_bytes(once.read_bytes() * 10)
        with other.open("wb") as file:
            for copy in range(10):
                file.write(compress(text.replace(b'\n[White "', b'\n[White "%d ' % copy)))
        peaks = {path.stem.split(".")[0]: peak_of(path) for path in (once, same, other)}
    return {
        "peak_once_mib": peaks["once"] / 2**20,
        "peak_ten_times_mib": peaks["same"] / 2**20,
        "peak_ten_times_other_names_mib": peaks["other"] / 2**20,
        "ten_times_to_once": max(peaks["same"], peaks["other"]) / peaks["once"],
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("source", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--sample", type=int, default=2_000, help="games for the python-chess loop")
    parser.add_argument("--memory", action="store_true", help="measure memory instead of speed")
    parser.add_argument("--json", type=Path, help="also write the numbers to this file")
    parser.add_argument("--only-read", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.only_read:
        read_whole(options.source)
        return
    found = (
        measure_memory(options.source)
        if options.memory
        else measure_speed(options.source, options.rounds, options.sample)
    )
    for name, value in found.items():
        print(f"{name.replace('_', ' '):36} {value:12,.2f}")
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
