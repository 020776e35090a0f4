"""Our moves, the band's answers, and what each is worth: an expectimax with intervals. No I/O.

Every value and every centipawn here is that of our side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from miner.arrays import Floats
from miner.terms import MOST_CP, expected_score

Worth = Callable[[float], Floats]
"""Centipawns to expected score (0 to 1): the best guess first, then one number per draw."""

_SEED = 64
_LONGEST_LIST = 12  # traps that are told of one move


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
class Reply:
    """A reply that players of the band choose."""

    move: int
    rate: float  # pooled pick rate, 0 to 1
    games: int  # of the band, with the reply
    cp: int | None = None  # after it; None: nobody looked
    child: int | None = None
    line: tuple[str, ...] = ()  # the engine's, from the reply on, UCI


@dataclass(frozen=True, slots=True)
class TheirPosition:
    """A position in which the opponent is to move."""

    cp: int  # if they answer best
    replies: tuple[Reply, ...]
    strength: float  # games that the pick rates rest on
    games: int = 0  # of the band, through the position


Position = OurPosition | TheirPosition
Tree = Mapping[int, Position]
Step = tuple[int, int]
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
    """What the expectimax found. Each array: the best guess first, then one number per draw."""

    positions: Mapping[int, Floats]
    moves: Mapping[Step, Floats]  # of each choice of ours
    prices: Mapping[Step, Floats]  # the same if the opponent answers best from there
    chosen: Mapping[int, int]  # our move in each of our positions
    traps: Mapping[Step, tuple[Trap, ...]]  # those that carry a choice, the heaviest first
    cut: frozenset[Step]  # moves that would close a circle: the engine's verdict stands for what follows


def engine_expected(cp: int) -> float:
    """Expected score (0 to 1) by the engine's rule; a mate is certain."""
    if abs(cp) > MOST_CP:
        return 1.0 if cp > 0 else 0.0
    return expected_score(cp)


def steps_of(position: Position) -> tuple[Choice, ...] | tuple[Reply, ...]:
    """The moves that lead on from a position."""
    return position.choices if isinstance(position, OurPosition) else position.replies


def bottom_up(tree: Tree, root: int) -> tuple[list[int], frozenset[Step]]:
    """The positions reached from `root`, each after all that follow it, and the moves that close a circle.

    Those moves, found in the order of the positions' moves, are not followed.
    """
    order: list[int] = []
    cut: set[Step] = set()
    on_the_way, done = {root}, set[int]()
    stack: list[tuple[int, Iterator[Choice | Reply]]] = [(root, iter(steps_of(tree[root])))]
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
    rests on few games does not float to the top.

    A position that is met on several ways is valued once. The share of the band whose reply is not tallied,
    or was never looked at, is valued as the position with best play. Of each position's pick rates `draws`
    sets are drawn from their Dirichlet distribution, always the same ones; our moves stay those of the best
    guess, so that the draws tell what that choice may be worth. `losing`: expected score, by the engine's
    rule, from which a reply counts as a trap.
    """
    order, cut = bottom_up(tree, root)
    positions: dict[int, Floats] = {}
    moves: dict[Step, Floats] = {}
    prices: dict[Step, Floats] = {}
    chosen: dict[int, int] = {}
    traps: dict[Step, tuple[Trap, ...]] = {}
    carried: dict[int, dict[Step, Trap]] = {}  # the traps below each position
    for key in order:
        position = tree[key]
        if isinstance(position, OurPosition):
            for choice in position.choices:
                child = followed_to(tree, cut, key, choice)
                moves[key, choice.move] = worth(choice.cp) if child is None else positions[child]
                prices[key, choice.move] = worth(choice.cp if child is None else tree[child].cp)
                traps[key, choice.move] = _heaviest(carried.get(child, {}) if child is not None else {})
            allowed = [one for one in position.choices if one.is_allowed]
            best = max(allowed, key=lambda one: (_compared(moves[key, one.move], confidence), -one.loss))
            chosen[key] = best.move
            positions[key] = moves[key, best.move]
            way = followed_to(tree, cut, key, best)
            carried[key] = carried.get(way, {}) if way is not None else {}
        else:
            positions[key] = _answered(tree, cut, key, position, positions, worth, draws)
            carried[key] = _traps_below(tree, cut, key, position, worth, losing, carried)
    return Valued(positions, moves, prices, chosen, traps, cut)


def _compared(values: Floats, confidence: float) -> float:
    """What a choice is chosen by: its best guess, or the lower bound of its interval."""
    if not confidence:
        return float(values[0])
    return min(float(values[0]), float(np.quantile(values[1:], (1.0 - confidence) / 2.0)))


def followed_to(tree: Tree, cut: frozenset[Step], key: int, step: Choice | Reply) -> int | None:
    """The position in the tree that a move leads to, or None where the engine's verdict stands."""
    is_followed = step.child is not None and step.child in tree and (key, step.move) not in cut
    return step.child if is_followed else None


def rates_drawn(key: int, position: TheirPosition, draws: int) -> Floats:
    """Pick rates, shape (replies + 1, 1 + draws): the last row is the rest of the band, the first column the
    best guess.
    """
    rates = np.array([one.rate for one in position.replies])
    shares = np.append(rates, max(0.0, 1.0 - rates.sum()))
    shares /= shares.sum()
    generator = np.random.default_rng([_SEED, key])
    drawn = generator.standard_gamma(
        np.maximum(position.strength * shares, 1e-9)[:, None], (len(shares), draws)
    )
    return np.hstack([shares[:, None], drawn / np.maximum(drawn.sum(axis=0), np.finfo(float).tiny)])


def _answered(
    tree: Tree,
    cut: frozenset[Step],
    key: int,
    position: TheirPosition,
    positions: Mapping[int, Floats],
    worth: Worth,
    draws: int,
) -> Floats:
    best_play = worth(position.cp)
    rates = rates_drawn(key, position, draws)
    total: Floats = rates[-1] * best_play
    for reply, rate in zip(position.replies, rates, strict=False):
        child = followed_to(tree, cut, key, reply)
        total = total + rate * (
            worth(after_reply(tree, position, reply)) if child is None else positions[child]
        )
    return total


def after_reply(tree: Tree, position: TheirPosition, reply: Reply) -> int:
    """Centipawns of our side after a reply; those of best play where nobody looked, and never less."""
    cp = reply.cp
    if cp is None and reply.child is not None and reply.child in tree:
        cp = tree[reply.child].cp
    return position.cp if cp is None else max(cp, position.cp)


def _traps_below(
    tree: Tree,
    cut: frozenset[Step],
    key: int,
    position: TheirPosition,
    worth: Worth,
    losing: float,
    carried: Mapping[int, dict[Step, Trap]],
) -> dict[Step, Trap]:
    found: dict[Step, Trap] = {}
    whole = max(1.0, sum(one.rate for one in position.replies))
    for reply in position.replies:
        rate = reply.rate / whole
        cp = after_reply(tree, position, reply)
        if engine_expected(cp) - engine_expected(position.cp) >= losing:
            gain = float(worth(cp)[0] - worth(position.cp)[0])
            _add(found, Trap(key, reply.move, rate, rate * gain))
        child = followed_to(tree, cut, key, reply)
        for trap in carried.get(child, {}).values() if child is not None else ():
            _add(found, Trap(trap.key, trap.move, rate * trap.reach, rate * trap.gain))
    return found


def _add(traps: dict[Step, Trap], trap: Trap) -> None:
    """Ways that lead to one trap add up."""
    if before := traps.get((trap.key, trap.move)):
        trap = Trap(trap.key, trap.move, before.reach + trap.reach, before.gain + trap.gain)
    traps[trap.key, trap.move] = trap


def _heaviest(traps: Mapping[Step, Trap]) -> tuple[Trap, ...]:
    return tuple(sorted(traps.values(), key=lambda one: (-one.gain, one.key, one.move))[:_LONGEST_LIST])
