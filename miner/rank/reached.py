"""How often the positions arise that a finding begins from: steered, plain, or in a repertoire."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from miner.graph.repertoire import reach_in_repertoire, read_repertoire
from miner.graph.sound import sound_reach
from miner.graph.walk import START_KEY
from miner.settings import RankSettings
from miner.store import Store
from miner.terms import Side

_EVEN = 0.5  # expected score at the start of the game, where the judge did not look at it
COLUMNS = ["key", "band", "plain_reach", "steered_reach", "steered_log_variance"]


def reached(store: Store, settings: RankSettings, bands: list[str]) -> pd.DataFrame:
    """Reach of the positions in some bands: the rows of the table `reach`, soundly steered.

    With a repertoire only the positions that arise in it are left; the steered reach is then that of our side
    playing the repertoire.
    Raises SourceError for a repertoire that cannot be read.
    """
    plain = store.read_table("reach", ["key", "band", "plain_reach"]).to_pandas()
    plain = plain[plain["band"].isin(bands)]
    if settings.repertoire:
        repertoire = read_repertoire(Path(settings.repertoire), Side(settings.side))
        names = {"reach": "steered_reach", "log_variance": "steered_log_variance"}
        steered = reach_in_repertoire(store, repertoire, bands).rename(columns=names)
    else:
        steered = sound_reach(store, settings.soundness, bands)
    both: pd.DataFrame = plain.merge(steered, on=["key", "band"], validate="one_to_one")[COLUMNS]
    return both


def within_price(rows: pd.DataFrame, judged: pd.DataFrame, settings: RankSettings) -> pd.DataFrame:
    """The rows (with fen and exp_best, too), none steered to where our side stands unsoundly.

    If the opponent finds the best move, the side that profits must not stand worse than at the start of the
    game by more than `soundness`: its moves on the way, judged or not, have then lost more. Such positions
    arise by themselves only, so that their steered reach is the plain one. In a repertoire they are our
    choice.
    """
    if settings.repertoire:
        return rows
    of_start = judged.loc[judged["key"] == START_KEY, "exp_best"].dropna()
    white_at_start = float(of_start.iloc[0]) if len(of_start) else _EVEN
    white_errs = rows["fen"].str.contains(" w ", regex=False)
    at_start = np.where(white_errs, 1.0 - white_at_start, white_at_start)
    is_unsound = 1.0 - rows["exp_best"] < at_start - settings.soundness
    return rows.assign(
        steered_reach=rows["steered_reach"].mask(is_unsound, rows["plain_reach"]),
        steered_log_variance=rows["steered_log_variance"].mask(is_unsound, plain_log_variance(rows)),
    )


def plain_log_variance(rows: pd.DataFrame) -> pd.Series[float]:
    """The variance of the logarithm of each plain reach: that of a count, `games_at_position`."""
    variance: pd.Series[float] = (1.0 - rows["plain_reach"]) / rows["games_at_position"]
    return variance
