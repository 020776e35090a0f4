"""The lines of an opening: how often each comes if our side plays the course, how far they reach. No I/O."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import chess

from miner.board.moves import unpack_move
from miner.steer import Advice
from miner.steer.expectimax import OurPosition, steps_of

LEAST_SHARE = 0.02
"""Share of the games (0 to 1) from the first position on below which a reply is left out of the course."""
LEAST_GAMES = 3
"""Games, all bands together, in which it must have been played: of fewer nobody knows whether it comes."""
LARGEST_CHAPTER, FEWEST_IN_SPLIT = 0.35, 2
"""A chapter that comes more often is taught as several, one for each of the next replies, if there are two;
and how many these must be."""
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
    before: int | None = None  # the position in which it was made
    games: int = 0  # with the move, all bands
    games_band: int = 0  # of the band
    is_compared: bool = False  # whether our move in the position is one of several that were valued
    children: list[Node] = field(default_factory=list)
    left_out: list[Node] = field(default_factory=list)

    def below(self) -> Iterator[Node]:
        """All positions from here on, the first included."""
        yield self
        for child in self.children:
            yield from child.below()

    @property
    def ends(self) -> list[Node]:
        """The last positions of the lines."""
        return [node for node in self.below() if not node.children]


def lines_of(advice: Advice) -> Node:
    """The course as a tree of lines: our one move in each position, and the replies that come often enough.

    A reply to which the course has no answer, and one that is not in a chapter, is there as one that is left
    out. Where the games end, the engine's move is our answer, with which the line ends.
    """
    root = _whole_tree(advice)
    chapters = chapters_of(root)
    _leave_out(root, [one.line for one in chapters])
    return root


def _whole_tree(advice: Advice) -> Node:
    root = Node(advice.root, None, 1.0, is_ours=False, line=())
    waiting = [root]
    while waiting:
        node = waiting.pop()
        position = advice.tree.get(node.key) if node.key is not None else None
        for child in _steps(advice, node) if position else ():
            (node.children if child.is_ours or _is_taught(child) else node.left_out).append(child)
        node.children.sort(key=lambda child: -child.share)
        waiting += [child for child in node.children if not child.children]
    return root


def _is_taught(reply: Node) -> bool:
    comes = reply.share >= LEAST_SHARE and reply.games >= LEAST_GAMES
    return comes and (reply.is_compared or bool(reply.children))


def _leave_out(node: Node, chapters: Sequence[tuple[chess.Move, ...]]) -> None:
    """Move what is in no chapter, nor on the way to one, to what is left out."""
    if node.line in chapters:
        return
    for child in list(node.children):
        on_the_way = any(line[: len(child.line)] == child.line for line in chapters)
        if not on_the_way and not child.is_ours:
            node.children.remove(child)
            node.left_out.append(child)
        else:
            _leave_out(child, chapters)


def _steps(advice: Advice, node: Node) -> Iterator[Node]:
    """The moves from a position of the tree on: our own, or the band's replies."""
    assert node.key is not None
    position, ours = advice.tree[node.key], isinstance(advice.tree[node.key], OurPosition)
    games = {one.move: one.games for one in advice.tallied.played.get(node.key, ())}
    band = {one.move: one.games_band for one in advice.tallied.played.get(node.key, ())}
    lines = {step.move: step.line for step in steps_of(position)}
    for move, key, rate in advice.followed(node.key):
        played = unpack_move(move)
        child = Node(
            key,
            played,
            node.share * rate,
            ours,
            (*node.line, played),
            before=node.key,
            games=games.get(move, 0),
            games_band=band.get(move, 0),
        )
        is_in_tree = key is not None and isinstance(advice.tree.get(key), OurPosition)
        if not ours and not is_in_tree and len(lines[move]) > 1:
            answer = chess.Move.from_uci(lines[move][1])
            child.children.append(Node(None, answer, child.share, True, (*child.line, answer)))
        child.is_compared = is_in_tree
        yield child


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
    """The replies with which games leave the course, the most frequent first, and the share of all others.

    Others are rarer ones, and those that nobody has played yet: with the lines to their ends all makes one.
    """
    goes_on = (node for node in root.below() if node.children)
    rare = sorted((one for node in goes_on for one in node.left_out), key=lambda one: -one.share)[:most]
    told = sum(node.share for node in (*root.ends, *rare))
    return rare, max(0.0, 1.0 - told)


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
    teachable = [one for one in chapters if one.share >= LEAST_CHAPTER and one.is_compared]
    return sorted(teachable, key=lambda one: -one.share)[:MOST_CHAPTERS]


def way_to(root: Node, chapter: Node) -> Iterator[Node]:
    """The positions from the first one to that of a chapter."""
    node = root
    yield node
    while node.line != chapter.line:
        node = next(one for one in node.children if one.line == chapter.line[: len(one.line)])
        yield node


def our_positions(root: Node, chapter: Node) -> list[Node]:
    """Those of `way_to` in which our side is to move."""
    return [node for node in way_to(root, chapter) if any(child.is_ours for child in node.children)]


def _replies_after(node: Node) -> list[Node]:
    """The opponents' next replies after a position, our moves on the way."""
    found: list[Node] = []
    for child in node.children:
        found += _replies_after(child) if child.is_ours else [child]
    return found


def worth_of(advice: Advice, chapter: Node) -> tuple[float, float]:
    """Our expected score (0 to 1) against the band after the reply of a chapter, and what it would be if they
    answered best, with another reply if need be.
    """
    assert chapter.key is not None
    assert chapter.before is not None
    step = chapter.key, advice.valued.chosen[chapter.key]
    best = advice.worth(advice.tree[chapter.before].cp)
    return float(advice.valued.moves[step][0]), float(best[0])


def in_order(advice: Advice, chapters: Sequence[Node]) -> list[Node]:
    """Chapters by what they are worth: how often they come times what the band gives away there."""

    def gain(chapter: Node) -> float:
        value, price = worth_of(advice, chapter)
        return chapter.share * max(0.0, value - price)

    return sorted(chapters, key=lambda chapter: (-gain(chapter), -chapter.share))
