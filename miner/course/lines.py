"""The lines of an opening: how often each comes if our side plays the course, and how far they reach. No I/O."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import chess

from miner.board.moves import unpack_move
from miner.steer import Advice
from miner.steer.expectimax import BandReply, OurPosition

LEAST_SHARE = 0.02
"""Share of the games (0 to 1) from the first position on below which a reply is left out of the course."""
LEAST_GAMES = 3
"""Games of the band in which it must have been played: of fewer nobody knows whether it comes again."""
LARGEST_CHAPTER, FEWEST_IN_SPLIT = 0.35, 2
"""A chapter that comes more often is taught as several, one for each of the next replies, if there are two."""
MOST_CHAPTERS = 12
LEAST_CHAPTER = 0.03


@dataclass(slots=True)
class Node:
    """A position of the course and the move that led there; the tree is that of lines, not of positions."""

    key: int | None  # None: the course ends here
    move: chess.Move | None  # None: the first position
    share: float  # of the games from the first position on, 0 to 1
    is_ours: bool  # who made the move
    line: tuple[chess.Move, ...]  # from the first position to here
    rate: float = 1.0  # of the reply in its position
    games: int = 0  # of the band, with the reply
    children: list[Node] = field(default_factory=list)
    left_out: list[Node] = field(default_factory=list)

    def below(self) -> Iterator[Node]:
        """This position and all that follow it in the course."""
        yield self
        for child in self.children:
            yield from child.below()

    @property
    def ends(self) -> list[Node]:
        """The last positions of the lines."""
        return [node for node in self.below() if not node.children]


def lines_of(advice: Advice) -> Node:
    """The course as a tree of lines: our one move in each position, and the replies that come often enough.

    A reply of which the course has no answer is in the tree only as one that is left out.
    """
    root = Node(advice.root, None, 1.0, is_ours=False, line=())
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if node.key is None or node.key not in advice.tree:
            continue
        ours = isinstance(advice.tree[node.key], OurPosition)
        for child in _steps(advice, node, ours):
            kept = ours or (
                child.share >= LEAST_SHARE and child.games >= LEAST_GAMES and _is_answered(advice, child)
            )
            (node.children if kept else node.left_out).append(child)
        node.children.sort(key=lambda child: -child.share)
        node.left_out.sort(key=lambda child: -child.share)
        waiting += node.children
    return root


def _is_answered(advice: Advice, node: Node) -> bool:
    return node.key is not None and isinstance(advice.tree.get(node.key), OurPosition)


def _steps(advice: Advice, node: Node, ours: bool) -> Iterator[Node]:
    assert node.key is not None
    games = (
        {}
        if ours
        else {
            step.move: step.games
            for step in advice.tree[node.key].replies
            if isinstance(step, BandReply)  # type: ignore[union-attr]
        }
    )
    for move, child, rate in advice.followed(node.key):
        played = unpack_move(move)
        yield Node(child, played, node.share * rate, ours, (*node.line, played), rate, games.get(move, 0))


def covered(root: Node) -> list[tuple[int, float, int]]:
    """After each of our moves in turn: plies from the first position, share of the games (0 to 1) that are
    in the course until then, and the lines that this takes.
    """
    by_depth: dict[int, list[float]] = {}
    for node in root.below():
        if node.is_ours:
            by_depth.setdefault(len(node.line), []).append(node.share)
    return [(plies, sum(shares), len(shares)) for plies, shares in sorted(by_depth.items())]


def left_out(root: Node, most: int) -> tuple[list[Node], float]:
    """The replies that the course leaves out, the most frequent first, and the share of all others."""
    rare = sorted((one for node in root.below() for one in node.left_out), key=lambda one: -one.share)
    return rare[:most], sum(one.share for one in rare[most:])


def chapters_of(root: Node) -> list[Node]:
    """The replies with which a chapter begins: each of a size for one lesson, no game in two of them.

    A reply that comes in more than a third of the games is split into what follows it.
    """
    chapters = _replies_after(root)
    while len(chapters) < MOST_CHAPTERS:
        large = [
            (one, parts)
            for one in chapters
            if one.share > LARGEST_CHAPTER and len(parts := _replies_after(one)) >= FEWEST_IN_SPLIT
        ]
        if not large:
            break
        largest, parts = max(large, key=lambda pair: pair[0].share)
        chapters = [one for one in chapters if one is not largest] + parts
    return [one for one in chapters if one.share >= LEAST_CHAPTER][:MOST_CHAPTERS]


def _replies_after(node: Node) -> list[Node]:
    """The opponents' next replies after a position, our moves on the way."""
    found: list[Node] = []
    for child in node.children:
        found += _replies_after(child) if child.is_ours else [child]
    return found


def worth_of(advice: Advice, chapter: Node) -> tuple[float, float]:
    """Our expected score (0 to 1) at the beginning of a chapter: against the band, and against best play."""
    assert chapter.key is not None
    move = advice.valued.chosen[chapter.key]
    step = chapter.key, move
    return float(advice.valued.moves[step][0]), float(advice.valued.prices[step][0])


def in_order(advice: Advice, chapters: Sequence[Node]) -> list[Node]:
    """Chapters by what they are worth: how often they come times what the band gives away there."""

    def gain(chapter: Node) -> float:
        value, price = worth_of(advice, chapter)
        return chapter.share * max(0.0, value - price)

    return sorted(chapters, key=lambda chapter: (-gain(chapter), -chapter.share))
