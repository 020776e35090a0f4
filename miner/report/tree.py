"""The opening map: the moves that are most played from the start, with the games of each band."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess
import chess.polyglot

from miner.board.lines import pack, unpack_move

MOST_MOVES = 2500
LEAST_SHARE = 0.004  # of a band's games, below which a move is left out unless a finding lies behind it
LEAST_GAMES = 5  # of a band, from which its share counts


@dataclass(frozen=True, slots=True)
class Replies:
    """Games per band with each reply, and at its position; arrays follow the order of the bands."""

    games: Mapping[int, Mapping[int, Sequence[int]]]  # by key, then by move
    at: Mapping[int, Sequence[int]]  # by key


@dataclass(slots=True)
class _Node:
    parent: int
    move: chess.Move | None
    board: chess.Board
    key: int
    shares: tuple[float, ...]  # of each band's games that come this way
    children: dict[int, int] = field(default_factory=dict)


def replies_of(rows: Iterable[Mapping[str, Any]], bands: Sequence[str]) -> Replies:
    """Rows of REPLIES by position and move."""
    place = {band: at for at, band in enumerate(bands)}
    games: dict[int, dict[int, list[int]]] = {}
    at: dict[int, list[int]] = {}
    for row in rows:
        band = place[row["band"]]
        games.setdefault(row["key"], {}).setdefault(row["move"], [0] * len(bands))[band] = row["games"]
        at.setdefault(row["key"], [0] * len(bands))[band] = row["games_at_position"]
    return Replies(games, at)


def opening_map(replies: Replies, paths: Sequence[Sequence[str]], bands: int) -> dict[str, Any]:
    """The tree as columns, ready for JSON: parents before children, the start first.

    Every path (UCI, up to and with a losing reply) is in it. `games` are those of each band with the move,
    `at` those of each band at the position it leads to; both empty where none are known. `ends` gives for
    each path the moves of the tree that are its last one, by whichever way they are come to.
    """
    tree = _Tree(replies, bands)
    tree.grow()
    ends = [tree.follow(path) for path in paths]
    places: dict[tuple[int, int], list[int]] = {}
    for number in range(1, len(tree.nodes)):
        places.setdefault(tree.reply_at(number), []).append(number)
    return {
        "parent": [node.parent for node in tree.nodes],
        "san": [tree.san(node) for node in tree.nodes],
        "uci": [node.move.uci() if node.move else "" for node in tree.nodes],
        "games": [tree.games(node) for node in tree.nodes],
        "at": [list(replies.at.get(node.key, ())) for node in tree.nodes],
        "ends": [places[tree.reply_at(end)] for end in ends],
    }


class _Tree:
    def __init__(self, replies: Replies, bands: int) -> None:
        self._replies = replies
        start = chess.Board()
        self.nodes = [_Node(-1, None, start, chess.polyglot.zobrist_hash(start), (1.0,) * bands)]

    def grow(self) -> None:
        """Add the moves that most of some band's games come by, until enough are there."""
        ties = itertools.count()
        waiting = [(-1.0, next(ties), 0)]
        while waiting and len(self.nodes) < MOST_MOVES:
            _, _, number = heapq.heappop(waiting)
            node = self.nodes[number]
            for move, games in sorted(self._replies.games.get(node.key, {}).items()):
                shares = self._shares(node, games)
                weight = self._weight(shares, games)
                if weight >= LEAST_SHARE:
                    child = self._add(number, unpack_move(move), shares)
                    heapq.heappush(waiting, (-weight, next(ties), child))

    def follow(self, path: Sequence[str]) -> int:
        """The last move of a path, whose moves are added if they are not there yet."""
        number = 0
        for uci in path:
            node = self.nodes[number]
            move = node.board.parse_uci(uci)
            if pack(move) in node.children:
                number = node.children[pack(move)]
                continue
            games = self._replies.games.get(node.key, {}).get(pack(move), ())
            number = self._add(number, move, self._shares(node, games))
        return number

    def reply_at(self, number: int) -> tuple[int, int]:
        """The key of the position before a move of the tree, and the move."""
        node = self.nodes[number]
        assert node.move is not None
        return self.nodes[node.parent].key, pack(node.move)

    def san(self, node: _Node) -> str:
        return self.nodes[node.parent].board.san(node.move) if node.move else ""

    def games(self, node: _Node) -> list[int]:
        if node.move is None:
            return []
        return list(self._replies.games.get(self.nodes[node.parent].key, {}).get(pack(node.move), ()))

    def _add(self, parent: int, move: chess.Move, shares: tuple[float, ...]) -> int:
        board = self.nodes[parent].board.copy(stack=False)
        board.push(move)
        self.nodes.append(_Node(parent, move, board, chess.polyglot.zobrist_hash(board), shares))
        self.nodes[parent].children[pack(move)] = len(self.nodes) - 1
        return len(self.nodes) - 1

    def _shares(self, node: _Node, games: Sequence[int]) -> tuple[float, ...]:
        there = self._replies.at.get(node.key, ())
        if not games or not there:
            return (0.0,) * len(node.shares)
        return tuple(
            share * one / all_there if all_there else 0.0
            for share, one, all_there in zip(node.shares, games, there, strict=True)
        )

    @staticmethod
    def _weight(shares: Sequence[float], games: Sequence[int]) -> float:
        return max(
            (share for share, one in zip(shares, games, strict=True) if one >= LEAST_GAMES), default=0.0
        )
