"""Whether an advantage lasts: the positions nine plies after a losing reply, and after the other moves there.

The outcome of one game says little of a move. What the engine says a few moves later says much more of how
the players of the band go on, and of many games enough.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

import chess
import numpy as np
import numpy.typing as npt
import pandas as pd

from miner.arrays import Ints
from miner.board.play import Boards
from miner.board.settle import MATED, material_balance, settled_balance
from miner.engine.consult import Engines
from miner.engine.verdicts import Answer, Request, Verdict
from miner.means import Means
from miner.processes import mapped
from miner.terms import MOST_CP

PLIES = 9
"""Plies between the move and the position that is looked at."""
FEWEST_PLIES = 4
"""Plies that must at least be kept of a game that goes on."""

_REPLY = ["key", "move"]
Look = Generator[list[Request], list[Answer], int | None]


def look(fen: str, nodes: int) -> Look:
    """The inquiry about one position: centipawns for the side to move; None: the engine could not say."""
    [found] = yield [Request.of(chess.Board(fen), nodes)]
    return found.score.as_cp if isinstance(found, Verdict) else None


@dataclass(frozen=True, slots=True, eq=False)
class Later:
    """The games of a sample, and the positions that are looked at, each once."""

    games: (
        pd.DataFrame
    )  # key, move, game, ply, chosen; plies (until then), answer, and at, the position's place
    fens: list[str]


def later_of(sample: pd.DataFrame, moves: pd.DataFrame, kept_plies: int) -> Later:
    """Where the games of the sample stand nine plies on.

    `sample`: key, move, game, ply and chosen; `moves`: game, ply, key and move of all these games, by game
    and ply; `kept_plies`: that were kept of any game. A game that ends before counts with the last position
    in which somebody moved: who is mated or resigns at once has not got away. One that is only cut off must
    go on for `FEWEST_PLIES`. After a position that a game has had before nothing is known of it.
    """
    game, ply = moves["game"].to_numpy(), moves["ply"].to_numpy(dtype=np.int64)
    games, begins, counts = np.unique(game, return_index=True, return_counts=True)
    in_order = ply == np.arange(len(ply)) - np.repeat(begins, counts)
    whole = np.add.reduceat(in_order, begins) if len(games) else counts
    is_cut = (whole < counts) | (counts >= kept_plies)
    place = np.searchsorted(games, sample["game"].to_numpy())
    at_ply = sample["ply"].to_numpy(dtype=np.int64)
    last = np.minimum(at_ply + 1 + PLIES, whole[place] - 1)
    plies = last - at_ply - 1
    is_told = (plies >= 0) & (~is_cut[place] | (plies >= FEWEST_PLIES))
    row, place = (begins[place] + last)[is_told], place[is_told]
    keys, firsts, at = np.unique(
        moves["key"].to_numpy(dtype=np.uint64)[row], return_index=True, return_inverse=True
    )
    packed = moves["move"].to_numpy(dtype=np.uint16)
    told = sample[is_told].assign(
        plies=plies[is_told], at=at, answer=packed[begins[place] + at_ply[is_told] + 1]
    )
    return Later(told, _fens(packed, begins[place[firsts]], last[is_told][firsts]) if len(keys) else [])


def _fens(packed: npt.NDArray[np.uint16], begins: Ints, plies: Ints) -> list[str]:
    """The positions of games, whose moves begin in these rows, before their moves of these plies."""
    boards, left = Boards.start().take(np.zeros(len(plies), dtype=np.int64)), np.arange(len(plies))
    fens = [""] * len(plies)
    for now in range(int(plies.max()) + 1):
        there = np.flatnonzero(plies[left] == now)
        for place, fen in zip(left[there].tolist(), boards.take(there).fens().to_pylist(), strict=True):
            fens[place] = fen
        goes_on = np.flatnonzero(plies[left] > now)
        boards, left = boards.take(goes_on), left[goes_on]
        boards = boards.after(packed[begins[left] + now])
    return fens


def evaluated(later: Later, engines: Engines, nodes: int) -> tuple[pd.DataFrame, int]:
    """The games with cp, for who was to move before the reply, and how many searches failed.

    Raises what `Engines.ask` does.
    """
    said = engines.ask("whether it lasts", "position", [look(fen, nodes) for fen in later.fens])
    is_again = np.where(later.games["plies"] % 2 == 1, 1, -1)  # whether he is to move
    cp = pd.Series(said, dtype="Int64").take(later.games["at"].to_numpy()).to_numpy() * is_again
    return later.games.assign(cp=pd.array(cp, dtype="Int64")), said.count(None)


def lasted(games: pd.DataFrame, fens: list[str], judged: pd.DataFrame, means: Means) -> pd.DataFrame:
    """The rows of the table `lasted`, of games as from `evaluated`.

    `judged`: the answers that were judged, key, move, fen (before the reply), answer, is_good and is_taught.
    What was won is counted of those who played the taught answer: others need not aim at the same.
    """
    rows = games.merge(judged, on=[*_REPLY, "answer"], how="left")
    found = rows["is_good"].where(rows["chosen"] == rows["move"]).astype("boolean")
    rows = rows.assign(found=found, won=pd.array([None] * len(rows), dtype="Int64"))
    punished = rows[rows["found"].fillna(False) & rows["is_taught"].eq(True)]
    if len(punished):
        rows.loc[punished.index, "won"] = _won(punished, fens, means)
    return rows[[*_REPLY, "game", "chosen", "found", "plies", "cp", "won"]]


def _won(punished: pd.DataFrame, fens: list[str], means: Means) -> Ints:
    """What who punished has won, in pawns; `MATED` where he mates."""
    pairs = punished[["fen", "at"]].drop_duplicates(ignore_index=True)
    values = [(before, fens[at]) for before, at in zip(pairs["fen"], pairs["at"], strict=True)]
    with means.progress.task("counting men", total=len(values), unit="position") as task:
        pairs["won"] = mapped(pawns_won, values, means.processes, task.advance)
    won = punished[["fen", "at"]].merge(pairs, on=["fen", "at"], how="left")["won"].to_numpy(dtype=np.int64)
    mates = (punished["cp"] < -MOST_CP).fillna(False).to_numpy(dtype=np.bool_)
    return np.where(mates, MATED, won)


def pawns_won(fens: tuple[str, str]) -> int:
    """What the side not to move in the first position is up in the second, captures settled, in pawns.

    >>> pawns_won(("4k3/8/8/3n4/8/8/8/4K3 b - - 0 1", "4k3/8/8/8/8/8/8/4K3 b - - 0 2"))
    3
    """
    before, later = map(chess.Board, fens)
    return settled_balance(later, not before.turn) - material_balance(before, not before.turn)
