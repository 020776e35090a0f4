"""Makes a change of copies of a store, and kills each just before another of its steps on the disk.

    python -m tests.faults.killed_changes add|remove|forget|repair|pupils EVERY STORE FOLDER ARGUMENT...

Kills before step 1 and each EVERY steps further on. Leaves FOLDER/1, FOLDER/2, ... and tells how many changes
were killed; the copy after these was not. The change `pupils` is that pages with names are written to
FOLDER/1-pages, FOLDER/2-pages, ...
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

from miner import upkeep
from miner.lesson.files import write_files
from miner.means import Means
from miner.pupils import check_games
from miner.pupils.pages import pupils_files
from miner.store import Store

NO_ENGINE = Means(engine=Path("files of games need no engine"), processes=1)
"""Fails where an engine is asked."""


def change(what: str, store: Store, arguments: list[str]) -> None:
    """Make the change in this process."""
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
            write_files(Path(f"{store.root}-pages"), pupils_files(check))


def kill_before(step: int) -> None:
    """Have this process killed just before its so-manieth step on the disk."""
    steps = count(1)

    def counted(function: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(function)
        def counting(*arguments: Any, **options: Any) -> Any:
            if next(steps) == step:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments, **options)

        return counting

    for holder, name in ((os, "fsync"), (Path, "replace"), (Path, "unlink"), (shutil, "rmtree")):
        setattr(holder, name, counted(getattr(holder, name)))


def main() -> None:
    what, every, original, folder, *arguments = sys.argv[1:]
    for number, step in enumerate(count(1, int(every)), start=1):
        copy = Path(folder) / str(number)
        shutil.copytree(original, copy)
        child = os.fork()
        if not child:
            kill_before(step)
            change(what, Store.open(copy), arguments)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            assert status == 0, "the change failed"
            sys.stdout.write(f"{number - 1}\n")
            return


if __name__ == "__main__":
    main()
