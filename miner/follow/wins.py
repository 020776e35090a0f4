"""Whole games read from the sources once more: wins after a losing reply, their plans and model games."""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
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
from miner.terms import STRONGEST

log = logging.getLogger(__name__)

Moves = tuple[chess.Move, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Win:
    """A game that the side which profits won after it had found the refutation."""

    game: int
    line: Moves  # from the refutation on
    whole: Moves  # from the start of the game; empty: only the kept plies are known
    reply_ply: int
    winner_rating: int  # 0: none
    loser_rating: int
    band: str  # of the winner
    is_strongest: bool  # whether he is one of the strongest players who won
    date: str
    result: str

    @property
    def as_won_game(self) -> WonGame:
        """The same for the choice of model games; the whole game must be known."""
        assert self.whole, f"of game {self.game} only the first plies are known"
        return WonGame(
            game=self.game,
            moves=self.whole,
            reply_ply=self.reply_ply,
            winner_rating=self.winner_rating,
            loser_rating=self.loser_rating,
        )


@dataclass(frozen=True, slots=True)
class Texts:
    """Main lines of games by their numbers, and the sources that could not be read again."""

    whole: dict[int, Moves]
    missing: list[str]


def read_texts(
    won: pd.DataFrame,
    read_from: Sequence[Mapping[str, Any]],
    done: Callable[[], None],
) -> Texts:
    """The whole games that `passages.won_games` names, from the sources that are there and unchanged.

    `done` is called after each game.
    """
    games = won.drop_duplicates("game")
    spans: dict[str, list[Span]] = {}
    for source, start, end, game in zip(
        games["source"], games["start_byte"], games["end_byte"], games["game"], strict=True
    ):
        spans.setdefault(source, []).append(Span(int(start), int(end), int(game)))
    sources = sources_now(list(spans), read_from)
    there = {name for names in sources.values() for name in names}
    missing = sorted(set(spans) - there)
    for name in missing:
        log.warning(
            "%s cannot be read again, so that there are no model games of it, and plans are as long as the "
            "plies that were kept",
            name,
        )
    return Texts(read_whole(sources, spans, done), missing)


def wins_of(
    reply: LosingReply, rows: pd.DataFrame, texts: Mapping[int, Moves], kept: Mapping[int, Sequence[int]]
) -> list[Win]:
    """The wins after one losing reply, in the order of `rows` (of `passages.won_games`).

    `texts`: whole games; `kept`: packed plies of those that are not among them. Games in which the reply does
    not stand where the tables say are left out.
    """
    board = reply.board_after
    wins = []
    row: Any
    for row in rows.itertuples(index=False):
        whole = texts.get(row.game, ())
        moves = whole or tuple(unpack_move(packed) for packed in kept.get(row.game, ()))
        if len(moves) <= row.ply + 1 or not _leads_to(moves[: row.ply + 1], board):
            continue
        wins.append(
            Win(
                game=int(row.game),
                line=moves[row.ply + 1 :],
                whole=whole,
                reply_ply=int(row.ply),
                winner_rating=int(row.rating),
                loser_rating=int(row.rating_loser),
                band=str(row.band),
                is_strongest=bool(row.is_strongest),
                date=str(row.date),
                result=str(row.result),
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


def plan_rows(reply: LosingReply, wins: Sequence[Win], least: int) -> list[dict[str, Any]]:
    """Rows of `plans`: the strongest players' plan, and that of each band with so many wins or more."""
    if len(wins) < least:
        return []
    board = reply.board_after
    themes = {win.game: themes_of(board, win.line[: 2 * OWN_MOVES]) for win in wins}
    players = {STRONGEST: [win.game for win in wins if win.is_strongest]}
    for win in wins:
        players.setdefault(win.band, []).append(win.game)
    return [
        {
            "key": reply.key,
            "move": reply.move,
            "players": name,
            "games": len(games),
            "theme": theme.theme,
            "detail": theme.detail,
            "from_square": theme.from_square,
            "to_square": theme.to_square,
            "share": share,
        }
        for name, games in players.items()
        if len(games) >= least
        for theme, share in plan_of(themes[game] for game in games)
    ]


def model_rows(reply: LosingReply, models: Sequence[Review], wins: Sequence[Win]) -> list[dict[str, Any]]:
    """Rows of `model_games`: the models, the best first."""
    by_game = {win.game: win for win in wins}
    return [_model_row(reply, place, one, by_game[one.game.game]) for place, one in enumerate(models, 1)]


def _model_row(reply: LosingReply, place: int, review: Review, win: Win) -> dict[str, Any]:
    return {
        "key": reply.key,
        "move": reply.move,
        "place": place,
        "game": win.game,
        "winner_rating": win.winner_rating,
        "loser_rating": win.loser_rating,
        "date": win.date,
        "result": win.result,
        "moves": " ".join(move.uci() for move in win.whole),
        "reply_ply": win.reply_ply,
        "quality": review.quality,
        "moments": review.moments,
        "score": review.score,
    }


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
        return source_digest(source) in [dict(one) for one in read_from]
    except SourceError:
        return False


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
