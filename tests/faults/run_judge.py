"""Judges with little patience, in a process that can be stopped: run_judge.py STORE CACHE ENGINE NODES..."""

from __future__ import annotations

import sys
from pathlib import Path

from miner.judge.stage import judge
from miner.means import Means, PoolLimits
from miner.settings import JudgeSettings
from miner.store import Store

if __name__ == "__main__":
    store, cache, engine = map(Path, sys.argv[1:4])
    judge(
        Store.open(store),
        JudgeSettings(nodes=tuple(map(int, sys.argv[4:]))),
        Means(engine=engine, engines=1, cache=cache, limits=PoolLimits(search_s=2.0, slack=1.0, slowest=1e9)),
    )
