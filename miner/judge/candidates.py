"""Which replies are worth an engine's time. Columns in, columns out."""

from __future__ import annotations

from dataclasses import dataclass

import chess
import numpy as np
import pandas as pd
import pyarrow as pa

from miner.board.moves import unpack_move
from miner.settings import JudgeSettings

MOST_LOST = 0.5
"""Expected score that a reply is assumed to lose at the most when its worth is estimated."""
CLEARLY_LESS = 2.0
"""Standard errors by which players of a reply score less than the others, to be evidence against it."""
MOST_VARIANCE = 0.25
"""Variance of a result between 0 and 1 cannot be greater."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A reply to be judged."""

    move: chess.Move
    packed: int  # the move as in the tables
    worth: float  # points per 100 games if it lost `MOST_LOST`, in the band where that is most
    promoted: bool  # its players score clearly less than the others at the position


@dataclass(frozen=True, slots=True)
class Position:
    """A position with its candidates, the most valuable first."""

    key: int
    fen: str
    candidates: tuple[Candidate, ...]


def find_candidates(replies: pa.Table, reach: pa.Table, settings: JudgeSettings) -> pd.DataFrame:
    """The replies that pass all limits of the settings in at least one band.

    Columns key, move, worth, promoted; the most valuable first, equals by key and move. A distinct
    player who is not known counts as another one.
    """
    tallied = replies.to_pandas().merge(
        reach.to_pandas(), on=["key", "band"], how="left", validate="many_to_one"
    )
    most_reach = tallied[["steered_reach", "plain_reach"]].max(axis=1).fillna(0.0)
    tallied["worth"] = 100.0 * most_reach * tallied["pick_rate"] * MOST_LOST
    enough = (
        (tallied["games"] >= settings.min_games)
        & (tallied["players"] + tallied["games_unknown"] >= settings.min_players)
        & (tallied["pick_rate"] >= settings.min_pick_rate)
        & (tallied["worth"] >= settings.min_points)
    )
    worth = tallied[enough].groupby(["key", "move"], as_index=False)["worth"].max()
    found = worth.merge(scoring_clearly_less(tallied), on=["key", "move"], how="left", validate="one_to_one")
    ordered: pd.DataFrame = found.sort_values(
        ["worth", "key", "move"], ascending=[False, True, True], ignore_index=True
    )
    return ordered


def scoring_clearly_less(tallied: pd.DataFrame) -> pd.DataFrame:
    """Whether those who chose a reply score clearly less than the others: a row per key and move.

    Over the bands in which it was chosen, pooled; columns key, move, promoted.
    """
    counted = ["games", "score_sum", "games_at_position", "score_sum_at_position"]
    pooled = tallied.groupby(["key", "move"], as_index=False)[counted].sum()
    games, rest = pooled["games"], pooled["games_at_position"] - pooled["games"]
    rest_sum = pooled["score_sum_at_position"] - pooled["score_sum"]
    with np.errstate(divide="ignore", invalid="ignore"):
        less = rest_sum / rest - pooled["score_sum"] / games
        error = np.sqrt(MOST_VARIANCE / games + MOST_VARIANCE / rest)
        pooled["promoted"] = (rest > 0) & (less >= CLEARLY_LESS * error)
    return pooled[["key", "move", "promoted"]]


def positions_of(found: pd.DataFrame, positions: pa.Table) -> list[Position]:
    """The candidates gathered by position; the position of the most valuable candidate comes first."""
    fens = positions.select(["key", "fen"]).to_pandas()
    placed = found.merge(fens, on="key", how="inner", validate="many_to_one")
    assert len(placed) == len(found), "every reply's position is in the table of positions"
    candidates: dict[tuple[int, str], list[Candidate]] = {}
    columns = ["key", "fen", "move", "worth", "promoted"]
    for key, fen, move, worth, promoted in placed[columns].itertuples(index=False, name=None):
        candidates.setdefault((key, fen), []).append(Candidate(unpack_move(move), move, worth, promoted))
    return [Position(key, fen, tuple(of_position)) for (key, fen), of_position in candidates.items()]
