"""The model games of a store, which of them are worth showing, and their annotation through the engines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess

from miner.engine.consult import Engines
from miner.errors import EngineFailed, UsageError
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.words import opening_words
from miner.game.inquiry import GivenGame, Seen, inquire
from miner.game.notes import Told, told_of
from miner.game.stops import FEWEST
from miner.means import Means
from miner.store import Store
from miner.terms import Band

LATEST = 40
"""Move by which a game that is shown must be decided."""

_NEAR = 200  # rating points that the loser may be off the bands that are taught
_LONGEST = 60  # moves of the whole game: whoever plays on for long after is no example
_CLEAN = 0.02  # expected score that the winner gave away per move, by the first review
_OF_OPENING = 2  # games of one opening
_TIMES = 2  # as many games as are wanted are searched at the most


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A model game, and what is known of it before it is searched."""

    game: GivenGame
    quality: float  # expected score that the winner gave away per move
    only_moves: int = 0  # moves of the winner beside which no other was good, by the first review

    @property
    def is_taught(self) -> bool:
        """Whether the winner played the answer that is taught."""
        finding = self.game.finding
        if finding is None or not finding.refutation:
            return False
        return finding.board_after.parse_san(finding.refutation[0]) == self.game.moves[self.game.answer_ply]

    @property
    def is_clean(self) -> bool:
        """Whether the winner gave little away, and was done in time."""
        return self.quality <= _CLEAN and len(self.game.moves) <= 2 * _LONGEST


def model_games(store: Store, findings: Sequence[Finding]) -> list[Candidate]:
    """The model games of a store: first those of the findings, in their order, then all others.

    A game that is a model for several losing replies is told of the first of them.
    Raises StoreError if nothing was followed.
    """
    store.require("follow")
    place: Mapping[Reply, int] = {finding.reply: at for at, finding in enumerate(findings)}
    rows: list[dict[str, Any]] = store.read_table("model_games").to_pylist()
    rows.sort(key=lambda row: (place.get((row["key"], row["move"]), len(place)), row["place"], row["game"]))
    found: dict[int, Candidate] = {}
    for row in rows:
        at = place.get((row["key"], row["move"]))
        found.setdefault(row["game"], _candidate(row, None if at is None else findings[at]))
    return list(found.values())


def _candidate(row: Mapping[str, Any], finding: Finding | None) -> Candidate:
    game = GivenGame(
        number=row["game"],
        moves=tuple(map(chess.Move.from_uci, row["moves"].split())),
        reply_ply=row["reply_ply"],
        result=row["result"],
        date=row["date"],
        winner_rating=row["winner_rating"],
        loser_rating=row["loser_rating"],
        finding=finding,
    )
    only_moves = sum((ply - game.answer_ply) % 2 == 0 for ply in row["moments"])
    return Candidate(game=game, quality=row["quality"], only_moves=only_moves)


def promising(candidates: Sequence[Candidate], bands: Sequence[Band]) -> list[Candidate]:
    """The games that may be worth showing, before an engine has searched them.

    The taught answer was played, the loser is rated in or near one of the bands, the winner gave little away,
    the game is no longer than sixty moves; one game of each losing reply, two of each opening. First those in
    which three stops are likely, then two, and so on; of equals in their order.
    """
    replies: set[Reply] = set()
    openings: Counter[str] = Counter()
    chosen = []
    for candidate in sorted(candidates, key=lambda candidate: -min(candidate.only_moves, FEWEST)):
        finding, game = candidate.game.finding, candidate.game
        if finding is None or finding.reply in replies or not candidate.is_taught:
            continue
        opening = opening_words(finding).partition(":")[0]
        if candidate.is_clean and is_near(game.loser_rating, bands) and openings[opening] < _OF_OPENING:
            replies.add(finding.reply)
            openings[opening] += 1
            chosen.append(candidate)
    return chosen


def best_of_each(candidates: Iterable[Candidate]) -> list[Candidate]:
    """One game of each finding, in their order, before an engine has searched any.

    Where the taught answer was played before others, then what is clean, then where stops are likely; of
    equals the first.
    """
    of_each: dict[Reply, list[Candidate]] = {}
    for candidate in candidates:
        if candidate.game.finding is not None:
            of_each.setdefault(candidate.game.finding.reply, []).append(candidate)
    return [
        max(games, key=lambda one: (one.is_taught, one.is_clean, min(one.only_moves, FEWEST)))
        for games in of_each.values()
    ]


def is_near(rating: int, bands: Sequence[Band]) -> bool:
    """Whether a player is rated in one of the bands or close to it; without bands, whether he is rated.

    >>> is_near(900, [Band(1000, 1199)]), is_near(700, [Band(1000, 1199)])
    (True, False)
    """
    if not bands:
        return rating > 0
    return rating > 0 and any(
        band.low - _NEAR <= rating and (band.high is None or rating <= band.high + _NEAR) for band in bands
    )


def numbered(candidates: Iterable[Candidate], number: int) -> Candidate:
    """The model game of that number. Raises UsageError if there is none."""
    for candidate in candidates:
        if candidate.game.number == number:
            return candidate
    raise UsageError(
        f"game {number} is no model game", advice="`miner show NUMBER` names those of a finding (Models)"
    )


def annotate(games: Sequence[GivenGame], nodes: int, means: Means, hash_mb: int) -> list[Told]:
    """The games, searched and told; what was searched once comes from the cache.

    Raises what `Engines` does, and EngineFailed if the engine could not search a game.
    """
    engines = Engines(means, hash_mb)
    return [_told(seen) for seen in _searched(engines, games, nodes)]


def _searched(engines: Engines, games: Sequence[GivenGame], nodes: int) -> list[Seen]:
    return engines.ask("model games", "game", [inquire(game, nodes) for game in games])


def _told(seen: Seen) -> Told:
    if seen.failure:
        raise EngineFailed(
            f"game {seen.game.number} could not be searched: {seen.failure}", advice="try again"
        )
    return told_of(seen)


def chosen(
    candidates: Sequence[Candidate], bands: Sequence[Band], top: int, nodes: int, means: Means, hash_mb: int
) -> list[Told]:
    """The best `top` model games to show, each searched and told.

    Of those that are promising as many as are wanted are searched, and as many again if some of them have
    fewer than three stops or are decided late; these come last, and those without any stop not at all.
    """
    engines, waiting = Engines(means, hash_mb), promising(candidates, bands)
    told: list[Told] = []
    for _ in range(_TIMES):
        missing = top - sum(map(is_worth_showing, told))
        searched, waiting = waiting[:missing], waiting[missing:]
        if searched:
            games = [candidate.game for candidate in searched]
            told += map(_told, _searched(engines, games, nodes))
    found = sorted(told, key=lambda one: (not is_worth_showing(one), -min(len(one.stops), FEWEST)))
    return [one for one in found if one.stops][:top]


def is_worth_showing(told: Told) -> bool:
    """Whether a game has enough stops, and is decided in time."""
    return len(told.stops) >= FEWEST and told.seen.decided_ply // 2 < LATEST
