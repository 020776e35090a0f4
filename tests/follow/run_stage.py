"""Runs the stage in a process that can be interrupted: run_stage.py STORE CACHE ENGINE NODES."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from miner.follow.stage import follow
from miner.means import Means
from miner.store import Store
from tests.follow.stores import QUICK

if __name__ == "__main__":
    store, cache, engine = map(Path, sys.argv[1:4])
    settings = replace(QUICK, nodes=int(sys.argv[4]))
    follow(Store.open(store), settings, Means(engine=engine, engines=1, cache=cache))
