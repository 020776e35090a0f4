"""Looking through whole games for mistakes: every position, suspicious drops deeper, and motifs named."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from miner.engine.consult import Engines
from miner.engine.verdicts import Failure
from miner.means import Means
from miner.processes import mapped
from miner.scan.inquiry import Mistake, first_look, second_look
from miner.scan.moments import moments_of, suspects_of, told_of, with_openings
from miner.scan.walk import walked
from miner.settings import ScanSettings
from miner.terms import BandScheme


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What was found in games, and how much was looked at."""

    moments: pd.DataFrame  # a row per mistake and game, as in `moments` but for `motif` and `chance`
    positions: int
    suspects: int
    inconclusive: int


def engines_of(means: Means, settings: ScanSettings) -> Engines:
    """Engines for small searches. Raises EngineNotFound or EngineFailed if there is none to be had."""
    # After each small search an engine waits for its next: with one more than cores, none of these waits.
    many = replace(means, engines=means.engines or (os.cpu_count() or 1) + 1)
    return Engines(many, settings.hash_mb)


def look_through(
    played: pd.DataFrame,
    games: pd.DataFrame,
    bands: BandScheme,
    settings: ScanSettings,
    engines: Engines,
    *,
    plies: int,
) -> Looked:
    """The mistakes in games; a move that was made in several is looked at once.

    `played`: game, ply, key and move of their moves, by game and ply; `games`: game, players and ratings of
    both sides; `plies`: that were kept of each game at the most.
    Raises what the engines raise.
    """
    moves = walked(
        played["game"].to_numpy(np.uint32),
        played["ply"].to_numpy(np.uint8),
        played["move"].to_numpy(np.uint16),
        first=settings.first_ply,
        most=plies,
    )
    first = engines.ask("scanning", "position", [first_look(fen, settings.nodes[0]) for fen in moves.fens])
    expected = np.array([np.nan if one is None else one for one in first], dtype=np.float64)
    suspects = suspects_of(moves, expected, settings)
    second = engines.ask("verifying", "move", [second_look(suspect, settings) for suspect in suspects])
    found = [(one, made) for one, made in zip(suspects, second, strict=True) if isinstance(made, Mistake)]
    means = engines.means
    with means.progress.task("naming", total=len(found), unit="mistake") as task:
        told = mapped(partial(told_of, settings=settings), found, means.processes, task.advance)
    moments = moments_of(moves, told, games, bands)
    return Looked(
        with_openings(moments, played) if len(moments) else moments,
        len(moves.fens),
        len(suspects),
        sum(one is None for one in first) + sum(isinstance(one, Failure) for one in second),
    )
