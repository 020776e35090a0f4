"""From a batch of text to rows: every game seen gets one row of the ledger, the kept ones their moves."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from miner.read.batches import Batch, Piece
from miner.read.decode import Decoded, Reader
from miner.read.filters import Filter
from miner.read.games import GameSpan, find_games
from miner.read.headers import is_set_up, is_variant, parse_headers, rating_of, time_class_of
from miner.read.movetext import RESULTS, final_result, letters_of, main_line, moves_of
from miner.read.players import Players
from miner.schema import GAMES, MOVES
from miner.settings import ReadSettings

_HALF_POINTS = {"1-0": 2, "1/2-1/2": 1, "0-1": 0}
_PRUNING_BITS = 16


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


class _Row(NamedTuple):
    """A row of the ledger as far as the game itself tells: numbers count from 0 in its piece."""

    source: str
    number: int
    start_byte: int
    end_byte: int
    line: int
    white: str
    black: str
    white_rating: int
    black_rating: int
    date: str
    time_class: str
    result: str
    eco: str
    opening: str
    state: str  # empty: to be told from the moves
    detail: str


@dataclass(slots=True)
class Pending:
    """A batch that is read but not numbered yet."""

    counts: list[Count] = field(default_factory=list)
    rows: list[_Row] = field(default_factory=list)
    decoded_rows: list[int] = field(default_factory=list)  # those of `rows` whose moves were decoded
    numbers: list[tuple[int, int]] = field(default_factory=list)  # both players, of each decoded row
    hashes: list[int] = field(
        default_factory=list
    )  # of the players, date, result and letters; 0: not compared
    lines: list[bytes] = field(default_factory=list)  # main lines
    decoded: Decoded = field(default_factory=lambda: Decoded.empty(0, 0))

    @property
    def is_kept(self) -> npt.NDArray[np.bool_]:
        """Which of the decoded rows have moves to keep."""
        return self.decoded.plies > 0

    @property
    def report(self) -> Report:
        """What the games after this batch must know of it."""
        hashes = np.array(self.hashes, dtype=np.uint64)
        signatures = np.where(hashes > 0, hashes ^ self.decoded.last_keys, np.uint64(0))
        return Report(self.counts, signatures[self.is_kept])


class BatchReader:
    """Reads batches under one set of settings."""

    def __init__(self, settings: ReadSettings, salt: bytes, reader: Reader) -> None:
        self._settings = settings
        self._filter = Filter(settings)
        self._players = Players(salt, settings.names)
        self._reader = reader

    def read(self, batch: Batch) -> Pending:
        """The batch's games, decoded as far as their tags let them pass."""
        pending = Pending()
        for piece in batch:
            self._read_piece(piece, pending)
        pending.decoded = self._reader.decode(pending.lines, self._settings.plies)
        pending.lines.clear()
        return pending

    def _read_piece(self, piece: Piece, pending: Pending) -> None:
        text = piece.text
        spans, skipped = find_games(text)
        line = before = 0
        for number, span in enumerate(spans):
            line += text.count(b"\n", before, span.start)
            before = span.start
            is_broken = bool(piece.broken) and number == len(spans) - 1
            self._read_game(piece, span, number, line, piece.broken if is_broken else "", pending)
        pending.counts.append(Count(len(spans), text.count(b"\n"), skipped))

    def _read_game(
        self, piece: Piece, span: GameSpan, number: int, line: int, broken: str, pending: Pending
    ) -> None:
        headers = parse_headers(piece.text[span.start : span.moves])
        moves, letters = _main_line(piece.text[span.moves : span.end])
        ratings = (rating_of(headers.white_elo), rating_of(headers.black_elo))
        time_class = time_class_of(headers.time_control)
        written_result = final_result(moves)
        result = headers.result if headers.result in RESULTS else written_result or "*"
        white, black = self._players.player(headers.white), self._players.player(headers.black)
        if broken:
            state, detail = "unreadable", broken
        elif is_variant(headers):
            state, detail = "variant", headers.variant[:40]
        elif is_set_up(headers):
            state, detail = "set-up position", ""
        elif reason := self._filter.reason(headers, ratings, time_class, result):
            state, detail = "filtered", reason
        elif not letters:
            state, detail = "no moves", ""
        elif result == "*":
            state, detail = "no result", ""
        else:
            state = ""
            detail = (
                ""
                if written_result in (result, "", "*")
                else "the final result is not that of the Result tag"
            )
            pending.decoded_rows.append(len(pending.rows))
            pending.lines.append(moves)
            pending.numbers.append((white.number, black.number))
            known = white.identity or black.identity
            told = (white.identity, black.identity, headers.date.encode(), result.encode(), letters)
            pending.hashes.append(_hash(told) if known else 0)
        pending.rows.append(
            _Row(
                piece.source,
                number,
                piece.first_byte + span.start,
                piece.first_byte + span.end,
                line,
                white.shown,
                black.shown,
                *ratings,
                headers.date,
                time_class,
                result,
                headers.eco,
                headers.opening,
                state,
                detail,
            )
        )


def _main_line(text: bytes) -> tuple[bytes, bytes]:
    """The main line of a move text, fit for any reader, and its letters."""
    letters = letters_of(text)
    if letters.isalpha():
        return text, letters
    text = main_line(text)
    letters = letters_of(text)
    if letters and not letters.isalpha():
        moves = moves_of(text)
        text = b" ".join([*moves, final_result(text).encode("ascii")])
        letters = letters_of(text)
    return text, letters


def _hash(parts: Sequence[bytes]) -> int:
    digest = hashlib.blake2b(b"\0".join(parts), digest_size=8).digest()
    return int.from_bytes(digest, "big") or 1


def ledger_table(pending: Pending, answer: Answer) -> pa.Table:
    """The batch's rows of `games`."""
    states = [row.state for row in pending.rows]
    details = [row.detail for row in pending.rows]
    plies = np.zeros(len(states), dtype=np.uint8)
    kept = 0
    decoded = pending.decoded
    for at, row in enumerate(pending.decoded_rows):
        if decoded.plies[at] == 0:
            states[row] = "unreadable" if decoded.is_illegal[at] else "no moves"
            details[row] = "the first move is not legal" if decoded.is_illegal[at] else ""
            continue
        plies[row] = decoded.plies[at]
        if answer.is_duplicate[kept]:
            states[row], details[row], plies[row] = "duplicate", "", 0
        elif decoded.is_illegal[at]:
            states[row], details[row] = "kept to illegal move", _where(int(decoded.plies[at]))
        else:
            states[row] = "kept"
        kept += 1
    columns: dict[str, Any] = dict(zip(_Row._fields, zip(*pending.rows, strict=True), strict=True))
    offsets = np.repeat(np.arange(len(pending.counts)), [count.games for count in pending.counts])
    columns["game"] = answer.first_game + np.arange(len(states), dtype=np.uint32)
    columns["number"] = np.array(columns["number"]) + np.array(answer.first_numbers)[offsets]
    columns["line"] = np.array(columns["line"]) + np.array(answer.first_lines)[offsets]
    columns |= {"plies": plies, "state": states, "detail": details}
    return pa.table([pa.array(columns[one.name], one.type) for one in GAMES], schema=GAMES)


def _where(ply: int) -> str:
    side = "White" if ply % 2 == 0 else "Black"
    return f"move {ply // 2 + 1} of {side} is not legal"


def moves_table(pending: Pending, answer: Answer) -> pa.Table:
    """The batch's rows of `moves`, ordered by the leading bits of the key."""
    decoded = pending.decoded
    games = np.array(pending.decoded_rows, dtype=np.intp)
    is_kept = pending.is_kept
    is_kept[is_kept] = ~answer.is_duplicate
    at, ply = np.nonzero(decoded.is_first_visit & is_kept[:, None])
    keys = decoded.keys[at, ply]
    # A stable sort of 16 bits is a radix sort, and leaves games in reading order where they are equal.
    order = np.argsort((keys >> np.uint64(64 - _PRUNING_BITS)).astype(np.uint16), kind="stable")
    at, ply, keys = at[order], ply[order], keys[order]
    side = ply & 1
    ratings = np.array([(pending.rows[game].white_rating, pending.rows[game].black_rating) for game in games])
    points = np.array([_HALF_POINTS[pending.rows[game].result] for game in games], dtype=np.uint8)
    columns = {
        "game": (answer.first_game + games).astype(np.uint32)[at],
        "ply": ply.astype(np.uint8),
        "key": keys,
        "move": decoded.moves[at, ply],
        "rating": ratings.reshape(-1, 2).astype(np.uint16)[at, side],
        "player": np.array(pending.numbers, dtype=np.uint32).reshape(-1, 2)[at, side],
        "score": np.stack([points, 2 - points], axis=1)[at, side],
    }
    return pa.table([pa.array(columns[one.name], one.type) for one in MOVES], schema=MOVES)


def count_states(table: pa.Table) -> Counter[str]:
    """How many games of a ledger are in each state."""
    counted = table["state"].value_counts().to_pylist()
    return Counter({one["values"]: one["counts"] for one in counted})
