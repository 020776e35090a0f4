"""Model games and plans that back the findings of a lesson, without anybody's name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import chess

from miner.board.moves import sans_of
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.words import percent, plain, plan_words
from miner.store import Store
from miner.terms import STRONGEST

PLAN_ROWS = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class ModelGame:
    """A game in which the losing reply was played and punished."""

    sans: tuple[str, ...]
    reply_ply: int
    moments: frozenset[int]  # plies of the moves that mattered
    result: str
    date: str  # as in the Date tag, or empty
    winner_rating: int  # 0: none
    loser_rating: int

    def words(self) -> str:
        """Which game it is, without names.

        >>> ModelGame(sans=(), reply_ply=6, moments=frozenset(), result="1-0", date="2024.09.15",
        ...           winner_rating=1630, loser_rating=0).words()
        '2024.09.15, won by a player rated 1630, 1-0'
        """
        known = known_date(self.date)
        rated = f"won by a player rated {self.winner_rating}" if self.winner_rating else ""
        if rated and self.loser_rating:
            rated += f" against {self.loser_rating}"
        return ", ".join(filter(None, (known, rated, self.result)))


def known_date(date: str) -> str:
    """What a Date tag tells for certain: the year, and month and day as far as they are there.

    >>> known_date("2024.09.??"), known_date("????.??.??")
    ('2024.09', '')
    """
    known = re.match(r"\d{4}(?:\.\d\d){0,2}", date)
    return known[0] if known else ""


@dataclass(frozen=True, slots=True)
class Backing:
    """Model games and plans by losing reply; empty where the store holds none."""

    models: Mapping[Reply, ModelGame]
    plans: Mapping[Reply, tuple[str, ...]]
    others: Mapping[Reply, tuple[ModelGame, ...]] = field(default_factory=dict)  # model games but the best

    def model(self, finding: Finding) -> ModelGame | None:
        """The best model game of a finding, if there is one."""
        return self.models.get(finding.reply)

    def each_once(self, findings: Iterable[Finding]) -> dict[Reply, ModelGame]:
        """A model game for each finding that has one which no finding before it shows."""
        shown: dict[Reply, ModelGame] = {}
        for finding in findings:
            best = self.model(finding)
            seen = {game.sans for game in shown.values()}
            games = (*([best] if best else []), *self.others.get(finding.reply, ()))
            if game := next((game for game in games if game.sans not in seen), None):
                shown[finding.reply] = game
        return shown

    def plan(self, finding: Finding) -> tuple[str, ...]:
        """Where the winners' pieces and pawns go, the commonest first, each in a few words."""
        return self.plans.get(finding.reply, ())


NO_BACKING = Backing({}, {})


def read_backing(store: Store) -> Backing:
    """The model games and plans of a store, which may hold neither.

    Raises StoreError if a table is there but damaged.
    """
    games: dict[Reply, list[ModelGame]] = {}
    for row in sorted(_rows(store, "model_games"), key=lambda row: row["place"]):
        games.setdefault((row["key"], row["move"]), []).append(_model(row))
    models = {reply: best for reply, (best, *_) in games.items()}
    others = {reply: tuple(more) for reply, (_, *more) in games.items() if more}
    return Backing(models, _plans(_rows(store, "plans")), others)


def _rows(store: Store, table: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = store.read_table(table).to_pylist() if store.path(table).exists() else []
    return rows


def _model(row: dict[str, Any]) -> ModelGame:
    moves = [chess.Move.from_uci(uci) for uci in row["moves"].split()]
    return ModelGame(
        sans=sans_of(chess.Board(), moves),
        reply_ply=row["reply_ply"],
        moments=frozenset(row["moments"]),
        result=row["result"],
        date=row["date"],
        winner_rating=row["winner_rating"],
        loser_rating=row["loser_rating"],
    )


def _plans(rows: list[dict[str, Any]]) -> dict[Reply, tuple[str, ...]]:
    by_reply: dict[Reply, list[dict[str, Any]]] = {}
    for row in rows:
        by_reply.setdefault((row["key"], row["move"]), []).append(row)
    return {reply: _commonest(about) for reply, about in by_reply.items()}


def _commonest(rows: list[dict[str, Any]]) -> tuple[str, ...]:
    """The strongest players' plans where there are any, else those of the band that won most games."""
    games = {row["players"]: row["games"] for row in rows}
    players = STRONGEST if STRONGEST in games else max(sorted(games), key=games.__getitem__)
    own = [row for row in rows if row["players"] == players]  # the shares of others would not compare
    own.sort(key=lambda row: (-row["share"], row["theme"], row["detail"]))
    words = [
        f"{plain(plan_words(row), 60)} ({percent(row['share'])} of {row['games']:,} won games)" for row in own
    ]
    return tuple(dict.fromkeys(words))[:PLAN_ROWS]
