"""Makes a change of copies of a store, and kills each just before another of its steps on the disk.

    python -m tests.faults.killed_changes WHAT EVERY STORE FOLDER ARGUMENT...

WHAT is a stage, `run`, `add`, `remove`, `forget`, `repair` or `pupils` (pages with names, written to
FOLDER/1-pages, FOLDER/2-pages, ...); stages work by `SETTINGS`. Kills before step 1 and each EVERY steps
further on. Leaves FOLDER/1, FOLDER/2, ... and tells how many changes were killed; the copy after these was
not.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable
from functools import wraps
from itertools import count
from pathlib import Path
from typing import Any

from miner import pipeline, upkeep
from miner.lesson.files import write_files
from miner.means import Means
from miner.pgn import batches
from miner.pupils import check_games
from miner.pupils.pages import pupils_files
from miner.settings import settings_of
from miner.store import Store

SETTINGS = settings_of(
    {
        "tally": {"min_games": 3},
        "judge": {"min_games": 3, "nodes": [500, 2000]},
        "scan": {"nodes": [200, 500, 1_000], "games": 20},
        "follow": {"nodes": 500, "model_nodes": 500, "min_games": 1},
    }
)
BATCH_BYTES = 5_000
"""So that a store has several files of games."""

NO_ENGINE = Means(engine=Path("files of games need no engine"), processes=1)
"""Fails where an engine is asked."""

_CHANGING = ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "os.link", "os.chmod")
_TO_WRITE = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


def change(what: str, store: Store, arguments: list[str]) -> None:
    """Make the change in this process; `run` and stages are given a source, an engine and a cache."""
    match what:
        case "add":
            upkeep.add(arguments, store, Means(processes=1))
        case "remove":
            upkeep.remove(arguments, store)
        case "forget":
            upkeep.forget(arguments[0], store)
        case "repair":
            list(upkeep.repair(store, NO_ENGINE))
        case "pupils":
            check = check_games(store, arguments[:1], arguments[1:], names=True)
            write_files(Path(f"{store.root}-pages"), pupils_files(check), "pupils")
        case "read":
            pipeline.read(arguments[:1], store, SETTINGS.read, Means(processes=1))
        case "run":
            list(pipeline.run(arguments[:1], store, SETTINGS, means_of(arguments)))
        case stage:
            with store.writing():
                pipeline.run_later(stage, store, SETTINGS, means_of(arguments))


def means_of(arguments: list[str]) -> Means:
    """The engine and the cache that are named behind the source."""
    return Means(engine=Path(arguments[1]), cache=Path(arguments[2]), engines=1, processes=1)


def kill_before(step: int, folder: Path) -> None:
    """Have this process killed just before its so-manieth step that changes something in the folder.

    Steps are what Python tells of the system's calls: a file opened to be written, renamed or deleted, a
    folder made or deleted; and each wait for the disk.
    """
    steps = count(1)

    def counted() -> None:
        if next(steps) == step:
            os.kill(os.getpid(), signal.SIGKILL)

    def told(event: str, arguments: tuple[Any, ...]) -> None:
        if event in _CHANGING or (
            event == "open" and arguments[2] & _TO_WRITE and str(arguments[0]).startswith(str(folder))
        ):
            counted()

    def waiting(function: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(function)
        def counting(*arguments: Any) -> Any:
            counted()
            return function(*arguments)

        return counting

    sys.addaudithook(told)
    os.fsync = waiting(os.fsync)


def main() -> None:
    what, every, original, folder, *arguments = sys.argv[1:]
    batches.BATCH_BYTES = BATCH_BYTES
    for number, step in enumerate(count(1, int(every)), start=1):
        copy = Path(folder) / str(number)
        shutil.copytree(original, copy)
        child = os.fork()
        if not child:
            kill_before(step, copy)
            change(what, Store.open(copy), arguments)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            assert status == 0, "the change failed"
            sys.stdout.write(f"{number - 1}\n")
            return


if __name__ == "__main__":
    main()
