"""The moves that score best, as a table and as a tree, and the replies that they take away. No I/O."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import chess
import chess.polyglot
import numpy as np
import pandas as pd

from miner.arrays import Floats
from miner.board.moves import line_san, unpack_move
from miner.settings import SteerSettings
from miner.steer.expectimax import Choice, OurPosition, Tree, Valued, Worth, games_of, steps_of
from miner.steer.grow import Ask, Looked, Question, popular
from miner.steer.tallied import TalliedTree
from miner.terms import Side, expected_score

_TRAPS_LISTED = 3

ADVICE_COLUMNS = {
    "key": "position key",
    "fen": "position in which our side is to move",
    "ply": "plies from the start of the game to it, on the way that is told",
    "path": "that way, SAN, space-separated",
    "reach": "share (0 to 1) of games from the first position on in which it arises, if we follow the advice",
    "move": "SAN",
    "uci": "UCI",
    "is_recommended": "whether it is the move of the highest lower bound among those that are allowed, or "
    "one of a higher value that rests on a hundred times as many games",
    "instead_of": "then the move of the highest lower bound, SAN; else empty",
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
    "traps": "the losing replies that carry its value, with their share of what it is worth above its price, "
    "or of what they all add if that is more",
    "motifs": "what the other side falls for in the scanned games of all bands through the position after it",
}
"""The columns of `Advice.choices`, and what each is."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TakenAway:
    """A reply that is popular and sound after another move of ours, and loses after the recommended one."""

    key: int  # our position
    move: int  # the recommended move
    here: int  # the position after it
    reply: int
    sister: int  # the move of ours after which it is most popular
    there: int  # the position after that
    rate_there: float  # pick rate there
    rate_here: float  # after the recommended move; 0: nobody chose it
    loss_there: float = 0.0  # expected score by the engine's rule
    loss_here: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Which moves score best against a band, from one position on."""

    side: Side
    band: str
    root: int
    first_moves: tuple[chess.Move, ...]  # from the start of the game to the first position; may be empty
    valued: Valued
    worth: Worth
    tallied: TalliedTree
    settings: SteerSettings
    curve: str  # fitted, or engine
    taken_away: tuple[TakenAway, ...] = ()
    brought: Mapping[int, str] = field(default_factory=dict)  # motifs by position, in words

    @property
    def tree(self) -> Tree:
        """The positions that matter, by their keys."""
        return self.valued.tree

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
        for step in steps_of(self.tree[key]):
            if isinstance(step, Choice) and step.move != self.valued.chosen[key]:
                continue
            rate = 1.0 if isinstance(step, Choice) else step.rate
            yield step.move, self.valued.child(key, step), rate

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

    def _interval(self, values: Floats) -> tuple[float, float, float]:
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
        return pd.DataFrame([row for key in ordered for row in self._rows(key)], columns=list(ADVICE_COLUMNS))

    def _rows(self, key: int) -> list[dict[str, Any]]:
        position = self.tree[key]
        assert isinstance(position, OurPosition)
        fen = self.tallied.positions[key].fen
        board = chess.Board(fen)
        way = (*self.first_moves, *self.ways[key])
        moves = self.tallied.played.get(key, ())
        games_band = {played.move: played.games_band for played in moves}
        popular_with = popular(moves)
        rows = []
        for choice in position.choices:
            value, low, high = self._interval(self.valued.moves[key, choice.move])
            rows.append(
                {
                    "key": key,
                    "fen": fen,
                    "ply": len(way),
                    "path": line_san(chess.Board(), way),
                    "reach": self.reach[key],
                    "move": board.san(unpack_move(choice.move)),
                    "uci": unpack_move(choice.move).uci(),
                    "is_recommended": choice.move == self.valued.chosen[key],
                    "instead_of": self._instead_of(key, choice, board),
                    "is_engine_choice": choice is position.choices[0],
                    "is_sound": choice.loss <= self.settings.soundness,
                    "popular_with": popular_with.get(choice.move, ""),
                    "value": value,
                    "value_low": low,
                    "value_high": high,
                    "cp": choice.cp,
                    "expected": expected_score(choice.cp),
                    "loss": choice.loss,
                    "price": float(self.valued.prices[key, choice.move][0]),
                    "games": games_of(self.tree, choice),
                    "games_band": games_band.get(choice.move, 0),
                    "traps": self._traps(key, choice),
                    "motifs": self.brought.get(choice.child, "") if choice.child is not None else "",
                }
            )
        return sorted(rows, key=lambda row: (not row["is_recommended"], -row["value"]))

    def _instead_of(self, key: int, choice: Choice, board: chess.Board) -> str:
        passed_over = self.valued.passed_over.get(key)
        if passed_over is None or choice.move != self.valued.chosen[key]:
            return ""
        return board.san(unpack_move(passed_over))

    def _traps(self, key: int, choice: Choice) -> str:
        """The losing replies that carry a choice, the heaviest first: the line from the choice to the reply,
        SAN, and its share of what the choice is worth above its price; or of what all such replies add, where
        that is more, since elsewhere the band may do better than is said here.
        """
        step = key, choice.move
        traps = self.valued.traps[step]
        above = float(self.valued.moves[step][0] - self.valued.prices[step][0])
        if not traps or above <= 0.0:
            return ""
        whole = max(above, sum(trap.gain for trap in traps))
        assert choice.child is not None
        lines = self._lines_from(choice.child, {trap.key for trap in traps})
        board = chess.Board(self.tallied.positions[key].fen)
        return "; ".join(
            f"{line_san(board, map(unpack_move, (choice.move, *lines[trap.key], trap.move)))}"
            f" ({trap.gain / whole:.0%})"
            for trap in traps[:_TRAPS_LISTED]
        )

    def _lines_from(self, first: int, wanted: set[int]) -> dict[int, tuple[int, ...]]:
        """A shortest line from a position to each of the wanted ones, our side following the advice."""
        lines: dict[int, tuple[int, ...]] = {first: ()}
        waiting = deque([first])
        while waiting and not wanted <= lines.keys():
            here = waiting.popleft()
            for move, there, _ in self.followed(here):
                if there is not None and there not in lines:
                    lines[there] = (*lines[here], move)
                    waiting.append(there)
        return lines


def taken_away(advice: Advice, ask: Ask) -> tuple[TakenAway, ...]:
    """The replies that the recommended moves take away, those that are felt most often first.

    Replies are matched by their squares. A reply that only overlooks a threat is none: it must be clearly
    worse than to pass. Named is the move of ours after which a reply is most popular among those after which
    it is sound.
    """
    losing = advice.settings.losing
    replies = [
        taken
        for key in advice.reach
        if isinstance(advice.tree.get(key), OurPosition)
        for taken in _candidates(advice, key)
    ]
    looked = _look(advice, ((taken.here, taken.reply) for taken in replies), ask)
    replies = [
        replace(taken, loss_here=loss)
        for taken in replies
        if (loss := _loss(looked.get(taken.here), taken.reply)) is not None and loss >= losing
    ]
    passed = _passed(advice, looked, {taken.here for taken in replies}, ask)
    replies = [taken for taken in replies if taken.loss_here >= passed.get(taken.here, 1.0) + losing / 2]
    looked = _look(advice, ((taken.there, taken.reply) for taken in replies), ask)
    found: dict[tuple[int, int], TakenAway] = {}
    for taken in replies:
        loss = _loss(looked.get(taken.there), taken.reply)
        known = found.get((taken.key, taken.reply))
        if loss is None or loss >= losing / 2:
            continue
        if known is None or taken.rate_there > known.rate_there:
            found[taken.key, taken.reply] = replace(taken, loss_there=loss)
    felt = {
        step: advice.reach[taken.key] * taken.rate_there * taken.loss_here for step, taken in found.items()
    }
    return tuple(found[step] for step in sorted(found, key=lambda step: (-felt[step], step)))


def _candidates(advice: Advice, key: int) -> list[TakenAway]:
    """Replies that are popular after another move of ours and legal after the recommended one."""
    tallied, settings = advice.tallied, advice.settings
    board = chess.Board(tallied.positions[key].fen)
    move = advice.valued.chosen[key]
    here = tallied.child(board, unpack_move(move))
    if here is None:
        return []
    board_here = chess.Board(tallied.positions[here].fen)
    rates_here = {answer.move: answer.rate for answer in tallied.answers(here)}
    return [
        TakenAway(
            key=key,
            move=move,
            here=here,
            reply=reply.move,
            sister=sister.move,
            there=there,
            rate_there=reply.rate,
            rate_here=rates_here.get(reply.move, 0.0),
        )
        for sister in tallied.played[key]
        if sister.move != move and sister.games >= settings.min_games
        if (there := tallied.child(board, unpack_move(sister.move))) is not None
        for reply in tallied.answers(there)
        if reply.rate >= settings.popular and reply.games_band >= settings.min_games
        if board_here.is_legal(unpack_move(reply.move))
    ]


def _look(advice: Advice, steps: Iterable[tuple[int, int]], ask: Ask) -> dict[int, Looked]:
    wanted: dict[int, set[int]] = {}
    for key, move in steps:
        wanted.setdefault(key, set()).add(move)
    questions = [
        Question(key, advice.tallied.positions[key].fen, tuple(sorted(moves)))
        for key, moves in wanted.items()
    ]
    answers = zip(questions, ask(questions), strict=True) if questions else ()
    return {question.key: looked for question, looked in answers if looked is not None}


def _passed(advice: Advice, looked: dict[int, Looked], keys: set[int], ask: Ask) -> dict[int, float]:
    """The loss of the opponent who passes, by position; not for those in which he is in check."""
    questions, places = [], []
    for key in sorted(keys):
        board = chess.Board(advice.tallied.positions[key].fen)
        if not board.is_check():
            board.push(chess.Move.null())
            questions.append(Question(chess.polyglot.zobrist_hash(board), board.fen()))
            places.append(key)
    answers = ask(questions) if questions else []
    return {
        key: expected_score(looked[key].cp_best) - expected_score(-after.cp_best)
        for key, after in zip(places, answers, strict=True)
        if after is not None
    }


def _loss(looked: Looked | None, move: int) -> float | None:
    if looked is None or move not in looked.cp:
        return None
    return max(0.0, expected_score(looked.cp_best) - expected_score(looked.cp[move]))
