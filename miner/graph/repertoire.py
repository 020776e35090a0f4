"""A repertoire as PGN, and how often positions arise within it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import chess
import chess.pgn
import chess.polyglot
import numpy as np
import numpy.typing as npt
import pandas as pd

from miner import stats
from miner.arrays import Floats, Ints
from miner.board.moves import pack, unpack_move
from miner.errors import Place, SourceError
from miner.graph.walk import START_KEY
from miner.store import Store, digest_of
from miner.terms import Side

_AT_ONCE = 512  # targets, so that memory does not grow with the square of the repertoire


@dataclass(frozen=True, slots=True)
class Repertoire:
    """Our moves, packed as in the tables, by the key of the position in which they are played.

    Where there are several, the first is the one that comes first in the file.
    """

    side: Side
    moves: Mapping[int, tuple[int, ...]]

    def at(self, key: int) -> tuple[int, ...]:
        """Our moves in a position; none if the repertoire has no answer."""
        return self.moves.get(key, ())


def read_repertoire(path: Path, side: Side) -> Repertoire:
    """The moves of `side` in all games and variations of a PGN file, transpositions merged.

    Raises SourceError if the file cannot be read, holds no move of that side, or has a game that is broken,
    of a variant, or does not begin at the start of the game or at a position that can be played.
    """
    if not (moves := _read(path, side)):
        raise SourceError(
            f"the repertoire has no move for {side.capitalize()}",
            where=path,
            advice="give a PGN file with games or variations, a file for each side",
        )
    return Repertoire(side, {key: tuple(found) for key, found in moves.items()})


def repertoire_digest(file: str) -> str:
    """The digest by which a repertoire's file is known. Raises SourceError if it cannot be read."""
    try:
        return digest_of(Path(file))
    except OSError as error:
        raise SourceError(
            f"the repertoire cannot be read: {error.strerror}",
            where=Place(file),
            advice="give a PGN file with what is played",
        ) from error


def moves_in(path: Path) -> set[tuple[int, int]]:
    """The moves of both sides in a repertoire's file: keys and packed moves.

    Raises SourceError as `read_repertoire` does, but for a file without moves.
    """
    return {(key, move) for side in Side for key, found in _read(path, side).items() for move in found}


def _read(path: Path, side: Side) -> dict[int, dict[int, None]]:
    moves: dict[int, dict[int, None]] = {}
    try:
        with path.open(encoding="utf-8-sig") as text:
            number = 0
            while (game := _next_game(text, path, number + 1)) is not None:
                number += 1
                _collect(game, side, moves)
    except (OSError, UnicodeDecodeError) as error:
        raise SourceError(
            f"the repertoire cannot be read: {error}",
            where=path,
            advice="give a PGN file in UTF-8, such as a chess program saves",
        ) from error
    return moves


def _next_game(text: TextIO, path: Path, number: int) -> chess.pgn.Game | None:
    try:
        game = chess.pgn.read_game(text, Visitor=_Builder)
    except ValueError as error:
        raise _broken(path, number, str(error)) from error
    if game is not None and game.errors:
        raise _broken(path, number, str(game.errors[0]))
    if game is not None and (type(board := game.board()) is not chess.Board or board.chess960):
        raise _broken(path, number, "it is of a variant of chess")
    return game


class _Builder(chess.pgn.GameBuilder[chess.pgn.Game]):
    """python-chess's, but what is wrong is only noted: the error tells of it."""

    def handle_error(self, error: Exception) -> None:
        self.game.errors.append(error)


def _broken(path: Path, number: int, why: str) -> SourceError:
    return SourceError(
        f"the game cannot be read: {why}",
        where=Place(str(path), game=number),
        advice="correct it, or leave it out",
    )


def _collect(game: chess.pgn.Game, side: Side, moves: dict[int, dict[int, None]]) -> None:
    waiting: list[tuple[chess.pgn.GameNode, chess.Board]] = [(game, game.board())]
    while waiting:
        node, board = waiting.pop()
        for child in reversed(node.variations):
            after = board.copy(stack=False)
            after.push(child.move)
            waiting.append((child, after))
        if board.turn == side.color and node.variations:
            found = moves.setdefault(chess.polyglot.zobrist_hash(board), {})
            for child in node.variations:
                found[pack(child.move)] = None


@dataclass(frozen=True, slots=True)
class RatedReply:
    """A reply of the band with its pick rate and that rate's variance."""

    move: int
    rate: float
    variance: float


@dataclass(frozen=True, slots=True)
class RepertoireArrays:
    """A repertoire against a band as arrays: positions from the start on, each before all that follow it."""

    keys: tuple[int, ...]
    is_ours: npt.NDArray[np.bool_]  # (positions,): whether our side is to move
    is_covered: npt.NDArray[np.bool_]  # (positions,): whether the repertoire has an answer, or they move
    paths: tuple[str, ...]  # a way to each, UCI
    parent: Ints  # (edges,): ordered
    child: Ints  # (edges,): later than its parent
    rate: Floats  # (edges,): 1 for our moves
    variance: Floats  # (edges,): of the rate


def reach_in_repertoire(store: Store, repertoire: Repertoire, bands: Sequence[str]) -> pd.DataFrame:
    """How often each position arises when our side plays the repertoire against players of some bands.

    Columns key, band, reach (share of games, 0 to 1), log_variance, is_covered (False: our side is to move
    and the repertoire has no answer), path (a way to it, UCI); band after band, of each the most frequent
    first, and only positions that do arise. Different ways to one position add up. Where the repertoire has
    several moves, each position is counted with the one that leads to it most often.
    Raises StoreError without a tally, UsageError for a band that it does not have.
    """
    tally = store.require("tally")
    store.bands.require(bands)
    columns = ["key", "band", "move", "pick_rate", "pick_rate_low", "pick_rate_high"]
    replies = store.read_table("replies", columns).to_pandas()
    parts = []
    for band in bands:
        rated = rated_replies(replies[replies["band"] == band], tally.settings["confidence"])
        parts.append(_against(repertoire, rated).assign(band=band))
    return pd.concat(parts, ignore_index=True)[["key", "band", "reach", "log_variance", "is_covered", "path"]]


def _against(repertoire: Repertoire, rated: Mapping[int, Sequence[RatedReply]]) -> pd.DataFrame:
    ways = ways_of(repertoire, rated)
    reach, log_variance = reach_of(ways)
    table = pd.DataFrame(
        {
            "key": np.array(ways.keys, dtype=np.uint64),
            "reach": reach,
            "log_variance": log_variance,
            "is_covered": ways.is_covered,
            "path": list(ways.paths),
        }
    )
    return table.sort_values(["reach", "key"], ascending=[False, True], ignore_index=True)


def not_covered(reach: pd.DataFrame) -> pd.DataFrame:
    """Of the rows of `reach_in_repertoire` those to which the repertoire has no answer, in their order."""
    return reach[~reach["is_covered"]].reset_index(drop=True)


def rated_replies(replies: pd.DataFrame, confidence: float) -> dict[int, list[RatedReply]]:
    """The replies of one band by position."""
    low, high = (replies[name].to_numpy() for name in ("pick_rate_low", "pick_rate_high"))
    deviation = stats.deviation_of(low, high, confidence=confidence)
    rated: dict[int, list[RatedReply]] = {}
    columns = (replies["key"], replies["move"], replies["pick_rate"], np.square(deviation))
    for key, move, rate, variance in zip(*(column.tolist() for column in columns), strict=True):
        rated.setdefault(key, []).append(RatedReply(move, rate, variance))
    return rated


def ways_of(repertoire: Repertoire, rated: Mapping[int, Sequence[RatedReply]]) -> RepertoireArrays:
    """Follow the repertoire and the band's replies from the start of the game.

    A move that would close a circle is left out.
    """
    walked = _Walk(repertoire, rated)
    walked.from_start()
    order = {key: place for place, key in enumerate(reversed(walked.done))}
    edges = sorted(
        (order[parent], order[child], rate, variance) for parent, child, rate, variance in walked.edges
    )
    keys = tuple(order)
    parents, children, rates, variances = zip(*edges, strict=True) if edges else ((), (), (), ())
    is_ours = np.array([walked.is_ours[key] for key in keys], dtype=np.bool_)
    return RepertoireArrays(
        keys,
        is_ours,
        np.array([not walked.is_ours[key] or bool(repertoire.at(key)) for key in keys], dtype=np.bool_),
        tuple(walked.path[key] for key in keys),
        np.array(parents, dtype=np.int64),
        np.array(children, dtype=np.int64),
        np.array(rates, dtype=np.float64),
        np.array(variances, dtype=np.float64),
    )


class _Walk:
    """Depth first, so that the positions can be put in an order in which every move leads forward."""

    def __init__(self, repertoire: Repertoire, rated: Mapping[int, Sequence[RatedReply]]) -> None:
        self._repertoire = repertoire
        self._rated = rated
        self.done: list[int] = []
        self.edges: list[tuple[int, int, float, float]] = []
        self.path: dict[int, str] = {START_KEY: ""}
        self.is_ours: dict[int, bool] = {}

    def from_start(self) -> None:
        """Walk through everything that can arise."""
        board = chess.Board()
        self.is_ours[START_KEY] = self._is_ours(board)
        stack = [(START_KEY, board, iter(self._moves(START_KEY, board)))]
        on_the_way = {START_KEY}
        while stack:
            key, board, moves = stack[-1]
            chosen = next(moves, None)
            if chosen is None:
                stack.pop()
                on_the_way.remove(key)
                self.done.append(key)
                continue
            after = board.copy(stack=False)
            after.push(unpack_move(chosen.move))
            child = chess.polyglot.zobrist_hash(after)
            if child in on_the_way:
                continue
            self.edges.append((key, child, chosen.rate, chosen.variance))
            if child not in self.path:
                self.path[child] = f"{self.path[key]} {unpack_move(chosen.move).uci()}".lstrip()
                self.is_ours[child] = self._is_ours(after)
                stack.append((child, after, iter(self._moves(child, after))))
                on_the_way.add(child)

    def _is_ours(self, board: chess.Board) -> bool:
        return board.turn == self._repertoire.side.color

    def _moves(self, key: int, board: chess.Board) -> Sequence[RatedReply]:
        if self._is_ours(board):
            return [RatedReply(move, 1.0, 0.0) for move in self._repertoire.at(key)]
        return self._rated.get(key, ())


def reach_of(ways: RepertoireArrays) -> tuple[Floats, Floats]:
    """Reach (0 to 1) of each position and the variance of its logarithm.

    For each position in turn: how likely it is reached from every other one, from the last to the first. Our
    own moves take the best, the opponents' add up by their rates. The variance is to first order; rates on
    different ways are taken to be independent.
    """
    count = len(ways.keys)
    firsts = np.searchsorted(ways.parent, np.arange(count + 1))
    reach, variance = np.zeros(count), np.zeros(count)
    for begin in range(0, count, _AT_ONCE):
        targets = np.arange(begin, min(begin + _AT_ONCE, count))
        chance, spread = np.zeros((count, len(targets))), np.zeros((count, len(targets)))
        for place in reversed(range(targets[-1] + 1)):
            edges = slice(firsts[place], firsts[place + 1])
            if edges.start != edges.stop:
                _pass_back(ways, place, edges, chance, spread)
            if place >= begin:
                chance[place, place - begin], spread[place, place - begin] = 1.0, 0.0
        reach[targets], variance[targets] = chance[0], spread[0]
    log_variance = np.divide(variance, np.square(reach), out=np.zeros(count), where=reach > 0)
    return reach, log_variance


def _pass_back(ways: RepertoireArrays, place: int, edges: slice, chance: Floats, spread: Floats) -> None:
    """The chances of a position, and their variances, from those of the positions that follow it."""
    after, after_spread = chance[ways.child[edges]], spread[ways.child[edges]]
    if ways.is_ours[place]:
        best = after.argmax(axis=0)
        columns = np.arange(after.shape[1])
        chance[place], spread[place] = after[best, columns], after_spread[best, columns]
    else:
        rate, variance = ways.rate[edges][:, None], ways.variance[edges][:, None]
        chance[place] = (rate * after).sum(axis=0)
        spread[place] = (np.square(rate) * after_spread + np.square(after) * variance).sum(axis=0)
