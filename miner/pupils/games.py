"""The pupils' games, read by the same rules as a store's."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner.finding.words import plain
from miner.pgn.batches import cut_batches
from miner.pgn.decode import make_reader
from miner.pgn.ledger import BatchReader, count_states
from miner.pgn.numbering import Numbering
from miner.pgn.players import Players
from miner.pgn.sources import check_readable, find_sources, total_bytes
from miner.pgn.tags import is_within
from miner.progress import Progress, Silent
from miner.pupils.roster import NAME_LENGTH, Roster
from miner.settings import ReadSettings

NO_MOVE = -1
"""Stands for a move that the game does not tell, because it or what is kept of it ends before."""

_KEPT = ("kept", "kept to illegal move")
_COLUMNS = [
    "source",
    "number",
    "date",
    "white",
    "black",
    "white_rating",
    "black_rating",
    "game",
    "state",
]


@dataclass(slots=True)
class PupilGames:
    """What was read. `games`: one row per pupil and kept game of his or hers, columns game, player (hash),
    side, source (number of the text it stands in, from 1), number (in that text), date, rating (0: none).
    `visits`: one row per such game and wanted position, columns game, key, ply, move, next (the move after
    it, or NO_MOVE).
    """

    ledger: Counter[str]  # games in each state
    without_pupils: int  # kept games in which no player's games count
    too_early: int  # pupils' games that lie before the date from which theirs count, or have no date
    games: pd.DataFrame
    visits: pd.DataFrame
    names: dict[str, str] = field(default_factory=dict)  # by hash; empty unless names were asked for


def read_games(
    sources: Sequence[str],
    roster: Roster,
    keys: Collection[int],
    plies: int,
    *,
    names: bool = False,
    progress: Progress | None = None,
) -> PupilGames:
    """Read the games of the roster's players as far as `plies`, and note where they meet one of `keys`.

    Nothing is written. Names leave the text only if they are asked for.
    Raises SourceError if a source is missing, unknown or unreadable from its very beginning.
    """
    found = find_sources(sources)
    for source in found:
        check_readable(source)
    settings = ReadSettings(plies=plies, names="keep" if names else "hash")
    gathering = _Gathering(roster, np.array(sorted(keys), dtype=np.uint64), names)
    reader = BatchReader(settings, roster.salt, make_reader("auto"))
    numbering = Numbering()
    with (progress or Silent()).task("reading games", total=total_bytes(found), unit="B") as task:
        for batch in cut_batches(found, task.advance):
            pending = reader.read(batch)
            gathering.add(*pending.rows(numbering.answer(pending.report)))
    return gathering.result()


class _Gathering:
    """Takes in ledgers and moves, batch by batch, and keeps what pupils have to do with."""

    def __init__(self, roster: Roster, keys: npt.NDArray[np.uint64], names: bool) -> None:
        self._roster = roster
        self._keys = keys
        self._names = names
        self._players = Players(roster.salt, "hash")
        self._sources: dict[str, int] = {}
        self._found = PupilGames(Counter(), 0, 0, pd.DataFrame(), pd.DataFrame())
        self._games: list[dict[str, Any]] = []
        self._visits: list[pd.DataFrame] = []

    def add(self, ledger: pa.Table, moves: pa.Table) -> None:
        self._found.ledger += count_states(ledger)
        kept = ledger.filter(pc.is_in(ledger["state"], value_set=pa.array(_KEPT)))
        for name in ledger["source"].unique().to_pylist():
            self._sources.setdefault(name, len(self._sources) + 1)
        wanted: set[int] = set()
        for row in kept.select(_COLUMNS).to_pylist():
            rows = self._of_pupils(row)
            self._games += rows
            wanted |= {one["game"] for one in rows}
        self._visits.append(_visits(moves, self._keys, wanted))

    def _of_pupils(self, row: dict[str, Any]) -> list[dict[str, Any]]:
        told = [self._of_pupil(row, side) for side in ("white", "black") if self._counts(row, side)]
        self._found.without_pupils += not told
        in_time = [one for one in told if self._is_in_time(one)]
        self._found.too_early += len(told) - len(in_time)
        return in_time

    def _counts(self, row: dict[str, Any], side: str) -> bool:
        return self._roster.counts(self._hash(row[side]))

    def _hash(self, shown: str) -> str:
        return self._players.player(shown).shown if self._names else shown

    def _is_in_time(self, one: dict[str, Any]) -> bool:
        since = self._roster.first_day(one["player"])
        return not since or is_within(one["date"], since, "")

    def _of_pupil(self, row: dict[str, Any], side: str) -> dict[str, Any]:
        player = self._hash(row[side])
        if self._names:
            name = self._roster.member(player).name or row[side]
            self._found.names.setdefault(player, plain(name, NAME_LENGTH))
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
        columns = ["game", "player", "side", "source", "number", "date", "rating"]
        self._found.games = pd.DataFrame(self._games, columns=columns)
        empty = _visits_frame([], [], [], [], [])
        self._found.visits = pd.concat([empty, *self._visits], ignore_index=True)
        return self._found


def _visits(moves: pa.Table, keys: npt.NDArray[np.uint64], games: Collection[int]) -> pd.DataFrame:
    """Where these games meet one of the keys, and what was played there and after it."""
    rows = moves.filter(pc.is_in(moves["game"], value_set=pa.array(sorted(games), pa.uint32())))
    game, ply, move, key = (rows[name].to_numpy() for name in ("game", "ply", "move", "key"))
    # A game has at most 256 plies: one number for both.
    place = game.astype(np.int64) << 8 | ply
    order = np.argsort(place)
    met = order[np.isin(key[order], keys)]
    following = np.minimum(np.searchsorted(place[order], place[met] + 1), max(len(order) - 1, 0))
    after = order[following] if len(order) else following
    is_next = place[after] == place[met] + 1 if len(order) else np.zeros(0, dtype=np.bool_)
    answers = np.where(is_next, move[after].astype(np.int64), NO_MOVE)
    return _visits_frame(game[met], key[met], ply[met], move[met], answers)


def _visits_frame(game: Any, key: Any, ply: Any, move: Any, following: Any) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "game": np.asarray(game, dtype=np.int64),
            "key": np.asarray(key, dtype=np.uint64),
            "ply": np.asarray(ply, dtype=np.int64),
            "move": np.asarray(move, dtype=np.int64),
            "next": np.asarray(following, dtype=np.int64),
        }
    )
