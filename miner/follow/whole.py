"""Whole games from the sources they were read from: the tables hold only their first plies."""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import chess
import chess.pgn

from miner.errors import SourceError
from miner.read.sources import Source, digest_of
from miner.read.spans import Span, texts_of

log = logging.getLogger(__name__)

_ZIP = ".zip"
_BLANK_LINES = re.compile(r"\n\s*\n")


def source_of(name: str) -> Source | None:
    """The file that a name in the table `games` stands for; None: there is none any more.

    >>> source_of("standard input") is None
    True
    """
    path = Path(name)
    for candidate in (path, *path.parents):
        is_whole = candidate == path
        if _is_file(candidate) and (is_whole or candidate.suffix.lower() == _ZIP):
            return Source(str(candidate), candidate)
    return None


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # the name of an archive's member may be longer than any path
        return False


def sources_now(names: Sequence[str], read_from: Sequence[Mapping[str, Any]]) -> dict[Source, list[str]]:
    """The sources that are there and unchanged, each with those of the names that are texts of it.

    `read_from`: name without folders, size and SHA-256 of each source, as the read stage wrote them down.
    """
    found: dict[Source, list[str]] = {}
    for name in sorted(set(names)):
        source = source_of(name)
        if source is not None:
            found.setdefault(source, []).append(name)
    return {source: texts for source, texts in found.items() if _is_unchanged(source, read_from)}


def _is_unchanged(source: Source, read_from: Sequence[Mapping[str, Any]]) -> bool:
    assert source.path is not None, "standard input cannot be read again"
    name, size = source.path.name, source.size_bytes
    if not any((one["name"], one["size_bytes"]) == (name, size) for one in read_from):
        return False
    try:
        [told] = digest_of([source])["sources"]
    except SourceError:
        return False
    return told in [dict(one) for one in read_from]


class _MainLine(chess.pgn.BaseVisitor[list[chess.Move]]):
    """The moves of a game's main line, up to the first that cannot be played."""

    def begin_game(self) -> None:
        self.moves: list[chess.Move] = []
        self.is_broken = False

    def begin_headers(self) -> None:
        return None

    def visit_move(self, board: chess.Board, move: chess.Move) -> None:  # noqa: ARG002 - the interface's names
        if not self.is_broken:
            self.moves.append(move)

    def begin_variation(self) -> chess.pgn.SkipType:
        return chess.pgn.SKIP

    def handle_error(self, error: Exception) -> None:  # noqa: ARG002
        self.is_broken = True

    def result(self) -> list[chess.Move]:
        return self.moves


def main_line(text: bytes) -> tuple[chess.Move, ...]:
    """The moves of a game's text from the start position on.

    >>> [move.uci() for move in main_line(b"1. e4 (1. d4 d5) e5 {!} 2. Nf3 *")]
    ['e2e4', 'e7e5', 'g1f3']
    """
    # A blank line would end the game for python-chess; between tags and moves there may be several.
    lines = _BLANK_LINES.sub("\n", text.decode("utf-8", "replace").replace("\r", "\n"))
    moves = chess.pgn.read_game(io.StringIO(lines), Visitor=_MainLine)
    return tuple(moves or ())


def read_whole(
    sources: Mapping[Source, Sequence[str]],
    spans: Mapping[str, Sequence[Span]],
    done: Callable[[], None],
) -> dict[int, tuple[chess.Move, ...]]:
    """The main lines of the wanted games by their numbers; `done` is called after each game.

    A source that cannot be read after all is left out.
    """
    games: dict[int, tuple[chess.Move, ...]] = {}
    for source, names in sources.items():
        try:
            for game, text in texts_of(source, {name: spans[name] for name in names}):
                games[game] = main_line(text)
                done()
        except SourceError as error:
            log.warning("%s", error)
    return games
