"""How fast games are read, against a python-chess loop and the core alone, and in what memory.

    python benchmarks/read.py SOURCE [--rounds 3] [--sample 2000] [--memory] [--json PLACE]

SOURCE is a file of PGN, as it is or compressed with zstd. All speeds are of one run, taken in turn, the best
of the rounds, so that their ratios hold on a machine that does other work as well. `--memory` reads the
source once and ten times over (as many zstd frames, all but the first of repeated games; and with other
names, so that no game is a repeated one) and tells the peak of resident memory, workers included. The core
alone finds games, tags and moves of plain text in one thread, and makes no tables. DuckDB
counts games and moves in the plain text by regular expressions: what it takes just to pass over it.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import chess.pgn
import chess.polyglot
import duckdb
import numpy as np
import zstandard

from benchmarks import record
from benchmarks.processes import watched
from benchmarks.record import Figure
from miner.means import Means
from miner.pgn.readers import make_reader
from miner.pgn.split import one_line_end
from miner.read.stage import read
from miner.settings import ReadSettings
from miner.store import Store

PLIES = ReadSettings().plies


def plain_text(source: Path) -> bytes:
    data = source.read_bytes()
    if source.suffix == ".zst":
        data = zstandard.ZstdDecompressor().stream_reader(data, read_across_frames=True).read()
    return one_line_end(data)


def games_of(text: bytes) -> list[str]:
    games = make_reader("compiled").find_games(text, np.array([0]))
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


def core_alone(text: bytes) -> None:
    """Find the games of a text, their tags, results and kept plies."""
    reader = make_reader("compiled")
    games = reader.find_games(text, np.array([0]))
    reader.read_tags(text, games.starts, games.moves)
    reader.see_moves(text, games.moves, games.ends)
    reader.decode(text, games.moves, games.ends, PLIES)


def read_whole(source: Path, processes: int | None = None) -> int:
    """The stage from the compressed file to the tables; the number of games."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store.create(Path(folder) / "store")
        return int(read([str(source)], store, ReadSettings(), Means(processes=processes)).facts["games"])


def count_text(source: Path) -> tuple[int, int]:
    """Games, by their Event tags, and plies in a file of PGN, as DuckDB's regular expressions find them.

    Lines that are not UTF-8, such as names in an old code page, are passed over.
    """
    with duckdb.connect() as connection:
        found = connection.execute(
            r"""
            select count(*) filter (starts_with(line, '[Event ')),
                   sum(len(regexp_extract_all(line, '\b(?:[KQRBN]?[a-h]?[1-8]?x?[a-h][1-8]|O-O)')))
                       filter (not starts_with(line, '['))
            from read_csv(?, columns = {'line': 'varchar'}, header = false, auto_detect = false,
                          delim = '\t', quote = '', escape = '', ignore_errors = true, null_padding = true)
            """,
            [str(source)],
        ).fetchone()
    assert found is not None
    return found[0], found[1]


def measure_speed(source: Path, rounds: int, sample: int) -> dict[str, Figure]:
    """Games per second of each way, and the ratios."""
    text = plain_text(source)
    games = games_of(text)
    sampled = games[:: max(1, len(games) // sample)]
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "plain.pgn"
        plain.write_bytes(text)
        ways: dict[str, tuple[int, Callable[[], object]]] = {
            "python-chess": (len(sampled), lambda: python_chess_loop(sampled)),
            "core alone": (len(games), lambda: core_alone(text)),
            "DuckDB's count of the text": (len(games), lambda: count_text(plain)),
            "stage": (len(games), lambda: read_whole(source)),
        }
        best = dict.fromkeys(ways, float("inf"))
        for _ in range(rounds):
            for way, (_, work) in ways.items():
                best[way] = min(best[way], seconds(work))
    speeds = {way: count / best[way] for way, (count, _) in ways.items()}
    figures = {"games": Figure(len(games), "")}
    figures |= {way: Figure(speed, "games/s", "higher") for way, speed in speeds.items()}
    figures |= {
        f"stage to {way}": Figure(speeds["stage"] / speed, "", "higher")
        for way, speed in speeds.items()
        if way != "stage"
    }
    return figures


def measure_memory(source: Path) -> dict[str, Figure]:
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
        peaks = {
            path.stem.split(".")[0]: watched([sys.executable, __file__, path, "--only-read"]).peak_bytes
            for path in (once, same, other)
        }
    figures = {
        f"peak, games {times}": Figure(peaks[name] / 2**20, "MiB", "lower")
        for name, times in (
            ("once", "once"),
            ("same", "ten times"),
            ("other", "ten times by other names"),
        )
    }
    grown = max(peaks["same"], peaks["other"]) / peaks["once"]
    return figures | {"peak, ten times to once": Figure(grown, "", "lower")}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("source", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--sample", type=int, default=2_000, help="games for the python-chess loop")
    parser.add_argument("--memory", action="store_true", help="measure memory instead of speed")
    parser.add_argument("--json", type=Path, help="also add the figures to this run")
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
    record.show(found)
    if options.json:
        record.save(options.json, "read, memory" if options.memory else "read", found)


if __name__ == "__main__":
    main()
