"""The positions of whole games: each distinct one once, and which move led from which to which."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from miner.arrays import Ints, Keys, Moves
from miner.board.play import Boards


@dataclass(frozen=True, slots=True)
class Walked:
    """The moves of the games from some ply on, game by game, and the positions before and after each."""

    fens: tuple[str, ...]  # of the distinct positions, in the order in which they are met first
    keys: Keys  # of the same
    game: npt.NDArray[np.uint32]  # (moves,)
    ply: npt.NDArray[np.uint8]  # (moves,)
    move: Moves  # (moves,): packed
    before: Ints  # (moves,): place among the distinct positions of the one in which it is made
    after: Ints  # (moves,): of the one that it leads to; -1: that is not looked at
    next_row: Ints  # (moves,): the row of the answer; -1: there is none on record


def walked(
    game: npt.NDArray[np.uint32], ply: npt.NDArray[np.uint8], move: Moves, *, first: int, most: int
) -> Walked:
    """Replay games from their moves, which are ordered by game and ply.

    `first`: the ply from which positions are looked at; `most`: plies that were kept of any game. The
    position after the last move counts where the game has ended before that: where moves are only cut off,
    nobody knows how it went on. Each game is followed up to a position that it has had before, since what
    was played there stands on record once only.
    """
    games, begins, counts = np.unique(game, return_index=True, return_counts=True)
    row_in_game = np.arange(len(ply)) - np.repeat(begins, counts)
    before_gap = np.where(ply == row_in_game, counts.max(initial=0), row_in_game)
    lengths = np.minimum(counts, np.minimum.reduceat(before_gap, begins)) if len(games) else counts
    has_end = (lengths == counts) & (lengths < most)
    boards = Boards.start().take(np.zeros(len(games), dtype=np.int64))
    alive = np.arange(len(games))
    place_of: dict[int, int] = {}
    fens: list[str] = []
    at = np.full((len(games), int(lengths.max(initial=0)) + 1), -1, dtype=np.int64)
    for now in range(at.shape[1]):
        is_there = (lengths[alive] > now) | (has_end[alive] & (lengths[alive] == now))
        boards, alive = boards.take(np.flatnonzero(is_there)), alive[is_there]
        if now >= first and len(alive):
            at[alive, now] = _places(boards, place_of, fens)
        goes_on = lengths[alive] > now
        boards, alive = boards.take(np.flatnonzero(goes_on)), alive[goes_on]
        boards = boards.after(move[begins[alive] + now])
    keep = np.flatnonzero((ply >= first) & (ply < np.repeat(lengths, counts)))
    row_game, row_ply = np.repeat(np.arange(len(games)), counts)[keep], ply[keep].astype(np.int64)
    same_game = np.append(row_game[1:] == row_game[:-1], False) if len(keep) else np.zeros(0, dtype=np.bool_)
    return Walked(
        tuple(fens),
        np.fromiter(place_of, dtype=np.uint64, count=len(place_of)),
        game[keep],
        ply[keep],
        move[keep],
        at[row_game, row_ply],
        at[row_game, row_ply + 1],
        np.where(same_game, np.arange(len(keep)) + 1, -1),
    )


def _places(boards: Boards, place_of: dict[int, int], fens: list[str]) -> Ints:
    keys = boards.keys
    distinct, rows, which = np.unique(keys, return_index=True, return_inverse=True)
    new = [row for key, row in zip(distinct.tolist(), rows.tolist(), strict=True) if key not in place_of]
    new.sort()  # in the order of the games
    for row, fen in zip(new, boards.take(np.array(new, dtype=np.int64)).fens().to_pylist(), strict=True):
        place_of[int(keys[row])] = len(place_of)
        fens.append(fen)
    places = np.array([place_of[key] for key in distinct.tolist()], dtype=np.int64)
    return np.asarray(places[which])
