"""The tables of the tally and the judge, laid out by position for one band."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import chess
import chess.polyglot
import numpy as np
import pandas as pd
import pyarrow as pa

from miner import stats
from miner.arrays import Floats
from miner.terms import BandScheme


@dataclass(frozen=True, slots=True)
class TalliedPosition:
    """A tallied position."""

    fen: str
    path: str  # a shortest way to it, UCI


@dataclass(frozen=True, slots=True)
class Played:
    """A move that was played, by whom how often."""

    move: int  # packed
    games: int  # all bands together
    games_band: int
    games_strong: int  # of the strong players
    rate: float  # pooled pick rate of the band; 0: the band never chose it, nor is it likely to


@dataclass(frozen=True, slots=True)
class Judged:
    """The judge's verdict on a reply, for the mover."""

    cp_best: int
    cp_reply: int
    nodes: int
    line_best: tuple[str, ...]  # UCI
    line_reply: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TalliedTree:
    """The tally of one store, for one band; and the judge's verdicts."""

    positions: Mapping[int, TalliedPosition]
    played: Mapping[int, tuple[Played, ...]]  # the moves at a position, the band's most popular first
    strength: Mapping[int, float]  # games that the band's pick rates at a position rest on
    judged: Mapping[int, Mapping[int, Judged]]

    def answers(self, key: int) -> tuple[Played, ...]:
        """The moves that players of the band chose at a position, or are likely to; () if none was there."""
        return tuple(played for played in self.played.get(key, ()) if played.rate)

    def games(self, key: int) -> int:
        """Games of the band through a position."""
        return sum(played.games_band for played in self.played.get(key, ()))

    def child(self, board: chess.Board, move: chess.Move) -> int | None:
        """The key of the tallied position that a move leads to; None: it is not tallied."""
        board.push(move)
        key = chess.polyglot.zobrist_hash(board)
        board.pop()
        return key if key in self.positions else None


def lay_out(
    positions: pa.Table,
    replies: pa.Table,
    judged: pa.Table,
    foreseen: pa.Table,
    *,
    band: str,
    bands: BandScheme,
    strong_rating: int,
    confidence: float,
) -> TalliedTree:
    """These tables of the store by position. `confidence`: of the pick rates' bounds."""
    of_band, likely = (
        table.filter(pa.compute.equal(table["band"], band)).to_pandas() for table in (replies, foreseen)
    )
    return TalliedTree(
        positions={
            row["key"]: TalliedPosition(row["fen"], row["path"])
            for row in positions.select(["key", "fen", "path"]).to_pylist()
        },
        played=_played(replies.to_pandas(), of_band, likely, strong_bands(bands, strong_rating)),
        strength=_strengths(of_band, confidence),
        judged=_judged(judged.to_pandas()),
    )


def strong_bands(bands: BandScheme, rating: int) -> set[str]:
    """The bands whose players all have the rating or more."""
    return {str(band) for band in bands.bands if band.low >= rating}


def _played(
    replies: pd.DataFrame, of_band: pd.DataFrame, likely: pd.DataFrame, strong: set[str]
) -> dict[int, tuple[Played, ...]]:
    replies["games_strong"] = replies["games"].where(replies["band"].isin(strong), 0)
    counted = replies.groupby(["key", "move"], as_index=False)[["games", "games_strong"]].sum()
    known = ["key", "move", "games", "pick_rate"]
    own = pd.concat([of_band[known], likely.assign(games=0)[known]]).rename(columns={"games": "games_band"})
    rows = counted.merge(own, on=["key", "move"], how="outer").fillna(0)
    rows = rows.sort_values(["key", "games_band", "games", "move"], ascending=[True, False, False, True])
    rows = rows.astype({"games": int, "games_strong": int, "games_band": int})
    columns = ("move", "games", "games_band", "games_strong", "pick_rate")
    played: dict[int, list[Played]] = {}
    for key, *values in zip(*(rows[name].tolist() for name in ("key", *columns)), strict=True):
        played.setdefault(key, []).append(Played(*values))
    return {key: tuple(moves) for key, moves in played.items()}


def _strengths(of_band: pd.DataFrame, confidence: float) -> dict[int, float]:
    """One number per position, from the reply whose rate is nearest to a half: its interval tells most."""
    off = (of_band["pick_rate"] - 0.5).abs()
    telling = of_band.loc[off.groupby(of_band["key"]).idxmin()] if len(of_band) else of_band
    rates = ("pick_rate", "pick_rate_low", "pick_rate_high")
    strengths = strength_of(
        *(telling[name].to_numpy(dtype=np.float64) for name in rates), confidence=confidence
    )
    return dict(zip(telling["key"].tolist(), strengths.tolist(), strict=True))


def strength_of(rate: Floats, low: Floats, high: Floats, *, confidence: float) -> Floats:
    """Games on which Beta distributions with these means rest, by the width of their intervals.

    As if they were normal: within a fifth of the truth for rates of 10 to 90% that rest on ten games or more.
    """
    deviation = stats.deviation_of(low, high, confidence=confidence)
    games = rate * (1.0 - rate) / np.square(np.maximum(deviation, 1e-6)) - 1.0
    return np.asarray(np.clip(games, 1.0, 1e7))


def _judged(judged: pd.DataFrame) -> dict[int, dict[int, Judged]]:
    conclusive = judged[judged["state"] == "judged"]
    columns = ("key", "move", "cp_best", "cp_reply", "nodes", "pv_best", "pv_reply")
    found: dict[int, dict[int, Judged]] = {}
    for key, move, cp_best, cp_reply, nodes, line_best, line_reply in zip(
        *(conclusive[name].tolist() for name in columns), strict=True
    ):
        found.setdefault(key, {})[move] = Judged(
            int(cp_best), int(cp_reply), nodes, tuple(line_best), tuple(line_reply)
        )
    return found
