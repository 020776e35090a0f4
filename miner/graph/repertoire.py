"""A repertoire from PGN: the moves that one side means to play, by position."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import chess
import chess.pgn
import chess.polyglot

from miner.board.moves import pack
from miner.errors import Place, SourceError
from miner.terms import Side


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
            where=Place(str(path)),
            advice="give a PGN file in UTF-8, such as a chess program saves",
        ) from error
    if not moves:
        raise SourceError(
            f"the repertoire has no move for {side.capitalize()}",
            where=Place(str(path)),
            advice="give a PGN file with games or variations, a file for each side",
        )
    return Repertoire(side, {key: tuple(found) for key, found in moves.items()})


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
