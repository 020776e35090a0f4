"""The games won after a losing reply: from the sources, and as rows of `plans` and `model_games`."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import pandas as pd

from miner.board.lines import unpack_move
from miner.follow.models import Review, WonGame
from miner.follow.plans import OWN_MOVES, plan_of, themes_of
from miner.follow.replies import LosingReply
from miner.follow.whole import read_whole, sources_now
from miner.read.spans import Span
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
