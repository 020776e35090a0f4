"""Whole games read from the sources once more: wins after a losing reply, their plans and model games."""

from __future__ import annotations

import io
import logging
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pandas as pd

from miner.board.moves import unpack_move
from miner.errors import SourceError
from miner.follow.asking import LosingReply
from miner.follow.models import Review, WonGame
from miner.follow.plans import OWN_MOVES, plan_of, themes_of
from miner.pgn.batches import Span, texts_of
from miner.pgn.sources import Source, source_digest
from miner.pgn.split import one_line_end, unindented, walk_games
from miner.terms import STRONGEST

log = logging.getLogger(__name__)

MoveLine = tuple[chess.Move, ...]

_ZIP = ".zip"
_BLANK_LINES = re.compile(r"\n\s*\n")


def read_whole(
    won: pd.DataFrame, read_from: Sequence[Mapping[str, Any]], done: Callable[[], None]
) -> tuple[dict[int, MoveLine], list[str]]:
    """The main lines of games by their numbers, and the names of the sources that cannot be read again.

    `won` has the columns game, source, start_byte and end_byte; `read_from` as for `sources_now`. `done` is
    called after each game. A source that cannot be read after all is left out.
    """
    columns = ["source", "start_byte", "end_byte", "game"]
    spans: dict[str, list[Span]] = {}
    for source_name, *numbers in won.drop_duplicates("game")[columns].itertuples(index=False, name=None):
        spans.setdefault(source_name, []).append(Span(*numbers))
    sources = sources_now(spans, read_from)
    missing = sorted(spans.keys() - {name for names in sources.values() for name in names})
    for name in missing:
        log.warning(
            "%s cannot be read again, so that there are no model games of it, and plans are as long as the "
            "plies that were kept",
            name,
        )
    lines: dict[int, MoveLine] = {}
    for source, names in sources.items():
        try:
            for game, text in texts_of(source, {name: spans[name] for name in names}):
                lines[game] = moves_of_text(text)
                done()
        except SourceError as error:
            log.warning("%s", error)
    return lines, missing


def sources_now(names: Iterable[str], read_from: Sequence[Mapping[str, Any]]) -> dict[Source, list[str]]:
    """The sources that are there and unchanged, each with those of the names that are texts of it.

    `read_from`: name without folders, size and SHA-256 of each source, as the read stage wrote them down.
    """
    found: dict[Source, list[str]] = {}
    for name in sorted(set(names)):
        source = source_of(name)
        if source is not None:
            found.setdefault(source, []).append(name)
    return {source: texts for source, texts in found.items() if _is_unchanged(source, read_from)}


def source_of(name: str) -> Source | None:
    """The file that a name in the table `games` stands for; None: there is none any more.

    >>> source_of("standard input") is None
    True
    """
    path = Path(name)
    for candidate in (path, *path.parents):
        # The name of an archive's member may be longer than any path, over which Path.is_file stumbles.
        is_there = os.path.isfile(candidate)  # noqa: PTH113
        if is_there and (candidate == path or candidate.suffix.lower() == _ZIP):
            return Source(str(candidate), candidate)
    return None


def _is_unchanged(source: Source, read_from: Sequence[Mapping[str, Any]]) -> bool:
    assert source.path is not None, "standard input cannot be read again"
    name, size = source.path.name, source.size_bytes
    if not any((before["name"], before["size_bytes"]) == (name, size) for before in read_from):
        return False
    try:
        return source_digest(source) in map(dict, read_from)
    except SourceError:
        return False


def moves_of_text(text: bytes) -> MoveLine:
    """The moves of a game's text from the start position on.

    >>> [move.uci() for move in moves_of_text(b"1. e4 (1. d4 d5) e5 {!} 2. Nf3 *")]
    ['e2e4', 'e7e5', 'g1f3']
    """
    plain = unindented(one_line_end(text))
    games, _ = walk_games(plain)
    moves = plain[games[0].moves : games[0].end] if games else b""  # whatever else stands on the tags' line
    lines = _BLANK_LINES.sub("\n", moves.decode("utf-8", "replace"))  # which would end the game
    return tuple(chess.pgn.read_game(io.StringIO(lines), Visitor=_MainLine) or ())


class _MainLine(chess.pgn.BaseVisitor[list[chess.Move]]):
    """The moves of a game's main line, up to the first that cannot be played."""

    def begin_game(self) -> None:
        self.moves: list[chess.Move] = []
        self.is_broken = False

    def visit_move(self, board: chess.Board, move: chess.Move) -> None:  # noqa: ARG002 - the interface's names
        if not self.is_broken:
            self.moves.append(move)

    def begin_variation(self) -> chess.pgn.SkipType:
        return chess.pgn.SKIP

    def handle_error(self, error: Exception) -> None:  # noqa: ARG002
        self.is_broken = True

    def result(self) -> list[chess.Move]:
        return self.moves


def wins_of(
    reply: LosingReply, rows: pd.DataFrame, whole: Mapping[int, MoveLine], kept: Mapping[int, Sequence[int]]
) -> list[WonGame]:
    """The wins after one losing reply, in the order of `rows` (of `passages.won_games`).

    `kept`: packed plies of the games that are not among the whole ones. Games in which the reply does not
    stand where the tables say are left out.
    """
    board = reply.board_after
    wins = []
    row: Any
    for row in rows.itertuples(index=False):
        moves = whole.get(row.game) or tuple(map(unpack_move, kept.get(row.game, ())))
        if len(moves) <= row.ply + 1 or not _leads_to(moves[: row.ply + 1], board):
            continue
        wins.append(
            WonGame(
                game=row.game,
                moves=moves,
                is_whole=bool(whole.get(row.game)),
                reply_ply=row.ply,
                winner_rating=row.rating,
                loser_rating=row.rating_loser,
                band=row.band,
                is_strongest=row.is_strongest,
                is_taught=row.is_taught,
                date=row.date,
                result=row.result,
            )
        )
    return wins


def _leads_to(moves: Iterable[chess.Move], wanted: chess.Board) -> bool:
    board = chess.Board()
    for move in moves:
        if not board.is_legal(move):
            return False
        board.push(move)
    return board.epd() == wanted.epd()


def plan_rows(reply: LosingReply, wins: Sequence[WonGame], least: int) -> list[dict[str, Any]]:
    """Rows of `plans`: the strongest players' plan, and that of each band with so many wins or more."""
    if len(wins) < least:
        return []
    board = reply.board_after
    themes = [themes_of(board, win.moves[win.answer_ply :][: 2 * OWN_MOVES]) for win in wins]
    games = {STRONGEST: [found for win, found in zip(wins, themes, strict=True) if win.is_strongest]}
    for win, found in zip(wins, themes, strict=True):
        games.setdefault(win.band, []).append(found)
    row = {"key": reply.key, "move": reply.move}
    return [
        row | {"players": players, "games": len(played), "share": share} | theme._asdict()
        for players, played in games.items()
        if len(played) >= least
        for theme, share in plan_of(played)
    ]


def model_rows(reply: LosingReply, models: Iterable[Review]) -> list[dict[str, Any]]:
    """Rows of `model_games`: the models in their order."""
    return [
        {
            "key": reply.key,
            "move": reply.move,
            "place": place,
            "game": review.game.game,
            "winner_rating": review.game.winner_rating,
            "loser_rating": review.game.loser_rating,
            "date": review.game.date,
            "result": review.game.result,
            "moves": " ".join(move.uci() for move in review.game.moves),
            "reply_ply": review.game.reply_ply,
            "quality": review.quality,
            "moments": review.moments,
            "score": review.score,
        }
        for place, review in enumerate(models, 1)
    ]
