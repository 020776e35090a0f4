"""Finds the frequent opening mistakes of each rating band in chess game databases.

For notebooks and scripts: open a `Store`, choose `Settings`, and call the stages of `miner.pipeline`: `read`,
`tally`, `judge`, `follow`, `rank`, `export`, or all but the last by `run`. `Means` name the engine, the cache
and whatever else is not to be as usual.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from miner import pipeline
    from miner.engine.identity import find_engine
    from miner.errors import MinerError
    from miner.means import Means
    from miner.settings import (
        JudgeSettings,
        RankSettings,
        ReadSettings,
        Settings,
        TallySettings,
        load_settings,
    )
    from miner.store import Store

__version__ = "0.1.0"

__all__ = [
    "JudgeSettings",
    "Means",
    "MinerError",
    "RankSettings",
    "ReadSettings",
    "Settings",
    "Store",
    "TallySettings",
    "find_engine",
    "load_settings",
    "pipeline",
]

_HOMES = {
    "Means": "miner.means",
    "MinerError": "miner.errors",
    "Store": "miner.store",
    "find_engine": "miner.engine.identity",
}


def __getattr__(name: str) -> Any:
    # Fetched when first asked for: a worker process that needs one module is not to load them all.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name == "pipeline":
        return import_module("miner.pipeline")
    return getattr(import_module(_HOMES.get(name, "miner.settings")), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
