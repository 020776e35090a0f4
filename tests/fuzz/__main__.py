"""Fuzz one target, guided by coverage: `python -m tests.fuzz TARGET [RUNS]`; see `make fuzz`.

atheris is in the extra `fuzz`; it has wheels for Linux and macOS.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import atheris

RUNS = 200_000
LONGEST = 400  # bytes of an input

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
    runs = int(rest[0]) if rest else RUNS
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        seeds = {"settings": SEED_SETTINGS, "names": "*.pgn"}
        (corpus / "seed").write_text(seeds.get(target, SEED_GAMES), encoding="utf-8")
        words = Path(folder) / "words"
        words.write_text("".join(f"{_quoted(word)}\n" for word in words_of(target)), encoding="ascii")
        os.chdir(folder)
        atheris.Setup(
            [
                sys.argv[0],
                f"-runs={runs}",
                "-seed=1",
                f"-max_len={LONGEST}",
                f"-dict={words}",
                f"-artifact_prefix={Path(folder).parent}/{target}-",
                "-rss_limit_mb=4096",
                "-print_final_stats=1",
                str(corpus),
            ],
            TARGETS[target],
        )
        atheris.Fuzz()


def _quoted(word: str) -> str:
    return '"' + "".join(f"\\x{byte:02x}" for byte in word.encode()) + '"'


if __name__ == "__main__":
    main()
