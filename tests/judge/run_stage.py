"""Runs the stage in a process that can be interrupted: run_stage.py STORE CACHE ENGINE NODES..."""

from __future__ import annotations

import sys
from pathlib import Path

from miner.judge.stage import judge
from miner.means import Means
from miner.settings import JudgeSettings
from miner.store import Store

if __name__ == "__main__":
    store, cache, engine = map(Path, sys.argv[1:4])
    judge(
        Store.open(store),
        JudgeSettings(nodes=tuple(map(int, sys.argv[4:]))),
        Means(engine=engine, engines=1, cache=cache),
    )
