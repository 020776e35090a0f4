"""From a batch of text to rows: every game seen gets one row of the ledger, the kept ones their moves."""

from __future__ import annotations

import hashlib
import zlib
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags
from miner.pgn.batches import Batch
from miner.pgn.decode import Decoded, Reader
from miner.pgn.movetext import RESULTS, MainLines, main_lines
from miner.pgn.players import PlayerColumn, Players
from miner.pgn.split import find_games
from miner.pgn.tags import (
    Column,
    dates,
    filtered_by,
    is_set_up,
    is_variant,
    openings,
    rating_of,
    read_tags,
    time_class_of,
)
from miner.pgn.text import Ints, Lines, few_strings, numbers, repeated
from miner.schema import GAMES, MOVES
from miner.settings import ReadSettings

Texts = npt.NDArray[np.object_]

_POINTS = {"1-0": 2, "1/2-1/2": 1, "0-1": 0, "*": 0}  # White's, in half points
_MIXER = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True, slots=True)
class Count:
    """What a piece of text holds."""

    games: int
    lines: int
    skipped: int  # blocks of text between games


@dataclass(frozen=True, slots=True)
class Report:
    """What must be known of a batch before the games after it can be numbered and compared with it."""

    counts: list[Count]  # of each piece
    signatures: npt.NDArray[np.uint64]  # of each kept game; 0: not to be compared


@dataclass(frozen=True, slots=True)
class Answer:
    """What a batch must know of the games before it."""

    first_game: int  # number in the store of its first game
    first_numbers: list[int]  # of each piece: number of its first game in its source
    first_lines: list[int]  # of each piece: line in its source on which it begins
    is_duplicate: npt.NDArray[np.bool_]  # of each kept game


@dataclass(frozen=True, slots=True)
class Pending:
    """A batch of `n` games that is read but not numbered yet; `m` of them were decoded."""

    counts: list[Count]  # of each piece
    columns: dict[str, Any]  # of the ledger, as far as the games themselves tell
    states: Texts  # (n,): empty where the moves decide
    details: Texts  # (n,)
    results: Texts  # (n,)
    games: Ints  # (m,): which games were decoded
    hashes: npt.NDArray[np.uint64]  # (m,): of the players, date, result and letters; 0: not compared
    decoded: Decoded

    @property
    def is_kept(self) -> Flags:
        """Which of the decoded games have moves to keep."""
        return self.decoded.plies > 0

    @property
    def signatures(self) -> npt.NDArray[np.uint64]:
        """What tells each of the kept games from others; 0: not to be compared."""
        signatures = np.where(self.hashes > 0, self.hashes ^ self.decoded.last_keys, np.uint64(0))
        return signatures[self.is_kept]

    @property
    def report(self) -> Report:
        """What the games after this batch must know of it."""
        return Report(self.counts, self.signatures)


class BatchReader:
    """Reads batches under one set of settings."""

    def __init__(
        self, settings: ReadSettings, salt: bytes, reader: Reader, forgotten: Collection[int] = ()
    ) -> None:
        """`forgotten`: identities of players whose games are not to be known."""
        self._settings = settings
        self._forgotten = np.array(sorted(forgotten), dtype=np.uint64)
        self._players = Players(salt, settings.names)
        self._reader = reader

    def read(self, batch: Batch) -> Pending:
        """The batch's games, decoded as far as their tags let them pass."""
        text, bounds = _joined(batch)
        lines = Lines(text)
        games = find_games(lines, bounds)
        tags = read_tags(lines, games.starts, games.moves)
        piece = np.searchsorted(bounds, games.starts, side="right") - 1
        moves = main_lines(lines, games.moves, games.ends)
        ratings = np.stack(
            [tags[name].map(rating_of, np.uint16) for name in ("WhiteElo", "BlackElo")], axis=1
        )
        results, details = _results(tags["Result"], moves.results)
        states = self._states(tags, moves, results, ratings, details)
        _mark_broken(batch, piece, states, details)
        white, black = (self._players.column(tags[name]) for name in ("White", "Black"))
        for player in (white, black):
            states[np.isin(player.identities, self._forgotten)] = "forgotten"
        decoded = np.flatnonzero(states == "")
        first_byte = np.array([one.first_byte for one in batch], dtype=np.int64) - bounds
        # Without the line end that a piece was given which had none.
        piece_end = bounds + [len(one.text) for one in batch]
        line = np.searchsorted(lines.starts, games.starts, side="right") - 1  # a mark may stand before
        counted = np.bincount(piece, minlength=len(batch))
        first_game = np.cumsum(counted) - counted
        first_line = np.searchsorted(lines.starts, bounds)
        line_counts = np.diff(first_line, append=len(lines.starts))
        columns = {
            "source": repeated([one.source for one in batch], piece),
            "number": np.arange(len(piece)) - first_game[piece],
            "start_byte": games.starts + first_byte[piece],
            "end_byte": np.minimum(games.ends, piece_end[piece]) + first_byte[piece],
            "line": line - first_line[piece],
            "white": white.shown,
            "black": black.shown,
            "white_player": white.numbers,
            "black_player": black.numbers,
            "white_rating": ratings[:, 0],
            "black_rating": ratings[:, 1],
            "date": dates(tags).strings(),
            "time_class": tags["TimeControl"].strings(time_class_of),
            "eco": tags["ECO"].strings(),
            "opening": openings(tags).strings(),
        }
        return Pending(
            counts=[
                Count(*count)
                for count in zip(counted.tolist(), line_counts.tolist(), games.skipped.tolist(), strict=True)
            ],
            columns=columns,
            states=states,
            details=details,
            results=results,
            games=decoded,
            hashes=_hashes(white, black, dates(tags), results, moves)[decoded],
            decoded=self._reader.decode(
                [moves.texts[game] for game in decoded.tolist()], self._settings.plies
            ),
        )

    def _states(
        self,
        tags: dict[str, Column],
        moves: MainLines,
        results: Texts,
        ratings: npt.NDArray[np.uint16],
        details: Texts,
    ) -> Texts:
        """The states of games that their tags and results decide, with their details; the rest stay empty."""
        states = np.full(len(results), "", dtype=object)
        states[results == "*"] = "no result"
        states[[not letters for letters in moves.letters]] = "no moves"
        reasons = filtered_by(tags, ratings, results, self._settings)
        is_filtered = reasons != ""
        states[is_filtered] = "filtered"
        details[is_filtered] = reasons[is_filtered]
        states[tags["FEN"].map(is_set_up, np.bool_)] = "set-up position"
        is_other = tags["Variant"].map(is_variant, np.bool_)
        states[is_other] = "variant"
        details[is_other] = tags["Variant"].map(lambda variant: variant[:40], object)[is_other]
        return states


def _joined(batch: Batch) -> tuple[bytes, Ints]:
    """The text of all pieces of a batch, each ending in a line end, and where each begins."""
    texts = [piece.text if piece.text.endswith(b"\n") else piece.text + b"\n" for piece in batch]
    sizes = np.array([len(text) for text in texts], dtype=np.intp)
    return texts[0] if len(texts) == 1 else b"".join(texts), np.cumsum(sizes) - sizes


def _results(tag: Column, ends: Texts) -> tuple[Texts, Texts]:
    """The results of games, and a remark where the move text ends in another.

    The Result tag decides, as in python-chess; where it says nothing, the result that ends the moves does.
    """
    results = tag.map(lambda value: value if value in RESULTS else "*", object)
    is_told = (results != "*") & (ends != "") & (ends != "*") & (ends != results)
    results = np.where((results == "*") & (ends != ""), ends, results)
    return results, np.where(is_told, "the moves end in another result than the Result tag", "").astype(
        object
    )


def _mark_broken(batch: Batch, piece: Ints, states: Texts, details: Texts) -> None:
    for at, one in enumerate(batch):
        games = np.flatnonzero(piece == at) if one.broken else np.empty(0, dtype=np.intp)
        if len(games):
            states[games[-1]], details[games[-1]] = "unreadable", one.broken


def _hashes(
    white: PlayerColumn, black: PlayerColumn, date: Column, results: Texts, moves: MainLines
) -> npt.NDArray[np.uint64]:
    """A hash of what makes a game the same as another; 0 where both players are unknown.

    Nameless games that are alike are taken for different games: they may well be.
    """
    letters = np.array([zlib.crc32(letters) for letters in moves.letters], dtype=np.uint64)
    result = _white_points(results).astype(np.uint64)
    day = date.map(
        lambda value: int.from_bytes(hashlib.sha256(value.encode()).digest()[:8], "big"), np.uint64
    )
    hashes = letters
    for part in (white.identities, black.identities, day, result):
        hashes = (hashes ^ part) * _MIXER
        hashes ^= hashes >> np.uint64(29)
    is_known = (white.identities | black.identities) > 0
    return np.where(is_known, np.maximum(hashes, 1), np.uint64(0))


def _white_points(results: Texts) -> npt.NDArray[np.uint8]:
    return np.fromiter(map(_POINTS.__getitem__, results.tolist()), dtype=np.uint8, count=len(results))


def ledger_table(pending: Pending, answer: Answer) -> pa.Table:
    """The batch's rows of `games`."""
    decoded = pending.decoded
    plies = np.zeros(len(pending.states), dtype=np.uint8)
    states, details = pending.states.copy(), pending.details.copy()
    kept = pending.games[pending.is_kept]
    states[kept] = np.where(decoded.is_illegal[pending.is_kept], "kept to illegal move", "kept")
    plies[kept] = decoded.plies[pending.is_kept]
    lost = pending.games[~pending.is_kept]
    states[lost] = np.where(decoded.is_illegal[~pending.is_kept], "unreadable", "no moves")
    for game in np.flatnonzero(states == "kept to illegal move").tolist():
        details[game] = _where(int(plies[game]))
    details[lost[states[lost] == "unreadable"]] = "the first move is not legal"
    repeated = kept[answer.is_duplicate]
    states[repeated], details[repeated], plies[repeated] = "duplicate", "", 0
    signatures = np.zeros(len(states), dtype=np.uint64)
    signatures[kept] = pending.signatures
    piece = np.repeat(np.arange(len(pending.counts)), [count.games for count in pending.counts])
    columns = {
        **pending.columns,
        "game": answer.first_game + np.arange(len(states)),
        "number": pending.columns["number"] + np.array(answer.first_numbers)[piece],
        "line": pending.columns["line"] + np.array(answer.first_lines)[piece],
        "result": pending.results,
        "plies": plies,
        "signature": signatures,
        "state": states,
        "detail": details,
    }
    table = pa.table([_array(columns[one.name], one.type) for one in GAMES], schema=GAMES)
    return blanked(table, states == "forgotten")


_NOTHING = {
    "white": "",
    "black": "",
    "white_player": 0,
    "black_player": 0,
    "white_rating": 0,
    "black_rating": 0,
    "date": "",
    "time_class": "unknown",
    "result": "*",
    "eco": "",
    "opening": "",
    "plies": 0,
    "signature": 0,
    "state": "forgotten",
    "detail": "",
}
"""What stands in the row of a forgotten game: that there was one, and where, but nothing of it."""


def blanked(games: pa.Table, is_forgotten: Flags) -> pa.Table:
    """Rows of `games` with nothing of the forgotten ones left but that they were seen."""
    if not is_forgotten.any():
        return games
    mask = pa.array(is_forgotten)
    for name, nothing in _NOTHING.items():
        at = games.schema.get_field_index(name)
        column = pc.if_else(mask, pa.scalar(nothing, GAMES.field(name).type), games[name])
        games = games.set_column(at, GAMES.field(name), column)
    return games


def _array(column: Any, kind: pa.DataType) -> pa.Array:
    if isinstance(column, pa.Array):
        return column
    return few_strings(column.tolist()) if column.dtype == object else numbers(column, kind)


def _where(ply: int) -> str:
    side = "White" if ply % 2 == 0 else "Black"
    return f"move {ply // 2 + 1} of {side} is not legal"


def moves_table(pending: Pending, answer: Answer) -> pa.Table:
    """The batch's rows of `moves`, ordered by the leading 32 bits of the key, then by game."""
    is_kept = pending.is_kept
    is_kept[is_kept] = ~answer.is_duplicate
    visits = pending.decoded.visits
    rows = np.flatnonzero(is_kept.take(visits.lines))
    rows = rows.take(_key_order(visits.keys.take(rows)))
    # Fetched out of order in one piece: that is what takes time.
    packed = visits.packed().take(rows)
    columns = {
        "game": (pending.games + answer.first_game)
        .astype(np.uint32)
        .take((packed >> np.uint64(24)).astype(np.intp)),
        "ply": (packed >> np.uint64(16)).astype(np.uint8),
        "key": visits.keys.take(rows),
        "move": packed.astype(np.uint16),
    }
    return pa.table([_array(columns[one.name], one.type) for one in MOVES], schema=MOVES)


def sorted_moves(moves: pa.Table) -> pa.Table:
    """Rows of `moves` in the order in which a file holds them."""
    leading = moves["key"].to_numpy() >> np.uint64(32)
    return moves.take(pa.array(np.lexsort((moves["game"].to_numpy(), leading))))


def _key_order(keys: npt.NDArray[np.uint64]) -> Ints:
    """The order of the leading 32 bits; equal ones stay as they are.

    A stable sort of 16 bits is a radix sort, and two of them take half the time of a sort of 64.
    """
    low, high = ((keys >> np.uint64(shift)).astype(np.uint16) for shift in (32, 48))
    order = np.argsort(low, kind="stable")
    found: Ints = order.take(np.argsort(high.take(order), kind="stable"))
    return found


def count_states(table: pa.Table) -> Counter[str]:
    """How many games of a ledger are in each state."""
    return Counter(table["state"].to_pylist())
