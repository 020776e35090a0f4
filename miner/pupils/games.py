"""The pupils' games, read by the same rules as a store's."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner.errors import SourceError
from miner.finding.words import plain
from miner.pgn.batches import cut_batches
from miner.pgn.ledger import BatchReader, Numbering, count_states
from miner.pgn.readers import make_reader
from miner.pgn.sources import check_readable, find_sources, total_bytes
from miner.pgn.tags import Players, is_within
from miner.progress import Progress, Silent
from miner.pupils.roster import NAME_LENGTH, Roster
from miner.schema import KEPT
from miner.settings import ReadSettings

NO_MOVE = -1
"""Stands for a move that the game does not tell, because it or what is kept of it ends before."""

_READ = ["source", "number", "date", "white", "black", "white_rating", "black_rating", "game"]
_BOTH = ["game", "white_player", "black_player", "white_rating", "black_rating"]
_MOVES = ["game", "ply", "key", "move"]
_GAMES = ["game", "player", "side", "source", "number", "date", "rating"]
_VISITS = {"game": np.int64, "key": np.uint64, "ply": np.int64, "move": np.int64, "next": np.int64}


@dataclass(frozen=True, kw_only=True, slots=True)
class PupilGames:
    """The pupils' games of some sources.

    `games`: one row per pupil and kept game of his or hers, columns game, player (hash), side, source (number
    of the text it stands in, from 1), number (in that text), date, rating (0: none). `visits`: one row per
    such game and wanted position, columns game, key, ply, move, next (the move after it, or NO_MOVE).
    """

    ledger: Counter[str]  # games in each state
    without_pupils: int  # kept games in which no player's games count
    too_early: int  # pupils' games that lie before the date from which theirs count, or have no date
    games: pd.DataFrame
    visits: pd.DataFrame
    moves: pd.DataFrame  # of these games, if all were asked for: game, ply, key, move; by game and ply
    players: pd.DataFrame  # of these games: game, hashes and ratings of both sides, as in `games` of a store
    names: dict[str, str]  # by hash; empty unless names were asked for
    sources: tuple[str, ...] = ()  # the names of the texts, in the order of their numbers


def read_games(
    sources: Sequence[str],
    roster: Roster,
    keys: Collection[int],
    plies: int,
    *,
    forgotten: Collection[int] = (),
    names: bool = False,
    whole: bool = False,
    progress: Progress | None = None,
) -> PupilGames:
    """Read the games of the roster's players as far as `plies`, and note where they meet one of `keys`.

    With `whole` all their moves are kept.

    Nothing is written. Names leave the text only if they are asked for. No game of a `forgotten` player (by
    `tags.Player.identity`) counts, for nobody.
    Raises SourceError if a source is missing, unknown or unreadable from its beginning, or none has a game.
    """
    found = find_sources(sources)
    for source in found:
        check_readable(source)
    settings = ReadSettings(plies=plies, names="keep" if names else "hash")
    gathering = _Gathering(roster, keys, names, whole)
    reader = BatchReader(settings, roster.salt, make_reader("auto"), forgotten)
    numbering = Numbering()
    with (progress or Silent()).task("reading games", total=total_bytes(found), unit="B") as task:
        for batch in cut_batches(found, task.advance):
            pending = reader.read(batch)
            gathering.add(*pending.rows(numbering.answer(pending.report)))
    found_games = gathering.result()
    if not found_games.ledger.total():
        raise SourceError(
            "no game is found in what was named", advice="`miner read` of it tells what is there"
        )
    return found_games


class _Gathering:
    """Takes in ledgers and moves, batch by batch, and keeps what pupils have to do with."""

    def __init__(self, roster: Roster, keys: Collection[int], names: bool, whole: bool) -> None:
        self._roster = roster
        self._keys = np.array(sorted(keys), dtype=np.uint64)
        self._players = Players(roster.salt, "hash") if names else None
        self._sources: dict[str, int] = {}
        self._ledger: Counter[str] = Counter()
        self._without_pupils = 0
        self._too_early = 0
        self._names: dict[str, str] = {}
        self._games: list[dict[str, Any]] = []
        self._visits: list[pd.DataFrame] = []
        self._moves: list[pd.DataFrame] | None = [] if whole else None
        self._both: list[pd.DataFrame] = []

    def add(self, ledger: pa.Table, moves: pa.Table) -> None:
        self._ledger += count_states(ledger)
        for name in ledger["source"].unique().to_pylist():
            self._sources.setdefault(name, len(self._sources) + 1)
        kept = ledger.filter(pc.is_in(ledger["state"], value_set=pa.array(KEPT)))
        found = [game for row in kept.select(_READ).to_pylist() for game in self._of_pupils(row)]
        self._games += found
        wanted = pa.array(sorted({game["game"] for game in found}), pa.uint32())
        own = moves.filter(pc.is_in(moves["game"], value_set=wanted))
        self._visits.append(_visits(own, self._keys))
        self._both.append(kept.filter(pc.is_in(kept["game"], value_set=wanted)).select(_BOTH).to_pandas())
        if self._moves is not None:
            self._moves.append(own.select(_MOVES).to_pandas())

    def _of_pupils(self, row: dict[str, Any]) -> list[dict[str, Any]]:
        """A game of the ledger for each of its players whose games count, if it lies late enough."""
        players = {side: self._hash(row[side]) for side in ("white", "black")}
        counted = {side: player for side, player in players.items() if self._roster.counts(player)}
        games = [self._of_pupil(row, side, player) for side, player in counted.items()]
        in_time = [game for game in games if self._is_in_time(game)]
        self._without_pupils += not games
        self._too_early += len(games) - len(in_time)
        return in_time

    def _hash(self, shown: str) -> str:
        return self._players.player(shown).shown if self._players else shown

    def _is_in_time(self, game: dict[str, Any]) -> bool:
        since = self._roster.first_day(game["player"])
        return not since or is_within(game["date"], since, "")

    def _of_pupil(self, row: dict[str, Any], side: str, player: str) -> dict[str, Any]:
        if self._players:
            name = self._roster.member(player).name or row[side]
            self._names.setdefault(player, plain(name, NAME_LENGTH))
        return {
            "game": row["game"],
            "player": player,
            "side": side,
            "source": self._sources[row["source"]],
            "number": row["number"],
            "date": plain(row["date"], 10),
            "rating": row[f"{side}_rating"],
        }

    def result(self) -> PupilGames:
        return PupilGames(
            ledger=self._ledger,
            without_pupils=self._without_pupils,
            too_early=self._too_early,
            games=pd.DataFrame(self._games, columns=_GAMES),
            visits=pd.concat([pd.DataFrame(columns=list(_VISITS)).astype(_VISITS), *self._visits]),
            moves=_joined(self._moves or [], _MOVES).sort_values(["game", "ply"], ignore_index=True),
            players=_joined(self._both, _BOTH),
            names=self._names,
            sources=tuple(self._sources),
        )


def _joined(parts: Sequence[pd.DataFrame], columns: Sequence[str]) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(columns))


def _visits(moves: pa.Table, keys: npt.NDArray[np.uint64]) -> pd.DataFrame:
    """Where games meet one of the keys, and what was played there and after it."""
    rows = moves.select(["game", "key", "ply", "move"]).to_pandas().sort_values(["game", "ply"])
    rows = rows.astype({name: kind for name, kind in _VISITS.items() if name in rows})
    after = rows[["game", "ply", "move"]].shift(-1, fill_value=NO_MOVE)
    goes_on = (after["game"] == rows["game"]) & (after["ply"] == rows["ply"] + 1)
    visits: pd.DataFrame = rows.assign(next=after["move"].where(goes_on, NO_MOVE))
    return visits[visits["key"].isin(keys)]
