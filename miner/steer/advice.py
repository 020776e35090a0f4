"""What the expectimax found, as tables and as a tree that can be walked. No I/O."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import chess
import numpy as np
import pandas as pd

from miner.board.moves import line_san, parse_uci_line, unpack_move
from miner.settings import SteerSettings
from miner.steer.grow import popular
from miner.steer.tallied import TalliedTree
from miner.steer.tree import (
    Choice,
    OurPosition,
    Position,
    TheirPosition,
    Valued,
    Worth,
    engine_expected,
    followed_to,
    steps_of,
)
from miner.terms import Side

TRAPS_TOLD = 3

COLUMNS = {
    "key": "position key",
    "fen": "position in which our side is to move",
    "ply": "plies from the start of the game to it, on the way that is told",
    "path": "that way, SAN, space-separated",
    "reach": "share (0 to 1) of games from the first position on in which it arises, if we follow the advice",
    "move": "SAN",
    "uci": "UCI",
    "is_recommended": "whether it is the move of the highest lower bound among those that are allowed",
    "is_engine_choice": "whether it is the engine's best move",
    "is_sound": "whether it loses no more than the soundness margin",
    "popular_with": "whose most popular move it is: band, strong, or both; else empty",
    "value": "expected score (0 to 1) against the band",
    "value_low": "lower bound of its interval",
    "value_high": "upper bound",
    "cp": "centipawns for our side",
    "expected": "expected score by the engine's rule",
    "loss": "what it loses against the engine's best move by that rule",
    "price": "expected score by the band's curve if the opponent answers best from there",
    "games": "games of the band's players that answered it",
    "games_band": "games in which players of the band chose it themselves",
    "traps": "the losing replies that carry its value, with their share of what it is worth above its price",
}
"""The columns of `Advice.choices`, and what each is."""


@dataclass(frozen=True, slots=True)
class TakenAway:
    """A reply that is popular and sound after another move of ours, and loses after the recommended one."""

    key: int  # our position
    move: int  # the recommended move
    reply: int
    sister: int  # the move of ours after which it is most popular
    rate_there: float  # pick rate after that
    rate_here: float  # after the recommended move; 0: nobody chose it
    loss_there: float  # expected score by the engine's rule
    loss_here: float


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Which moves score best against a band, from one position on."""

    side: Side
    band: str
    root: int
    first_moves: tuple[chess.Move, ...]  # from the start of the game to the first position; may be empty
    tree: Mapping[int, Position]
    valued: Valued
    worth: Worth
    tallied: TalliedTree
    settings: SteerSettings
    curve: str  # fitted, or engine
    taken_away: tuple[TakenAway, ...] = ()

    @cached_property
    def reach(self) -> dict[int, float]:
        """How often each position arises if our side follows the advice; ways to one position add up."""
        reach = {self.root: 1.0}
        for key in reversed(tuple(self.valued.positions)):
            if key in reach:
                for _, child, rate in self.followed(key):
                    if child is not None:
                        reach[child] = reach.get(child, 0.0) + rate * reach[key]
        return reach

    def followed(self, key: int) -> Iterator[tuple[int, int | None, float]]:
        """Move, position it leads to (None: the tree ends) and share of games, where the advice is followed:
        our one move, or the band's replies.
        """
        position = self.tree[key]
        for step in steps_of(position):
            if isinstance(position, OurPosition) and step.move != self.valued.chosen[key]:
                continue
            rate = 1.0 if isinstance(step, Choice) else step.rate
            yield step.move, followed_to(self.tree, self.valued.cut, key, step), rate

    @cached_property
    def ways(self) -> dict[int, tuple[chess.Move, ...]]:
        """The likeliest way to each position of the recommended tree, from the first position on."""
        ways: dict[int, tuple[chess.Move, ...]] = {self.root: ()}
        best: dict[int, float] = {self.root: 1.0}
        for key in reversed(tuple(self.valued.positions)):
            if key not in ways:
                continue
            for move, child, rate in self.followed(key):
                if child is not None and best[key] * rate > best.get(child, 0.0):
                    best[child], ways[child] = best[key] * rate, (*ways[key], unpack_move(move))
        return ways

    @property
    def value(self) -> tuple[float, float, float]:
        """Expected score from the first position on, with its interval."""
        return self._interval(self.valued.positions[self.root])

    def _interval(self, values: Any) -> tuple[float, float, float]:
        tail = (1.0 - self.settings.confidence) / 2.0
        low, high = np.quantile(values[1:], [tail, 1.0 - tail])
        # Where a rare reply decides, few draws hold it, and the best guess lies outside of most.
        return float(values[0]), float(min(low, values[0])), float(max(high, values[0]))

    @cached_property
    def choices(self) -> pd.DataFrame:
        """One row for each choice of ours along the recommended tree; see `COLUMNS`.

        The positions that arise most often come first; in each the recommended move, then the others.
        """
        reach = self.reach
        ours = [key for key in reach if isinstance(self.tree.get(key), OurPosition)]
        ordered = sorted(ours, key=lambda key: (-reach[key], key))
        return pd.DataFrame([row for key in ordered for row in self._rows(key)], columns=list(COLUMNS))

    def _rows(self, key: int) -> list[dict[str, Any]]:
        position = self.tree[key]
        assert isinstance(position, OurPosition)
        place = self.tallied.places[key]
        board = chess.Board(place.fen)
        way = (*self.first_moves, *self.ways[key])
        played = {one.move: one for one in self.tallied.played.get(key, ())}
        shown = _popular_with(popular(self.tallied.played.get(key, ())), key, self.tallied)
        rows = []
        for choice in position.choices:
            value, low, high = self._interval(self.valued.moves[key, choice.move])
            move = unpack_move(choice.move)
            answered = self.tree.get(choice.child) if choice.child is not None else None
            rows.append(
                {
                    "key": key,
                    "fen": place.fen,
                    "ply": len(way),
                    "path": line_san(chess.Board(), way),
                    "reach": self.reach[key],
                    "move": board.san(move),
                    "uci": move.uci(),
                    "is_recommended": choice.move == self.valued.chosen[key],
                    "is_engine_choice": choice is position.choices[0],
                    "is_sound": choice.loss <= self.settings.soundness,
                    "popular_with": shown.get(choice.move, ""),
                    "value": value,
                    "value_low": low,
                    "value_high": high,
                    "cp": choice.cp,
                    "expected": engine_expected(choice.cp),
                    "loss": choice.loss,
                    "price": float(self.valued.prices[key, choice.move][0]),
                    "games": answered.games if isinstance(answered, TheirPosition) else 0,
                    "games_band": played[choice.move].games_band if choice.move in played else 0,
                    "traps": self._traps_told(key, choice),
                }
            )
        return sorted(rows, key=lambda row: (not row["is_recommended"], -row["value"]))

    def _traps_told(self, key: int, choice: Choice) -> str:
        return "; ".join(
            f"{line} ({share:.0%})" for line, share in self.traps_of(key, choice.move)[:TRAPS_TOLD]
        )

    def traps_of(self, key: int, move: int) -> list[tuple[str, float]]:
        """The losing replies that carry a choice, the heaviest first: the line from the choice to the reply,
        SAN, and its share of what the choice is worth above its price.
        """
        traps = self.valued.traps[key, move]
        above = float(self.valued.moves[key, move][0] - self.valued.prices[key, move][0])
        if not traps or above <= 0.0:
            return []
        lines = self._lines_from(key, move, {trap.key for trap in traps})
        board = chess.Board(self.tallied.places[key].fen)
        return [
            (line_san(board, (*lines[trap.key], unpack_move(trap.move))), trap.gain / above) for trap in traps
        ]

    def _lines_from(self, key: int, move: int, wanted: set[int]) -> dict[int, tuple[chess.Move, ...]]:
        """A shortest line from a choice to each of the wanted positions, our side following the advice."""
        [child] = [one.child for one in steps_of(self.tree[key]) if one.move == move]
        assert child is not None
        lines: dict[int, tuple[chess.Move, ...]] = {child: (unpack_move(move),)}
        waiting = deque([child])
        while waiting and not wanted <= lines.keys():
            here = waiting.popleft()
            for step, there, _ in self.followed(here):
                if there is not None and there not in lines:
                    lines[there] = (*lines[here], unpack_move(step))
                    waiting.append(there)
        return lines


def _popular_with(found: list[Any], key: int, tallied: TalliedTree) -> dict[int, str]:
    """Whose most popular move each of `popular` moves is."""
    played = tallied.played.get(key, ())
    told: dict[int, str] = {}
    for one in found:
        with_band = bool(one.games_band) and one.games_band == max(other.games_band for other in played)
        with_strong = bool(one.games_strong) and one.games_strong == max(
            other.games_strong for other in played
        )
        told[one.move] = ", ".join(
            name for name, holds in (("band", with_band), ("strong", with_strong)) if holds
        )
    return told


def rows_of(choices: pd.DataFrame) -> list[Any]:
    """The rows of `Advice.choices`, with the columns as attributes."""
    return list(choices.itertuples(index=False))


def first_moves_of(path: str) -> tuple[chess.Move, ...]:
    """The moves of a path in UCI from the start of the game."""
    return parse_uci_line(chess.Board(), path.split())
