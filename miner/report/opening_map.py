"""The opening map: the moves that are most played from the start, with the games of each band."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess
import chess.polyglot
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from miner.board.moves import pack, unpack_move

MOST_MOVES = 2500
MAP_SHARE = 0.004  # of a band's games, below which a move is left out unless a finding lies behind it
MAP_GAMES = 5  # of a band, from which its share counts


class RepliesByPosition:
    """Rows of REPLIES, looked up by their position, however many there are; without a prior's games."""

    def __init__(self, table: pa.Table, bands: Sequence[str]) -> None:
        """Of the table's rows only those of `bands` may occur; counts are given in their order."""
        key = table["key"].to_numpy()
        order = np.argsort(key, kind="stable")
        self.bands = len(bands)
        self._key = key[order]
        self._band = pc.index_in(table["band"], value_set=pa.array(bands, pa.string())).to_numpy()[order]
        self._move = table["move"].to_numpy()[order]
        self._games, self._there = (
            (table[name].to_numpy() - table[f"{name}_elsewhere"].to_numpy())[order]
            for name in ("games", "games_at_position")
        )

    def games(self, key: int) -> dict[int, list[int]]:
        """Games of each band with each reply there, by move."""
        found: dict[int, list[int]] = {}
        for row in self._rows(key):
            of_move = found.setdefault(int(self._move[row]), [0] * self.bands)
            of_move[self._band[row]] = int(self._games[row])
        return dict(sorted(found.items()))

    def there(self, key: int) -> list[int]:
        """Games of each band through a position; empty if it is not known."""
        rows = self._rows(key)
        found = [0] * self.bands if rows else []
        for row in rows:
            found[self._band[row]] = int(self._there[row])
        return found

    def _rows(self, key: int) -> range:
        first = np.searchsorted(self._key, np.uint64(key), "left")
        last = np.searchsorted(self._key, np.uint64(key), "right")
        return range(int(first), int(last))


@dataclass(slots=True)
class _Node:
    parent: int
    move: chess.Move  # that led here; the null move for the start
    san: str
    games: list[int]  # of each band with the move, whichever way they came; empty if none are known
    board: chess.Board
    key: int
    shares: tuple[float, ...]  # of each band's games that come this way
    children: dict[int, int] = field(default_factory=dict)


Boxes = Callable[[Sequence[int]], list[Any]]
"""What is told of each box of the map, by the keys of the positions."""


def opening_map(
    replies: RepliesByPosition, paths: Sequence[Sequence[str]], met: Boxes | None = None
) -> dict[str, Any]:
    """The tree as columns, ready for JSON: parents before children, the start first.

    Every path (UCI, up to and with a losing reply) is in it. `games` are those of each band with the move,
    `at` those of each band at the position it leads to; both empty where none are known. `ends` gives for
    each path the moves of the tree that are its last one, by whichever way they are come to. `motifs` is what
    `met` tells of each position; empty where it is not asked.
    """
    tree = _Tree(replies)
    tree.grow()
    ends = [tree.follow(path) for path in paths]
    places: dict[tuple[int, int], list[int]] = {}
    for number in range(1, len(tree.nodes)):
        places.setdefault(tree.reply_at(number), []).append(number)
    return {
        "parent": [node.parent for node in tree.nodes],
        "san": [node.san for node in tree.nodes],
        "uci": [node.move.uci() if node.move else "" for node in tree.nodes],
        "games": [node.games for node in tree.nodes],
        "at": [replies.there(node.key) for node in tree.nodes],
        "ends": [places[tree.reply_at(end)] for end in ends],
        "motifs": met([node.key for node in tree.nodes]) if met else [],
    }


class _Tree:
    def __init__(self, replies: RepliesByPosition) -> None:
        self._replies = replies
        start, every = chess.Board(), (1.0,) * replies.bands
        key = chess.polyglot.zobrist_hash(start)
        self.nodes = [_Node(-1, chess.Move.null(), "", [], start, key, every)]

    def grow(self) -> None:
        """Add the moves that most of some band's games come by, until enough are there."""
        ties = itertools.count()
        waiting = [(-1.0, next(ties), 0)]
        while waiting and len(self.nodes) < MOST_MOVES:
            _, _, number = heapq.heappop(waiting)
            node = self.nodes[number]
            for move, games in self._replies.games(node.key).items():
                shares = self._shares(node, games)
                weight = max(
                    (share for share, played in zip(shares, games, strict=True) if played >= MAP_GAMES),
                    default=0.0,
                )
                if weight >= MAP_SHARE:
                    child = self._add(number, unpack_move(move), games, shares)
                    heapq.heappush(waiting, (-weight, next(ties), child))

    def follow(self, path: Sequence[str]) -> int:
        """The last move of a path, whose moves are added if they are not there yet."""
        number = 0
        for uci in path:
            node = self.nodes[number]
            move = node.board.parse_uci(uci)
            if pack(move) in node.children:
                number = node.children[pack(move)]
            else:
                games = self._replies.games(node.key).get(pack(move), [])
                number = self._add(number, move, games, self._shares(node, games))
        return number

    def reply_at(self, number: int) -> tuple[int, int]:
        """The key of the position before a move of the tree, and the move."""
        node = self.nodes[number]
        return self.nodes[node.parent].key, pack(node.move)

    def _add(self, parent: int, move: chess.Move, games: list[int], shares: tuple[float, ...]) -> int:
        board = self.nodes[parent].board.copy(stack=False)
        san = board.san_and_push(move)
        key = chess.polyglot.zobrist_hash(board)
        self.nodes.append(_Node(parent, move, san, games, board, key, shares))
        self.nodes[parent].children[pack(move)] = len(self.nodes) - 1
        return len(self.nodes) - 1

    def _shares(self, node: _Node, games: Sequence[int]) -> tuple[float, ...]:
        there = self._replies.there(node.key)
        if not games or not there:
            return (0.0,) * len(node.shares)
        return tuple(
            share * played / of_all if of_all else 0.0
            for share, played, of_all in zip(node.shares, games, there, strict=True)
        )
