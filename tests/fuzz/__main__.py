"""Fuzz one target, guided by coverage: `python -m tests.fuzz TARGET [RUNS]`; see `make fuzz`.

atheris is in the extra `fuzz`; it has wheels for Linux and macOS. The target `core` is C, for which it takes
clang with libFuzzer and the sanitizers (Debian: `clang` and its `libclang-rt-dev`), since the compiler that
builds the core comes without them.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import atheris

RUNS = 200_000
RUNS_OF_CORE = 5_000_000
LONGEST = 400  # bytes of an input
ROOT = Path(__file__).resolve().parent.parent.parent
CLANG = (
    *("clang", "-std=c11", "-O1", "-g", "-Wall", "-Wextra", "-Werror"),
    *("-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"),
)

with atheris.instrument_imports(include=["miner.pgn", "miner.read", "miner.settings"]):
    from tests.fuzz.targets import TARGETS, words_of

SEED_GAMES = """[Event "Club"]
[White "Ada"]
[WhiteElo "1500"]
[Result "1-0"]

1. e4 {x} e5 (1... c5) 2. Nf3 1-0

"""
SEED_SETTINGS = "[read]\nplies = 30\nevents = ['Open']\n[judge]\nkeep = [0.1, 0.2]\n"


def main() -> None:
    """Run the target so many times, the same each time."""
    target, *rest = sys.argv[1:]
    runs = int(rest[0]) if rest else RUNS_OF_CORE if target == "core" else RUNS
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        seeds = {"settings": SEED_SETTINGS, "names": "*.pgn"}
        (corpus / "seed").write_text(seeds.get(target, SEED_GAMES), encoding="utf-8")
        words = Path(folder) / "words"
        words.write_text("".join(f"{_quoted(word)}\n" for word in words_of(target)), encoding="ascii")
        os.chdir(folder)
        options = [
            f"-runs={runs}",
            "-seed=1",
            f"-max_len={LONGEST}",
            f"-dict={words}",
            f"-artifact_prefix={Path(folder).parent}/{target}-",
            "-rss_limit_mb=4096",
            "-print_final_stats=1",
            str(corpus),
        ]
        if target == "core":
            sources = (ROOT / "tests/fuzz/core_target.c", ROOT / "miner/core/core.c")
            subprocess.run([*CLANG, "-o", "core", *sources], check=True)
            subprocess.run(["./core", *options], check=True)
            return
        atheris.Setup([sys.argv[0], *options], TARGETS[target])
        atheris.Fuzz()


def _quoted(word: str) -> str:
    return '"' + "".join(f"\\x{byte:02x}" for byte in word.encode()) + '"'


if __name__ == "__main__":
    main()
