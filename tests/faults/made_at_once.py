"""Has four processes make a store at the same moment, many times: made_at_once.py FOLDER TIMES.

Leaves the stores FOLDER/0, FOLDER/1, ... and beside each in said-0, said-1, ... a line of each process: the
salt, or why it has none.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from miner.errors import StoreError
from miner.store import Store

PROCESSES = 4


def main() -> None:
    folder, times = Path(sys.argv[1]), int(sys.argv[2])
    for turn in range(times):
        waiting, begin = os.pipe()
        children = [_fork(folder, turn, waiting) for _ in range(PROCESSES)]
        os.write(begin, b"x" * PROCESSES)
        for child in children:
            assert os.waitpid(child, 0)[1] == 0
        os.close(waiting)
        os.close(begin)


def _fork(folder: Path, turn: int, waiting: int) -> int:
    child = os.fork()
    if not child:
        os.read(waiting, 1)
        with (folder / f"said-{turn}").open("a") as said:
            said.write(f"{_made(folder / str(turn))}\n")
        os._exit(0)
    return child


def _made(root: Path) -> str:
    try:
        return Store.create(root).salt.hex()
    except StoreError as error:
        return str(error)


if __name__ == "__main__":
    main()
