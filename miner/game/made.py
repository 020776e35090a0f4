"""Model games as a store has them: searched, told, and written to files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from miner.export.choice import spare_sources
from miner.export.formats import check_targets, write_files
from miner.finding.finding import findings_of
from miner.finding.words import counted
from miner.game.choose import annotate, chosen, model_games, numbered
from miner.game.notes import Told
from miner.game.pgn import model_pgn
from miner.game.sheet import model_pdf
from miner.lesson.sheets import Looks
from miner.means import Means
from miner.rank.asked import asked_findings
from miner.settings import Taught
from miner.store import Store

NODES = 100_000
"""Nodes of the first look at each position; four and ten times as many where something is said of it."""
CHOSEN = 4
SUFFIXES = (".pgn", ".pdf")


@dataclass(frozen=True, slots=True)
class Games:
    """Model games with all that is said of them, and the files that hold them."""

    told: Sequence[Told]
    files: Sequence[Path]

    def __repr__(self) -> str:
        return f"<{counted(len(self.told), 'model game')}: {', '.join(map(str, self.files)) or 'no files'}>"


def make_games(
    store: Store,
    number: int | None,
    targets: Sequence[Path],
    looks: Looks,
    means: Means,
    *,
    top: int = CHOSEN,
    side: Taught | None = None,
    bands: Sequence[str] = (),
    nodes: int = NODES,
) -> Games:
    """Search and tell the model game of that number; None: the `top` that are most worth showing.

    Every target gets them all, as PGN or PDF; none is written where no game is worth showing. Of `looks`
    language and paper count. `nodes`: of the first look at each position.
    Raises UsageError for a number of no model game and a target that the store was read from, what
    `check_targets` does, StoreError for what was not made yet, EngineFailed.
    """
    check_targets(targets, SUFFIXES)
    spare_sources(store, targets)
    findings = findings_of(asked_findings(store, side=side, bands=bands))
    candidates = model_games(store, findings)
    hash_mb: int = store.require("judge").settings["hash_mb"]
    if number is not None:
        told = annotate([numbered(candidates, number).game], nodes, means, hash_mb)
    else:
        asked_for = bands or store.require("rank").settings["bands"]
        rated = [band for band in store.bands.bands if str(band) in asked_for]
        told = chosen(candidates, rated, top, nodes, means, hash_mb)
    if told:
        write_files(told, targets, _formats(looks))
    return Games(told, list(targets) if told else [])


def _formats(looks: Looks) -> Mapping[str, Callable[[Sequence[Told]], bytes]]:
    return {".pgn": model_pgn, ".pdf": partial(model_pdf, tongue=looks.tongue, paper=looks.paper)}
