"""Our moves, the band's answers, and what each is worth: an expectimax with intervals. No I/O.

Every value and every centipawn here is that of our side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from miner.arrays import Floats
from miner.terms import MATE_SCORE_CP, expected_score

Worth = Callable[[float], Floats]
"""Centipawns to expected score (0 to 1): the best guess first, then one number per draw."""

_SEED = 64
_FURTHEST_CP = 2_000  # beyond it a curve hardly rises
_SHORT_MATE = 2  # moves
_LONGEST_LIST = 12  # traps that are listed of one move
FAR_MORE = 100
"""Times as many games from which on lower bounds are not compared: what rests on few games has a narrow
interval because the engine's verdict, which is taken as certain, stands for most of it.
"""


@dataclass(frozen=True, slots=True)
class Choice:
    """A move that our side may choose."""

    move: int  # packed, as in the tables
    cp: int  # of the move
    loss: float  # expected score, by the engine's rule, that it loses against the best move
    is_allowed: bool = True  # sound, or in the repertoire; else it is only valued, to be compared
    child: int | None = None  # the position it leads to, where the tree goes on there
    line: tuple[str, ...] = ()  # the engine's, from the move on, UCI


@dataclass(frozen=True, slots=True)
class OurPosition:
    """A position in which our side is to move; at least one of its choices is allowed."""

    cp: int  # of the best move
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class BandReply:
    """A reply that players of the band choose, or are likely to."""

    move: int
    rate: float  # pooled pick rate, 0 to 1
    games: int  # of the band, with the reply; 0: none has played it here yet
    cp: int | None = None  # after it; None: nobody looked
    child: int | None = None
    line: tuple[str, ...] = ()  # the engine's, from the reply on, UCI


@dataclass(frozen=True, slots=True)
class TheirPosition:
    """A position in which the opponent is to move."""

    cp: int  # if they answer best
    replies: tuple[BandReply, ...]
    strength: float  # games that the pick rates rest on
    games: int = 0  # of the band, through the position


TreePosition = OurPosition | TheirPosition
Tree = Mapping[int, TreePosition]
Edge = tuple[int, int]
"""A position's key and a move there."""


@dataclass(frozen=True, slots=True)
class Trap:
    """A losing reply below a move, and how much it adds to what the move is worth."""

    key: int
    move: int
    reach: float  # share of games, from the move on, in which it is played
    gain: float  # expected score that it adds: reach x what the reply gives away


@dataclass(frozen=True, slots=True)
class Valued:
    """A tree with its values. Each array: the best guess first, then one number per draw."""

    tree: Tree
    cut: frozenset[Edge]  # moves that would close a circle: the engine's verdict stands for what follows
    positions: dict[int, Floats] = field(default_factory=dict)  # each after all that follow it
    moves: dict[Edge, Floats] = field(default_factory=dict)  # of each choice of ours
    prices: dict[Edge, Floats] = field(default_factory=dict)  # the same if the opponent answers best
    chosen: dict[int, int] = field(default_factory=dict)  # our move in each of our positions
    passed_over: dict[int, int] = field(default_factory=dict)  # the move of the best bound, if not chosen
    traps: dict[Edge, tuple[Trap, ...]] = field(default_factory=dict)  # that carry a choice, heaviest first

    def child(self, key: int, step: Choice | BandReply) -> int | None:
        """The position in the tree that a move leads to, or None where the engine's verdict stands."""
        is_followed = step.child is not None and step.child in self.tree and (key, step.move) not in self.cut
        return step.child if is_followed else None


def steps_of(position: TreePosition) -> tuple[Choice, ...] | tuple[BandReply, ...]:
    """The moves that lead on from a position."""
    return position.choices if isinstance(position, OurPosition) else position.replies


def bottom_up(tree: Tree, root: int) -> tuple[list[int], frozenset[Edge]]:
    """The positions reached from `root`, each after all that follow it, and the moves that close a circle.

    Those moves, found in the order of the positions' moves, are not followed.
    """
    order: list[int] = []
    cut: set[Edge] = set()
    on_the_way, done = {root}, set[int]()
    stack: list[tuple[int, Iterator[Choice | BandReply]]] = [(root, iter(steps_of(tree[root])))]
    while stack:
        key, steps = stack[-1]
        step = next(steps, None)
        if step is None:
            stack.pop()
            on_the_way.remove(key)
            done.add(key)
            order.append(key)
        elif step.child in on_the_way:
            cut.add((key, step.move))
        elif step.child is not None and step.child in tree and step.child not in done:
            on_the_way.add(step.child)
            stack.append((step.child, iter(steps_of(tree[step.child]))))
    return order, frozenset(cut)


def value(
    tree: Tree, root: int, worth: Worth, *, draws: int, losing: float, confidence: float = 0.0
) -> Valued:
    """The expectimax from `root`: our side picks the choice of the highest value, the band its pick rates.

    With `confidence` above 0 the lower bounds of the values' intervals are compared instead, so that what
    rests on few games does not float to the top; but a choice of a higher value that rests on `FAR_MORE`
    times as many games as the one of the highest bound is picked before that.

    A position that is met on several ways is valued once. The share of the band whose reply is not tallied,
    or was never looked at, is valued as the position with best play. Of each position's pick rates `draws`
    sets are drawn from their Dirichlet distribution, always the same ones; our moves stay those of the best
    guess, so that the draws tell what that choice may be worth. `losing`: expected score, by the engine's
    rule, from which a reply counts as a trap.
    """
    order, cut = bottom_up(tree, root)
    valued = Valued(tree, cut)
    below: dict[int | None, dict[Edge, Trap]] = {}  # the traps below each position
    for key in order:
        position = tree[key]
        if isinstance(position, TheirPosition):
            valued.positions[key] = _answered(valued, key, position, worth, draws)
            below[key] = _traps_below(valued, key, position, worth, losing, below)
            continue
        for choice in position.choices:
            step, child = (key, choice.move), valued.child(key, choice)
            valued.moves[step] = worth(choice.cp) if child is None else valued.positions[child]
            valued.prices[step] = worth(choice.cp if child is None else tree[child].cp)
            heaviest = sorted(
                below.get(child, {}).values(), key=lambda trap: (-trap.gain, trap.key, trap.move)
            )
            valued.traps[step] = tuple(heaviest[:_LONGEST_LIST])
        allowed = [choice for choice in position.choices if choice.is_allowed]
        lower = {choice.move: _lower(valued.moves[key, choice.move], confidence) for choice in allowed}
        surest = max(allowed, key=lambda choice: (lower[choice.move], -choice.loss))
        best = _better_known(valued, key, surest, allowed)
        if best is not surest:
            valued.passed_over[key] = surest.move
        valued.chosen[key] = best.move
        valued.positions[key] = valued.moves[key, best.move]
        below[key] = below.get(valued.child(key, best), {})
    return valued


def _better_known(valued: Valued, key: int, surest: Choice, allowed: Sequence[Choice]) -> Choice:
    """The choice of the highest value among those that rest on far more games than the surest; else that."""

    def guess(choice: Choice) -> float:
        return float(valued.moves[key, choice.move][0])

    enough = FAR_MORE * max(1, games_of(valued.tree, surest))
    known = [choice for choice in allowed if games_of(valued.tree, choice) >= enough]
    return max([surest, *known], key=guess)


def games_of(tree: Tree, choice: Choice) -> int:
    """Games of the band that answered a choice of ours; 0: it is not in the tree."""
    answered = tree.get(choice.child) if choice.child is not None else None
    return answered.games if isinstance(answered, TheirPosition) else 0


def _lower(values: Floats, confidence: float) -> float:
    """The lower bound of an interval; without `confidence` the best guess."""
    if not confidence:
        return float(values[0])
    return min(float(values[0]), float(np.quantile(values[1:], (1.0 - confidence) / 2.0)))


def rates_drawn(key: int, position: TheirPosition, draws: int) -> Floats:
    """Pick rates, shape (replies + 1, 1 + draws): the last row is the rest of the band, the first column the
    best guess.
    """
    rates = np.array([reply.rate for reply in position.replies])
    shares = np.append(rates, max(0.0, 1.0 - rates.sum()))
    shares /= shares.sum()
    generator = np.random.default_rng([_SEED, key])
    drawn = generator.standard_gamma(
        np.maximum(position.strength * shares, 1e-9)[:, None], (len(shares), draws)
    )
    return np.hstack([shares[:, None], drawn / np.maximum(drawn.sum(axis=0), np.finfo(float).tiny)])


def _answered(valued: Valued, key: int, position: TheirPosition, worth: Worth, draws: int) -> Floats:
    """The value of a position in which the band answers by its pick rates."""
    rates = rates_drawn(key, position, draws)
    total: Floats = rates[-1] * worth(position.cp)
    for reply, rate in zip(position.replies, rates, strict=False):
        child = valued.child(key, reply)
        after = worth(after_reply(valued.tree, position, reply)) if child is None else valued.positions[child]
        total = total + rate * after
    return total


def after_reply(tree: Tree, position: TheirPosition, reply: BandReply) -> int:
    """Centipawns of our side after a reply; those of best play where nobody looked, and never less."""
    cp = reply.cp
    if cp is None and reply.child is not None and reply.child in tree:
        cp = tree[reply.child].cp
    return position.cp if cp is None else max(cp, position.cp)


def _traps_below(
    valued: Valued,
    key: int,
    position: TheirPosition,
    worth: Worth,
    losing: float,
    below: Mapping[int | None, Mapping[Edge, Trap]],
) -> dict[Edge, Trap]:
    """The traps that the replies of a position are or lead to; ways that lead to one trap add up."""
    traps: dict[Edge, Trap] = {}
    whole = max(1.0, sum(reply.rate for reply in position.replies))

    def add(key: int, move: int, reach: float, gain: float) -> None:
        before = traps.get((key, move), Trap(key, move, 0.0, 0.0))
        traps[key, move] = Trap(key, move, before.reach + reach, before.gain + gain)

    for reply in position.replies:
        rate = reply.rate / whole
        cp = after_reply(valued.tree, position, reply)
        if expected_score(cp) - expected_score(position.cp) >= losing:
            add(key, reply.move, rate, rate * float(worth(cp)[0] - worth(position.cp)[0]))
        for trap in below.get(valued.child(key, reply), {}).values():
            add(trap.key, trap.move, rate * trap.reach, rate * trap.gain)
    return traps


ScoreCurve = Callable[[Floats], Floats]
"""Expected score (0 to 1) of a player of a band who stands so many centipawns better than his equal."""


def engine_worth(draws: int) -> Worth:
    """The engine's own rule, which is taken as it is."""

    @cache
    def worth(cp: float) -> Floats:
        return np.full(1 + draws, expected_score(round(cp)))

    return worth


def curve_worth(best_guess: ScoreCurve, drawn: Sequence[ScoreCurve]) -> Worth:
    """The band's curve between equals, and others that it may be as well.

    A curve tells of players who have just moved, and those who stand worse have erred. Here the position is
    to count, not how it came about: what one side gains when it stands better the other loses when it stands
    as much worse, so the two are averaged. A short mate is certain: whoever was taught the line plays it.
    """
    cps = np.arange(-_FURTHEST_CP, _FURTHEST_CP + 1).astype(np.float64)
    table = np.array([(curve(cps) + 1.0 - curve(-cps)) / 2.0 for curve in (best_guess, *drawn)])

    def worth(cp: float) -> Floats:
        if abs(cp) >= MATE_SCORE_CP - _SHORT_MATE:
            return np.full(len(table), expected_score(round(cp)))
        return np.asarray(table[:, min(max(round(cp), -_FURTHEST_CP), _FURTHEST_CP) + _FURTHEST_CP])

    return worth


def coefficients_drawn(coefficients: Floats, covariance: Floats, draws: int) -> Floats:
    """Coefficients that a curve may have as well, always the same ones; shape (draws, coefficients)."""
    generator = np.random.default_rng(_SEED)
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    scatter = generator.standard_normal((draws, len(values))) * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(coefficients + scatter @ vectors.T)
