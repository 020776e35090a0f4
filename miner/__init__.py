"""Finds the frequent opening mistakes of each rating band in chess game databases.

For notebooks and scripts:

    import miner

    store = miner.mine("club.pgn", "club")
    store.findings()                          # typed values
    store.frame("replies")                    # frames of pandas
    store.sql("select * from findings")       # DuckDB over every table
    store.lesson("sheets", side="white")      # what a coach gets, file by file

A `Store` has a call for each command; `pipeline` has the stages one by one. `Settings` say what counts,
`Means` name the engine, the cache and whatever else is not to be as usual; `words` tell findings as lists do.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from miner import distribution

if TYPE_CHECKING:
    from miner import pipeline, stats, words
    from miner.draw.diagram import diagram_svg
    from miner.engine.identity import find_engine
    from miner.errors import MinerError
    from miner.finding.finding import Finding, is_losing
    from miner.finding.moment import Moment
    from miner.lesson.exercises import TOO_EASY, TOO_HARD
    from miner.lesson.phrases import Tongue
    from miner.lesson.sheets import Looks, Paper
    from miner.means import Means
    from miner.mined import Store, mine, sample
    from miner.settings import (
        FollowSettings,
        JudgeSettings,
        RankSettings,
        ReadSettings,
        ScanSettings,
        Settings,
        SteerSettings,
        TallySettings,
        load_settings,
    )
    from miner.terms import Side

__version__ = distribution.VERSION

__all__ = [
    "TOO_EASY",
    "TOO_HARD",
    "Finding",
    "FollowSettings",
    "JudgeSettings",
    "Looks",
    "Means",
    "MinerError",
    "Moment",
    "Paper",
    "RankSettings",
    "ReadSettings",
    "ScanSettings",
    "Settings",
    "Side",
    "SteerSettings",
    "Store",
    "TallySettings",
    "Tongue",
    "diagram_svg",
    "find_engine",
    "is_losing",
    "load_settings",
    "mine",
    "pipeline",
    "sample",
    "stats",
    "words",
]

_HOMES = {
    "Finding": "miner.finding.finding",
    "Looks": "miner.lesson.sheets",
    "Means": "miner.means",
    "MinerError": "miner.errors",
    "Moment": "miner.finding.moment",
    "Paper": "miner.lesson.sheets",
    "Side": "miner.terms",
    "Store": "miner.mined",
    "TOO_EASY": "miner.lesson.exercises",
    "TOO_HARD": "miner.lesson.exercises",
    "Tongue": "miner.lesson.phrases",
    "diagram_svg": "miner.draw.diagram",
    "find_engine": "miner.engine.identity",
    "is_losing": "miner.finding.finding",
    "mine": "miner.mined",
    "sample": "miner.mined",
}
_MODULES = ("pipeline", "stats", "words")


def __getattr__(name: str) -> Any:
    # Fetched when first asked for: a worker process that needs one module is not to load them all.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name in _MODULES:
        return import_module(f"miner.{name}")
    return getattr(import_module(_HOMES.get(name, "miner.settings")), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
