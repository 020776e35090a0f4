"""Batches of text to rows of `games` and `moves`: each game that is seen ends in one numbered row."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from miner.arrays import Flags, Hashes, Offsets, Strings
from miner.core.library import ASIDES, NO_RESULT, RESULTS, UNFINISHED, Bytes, Decoded, MoveTexts
from miner.pgn.batches import Batch
from miner.pgn.readers import Reader, in_key_order
from miner.pgn.split import GameSpans
from miner.pgn.tags import (
    PlayerColumn,
    Players,
    dates,
    eco_of,
    filtered_by,
    is_set_up,
    is_variant,
    openings,
    rating_of,
    time_class_of,
    variant_of,
)
from miner.pgn.text import Column, numbers
from miner.schema import GAMES, MOVES
from miner.settings import ReadSettings

_POINTS = np.array([0, 2, 0, 1, 0], dtype=np.uint64)  # White's for each of RESULTS, in half points
_ASIDES = np.array(ASIDES, dtype=object)
_MIXER = np.uint64(0x9E3779B97F4A7C15)
_ILLEGAL_FIRST = "the first move is not legal"
_OTHER_RESULT = "the moves end in another result than the Result tag"
_SIDES = ("White", "Black")
_PLACES = ("game", "source", "number", "start_byte", "end_byte", "line")
_SIGN = re.compile(rb"[!-/:-@\[-`{-~ ]{1,8}")
_FORGOTTEN = {"time_class": "unknown", "result": "*", "state": "forgotten"}


@dataclass(frozen=True, slots=True)
class Count:
    """How much a piece of text holds."""

    games: int
    lines: int
    size: int  # bytes
    skipped: int  # lines of text that is no game, blank ones not counted
    sign: str  # that the first of those begins with, before any letter
    origin: int  # which of the sources that are read together it is of
    begins_text: bool  # as `batches.Piece` says


@dataclass(frozen=True, slots=True)
class Report:
    """The part of a batch that decides how the games after it are numbered and which are repeated."""

    counts: Sequence[Count]  # of each piece
    signatures: Hashes  # of each kept game; 0: not to be compared


class TextPlace(NamedTuple):
    """Where in a text something stands."""

    number: int  # of the next game, from 1
    line: int  # from 1
    byte: int  # from 0


@dataclass(frozen=True, slots=True)
class EarlierGames:
    """The part of the games before a batch that decides about its rows."""

    first_game: int  # number in the store of its first game
    begins: Sequence[TextPlace]  # of each piece
    is_duplicate: Flags  # of each kept game


class Seen:
    """The signatures of all games so far, in sorted runs, 8 bytes a game.

    Runs are merged as in a mergesort, so that there are few, each at least twice as long as the next.
    """

    def __init__(self, before: Hashes | None = None) -> None:
        """`before`: the signatures of earlier games, in rising order."""
        self._runs: list[Hashes] = [] if before is None or not len(before) else [before]

    def add(self, signatures: Hashes) -> Flags:
        """Which of these games were seen before, here or earlier; 0 stands for a game never compared."""
        is_repeated = np.ones(len(signatures), dtype=np.bool_)
        unique, first = np.unique(signatures, return_index=True)
        is_new = np.ones(len(unique), dtype=np.bool_)
        for run in self._runs:
            at = np.minimum(np.searchsorted(run, unique), len(run) - 1)
            is_new &= run[at] != unique
        is_repeated[first[is_new]] = False
        is_repeated[signatures == 0] = False
        self._insert(unique[is_new & (unique != 0)])
        return is_repeated

    def _insert(self, run: Hashes) -> None:
        if not len(run):
            return
        while self._runs and len(self._runs[-1]) < 2 * len(run):
            run = np.concatenate([self._runs.pop(), run])
            run.sort()
        self._runs.append(run)


class Numbering:
    """Keeps count of games, lines, bytes and signatures, batch by batch in reading order."""

    def __init__(self, first_game: int = 0, seen: Seen | None = None) -> None:
        """For games that go on from `first_game`; those before it were `seen`."""
        self._game = first_game
        self._place = TextPlace(1, 1, 0)  # behind the last piece
        self._seen = seen or Seen()

    def answer(self, report: Report) -> EarlierGames:
        """The answer to the next batch's report."""
        first_game = self._game
        begins = []
        for count in report.counts:
            begins.append(begin := TextPlace(1, 1, 0) if count.begins_text else self._place)
            self._place = TextPlace(
                begin.number + count.games, begin.line + count.lines, begin.byte + count.size
            )
            self._game += count.games
        return EarlierGames(first_game, begins, self._seen.add(report.signatures))


Tags = dict[str, Column]


class LedgerRows(NamedTuple):
    """Rows of the tables `games` and `moves`."""

    games: pa.Table
    moves: pa.Table  # ordered by the leading 32 bits of the key, then by game


@dataclass(frozen=True, slots=True)
class Pending:
    """A batch of `n` games that is read but not numbered yet; `m` of them were decoded."""

    counts: list[Count]  # of each piece
    columns: dict[str, Any]  # of the ledger, as far as the games themselves tell
    states: Strings  # (n,): empty where the moves decide
    details: Strings  # (n,)
    asides: Strings  # (n,): what is never closed, so that the rest of the moves is lost; or empty
    games: Offsets  # (m,): which games were decoded
    hashes: Hashes  # (m,): of the players, date, result and letters; 0: not compared
    decoded: Decoded

    @property
    def is_kept(self) -> Flags:
        """Which of the decoded games have moves to keep."""
        return self.decoded.plies > 0

    @property
    def signatures(self) -> Hashes:
        """A hash that tells each of the kept games from others; 0: not to be compared."""
        signatures = np.where(self.hashes > 0, self.hashes ^ self.decoded.last_keys, np.uint64(0))
        return signatures[self.is_kept]

    @property
    def report(self) -> Report:
        """The part of it that decides about the games after this batch."""
        return Report(self.counts, self.signatures)

    def rows(self, answer: EarlierGames) -> LedgerRows:
        """The batch's rows, once it is known what came before it."""
        return LedgerRows(_ledger(self, answer), self._moves(answer))

    def _moves(self, answer: EarlierGames) -> pa.Table:
        is_kept = self.is_kept
        is_kept[is_kept] = ~answer.is_duplicate
        numbers = (self.games + answer.first_game).astype(np.uint32)
        games, plies, keys, moves = in_key_order(self.decoded.visits, is_kept, numbers)
        return _table({"game": games, "ply": plies, "key": keys, "move": moves}, MOVES)


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

    @property
    def is_compiled(self) -> bool:
        """Whether other threads can read at the same time."""
        return self._reader.is_compiled

    def read(self, batch: Batch) -> Pending:
        """The batch's games, decoded as far as their tags let them pass."""
        texts = [piece.text if piece.text.endswith(b"\n") else piece.text + b"\n" for piece in batch]
        sizes = np.array([len(text) for text in texts], dtype=np.intp)
        bounds = np.cumsum(sizes) - sizes
        text = texts[0] if len(texts) == 1 else b"".join(texts)
        games = self._reader.find_games(text, bounds)
        tags = self._reader.read_tags(text, games.starts, games.moves)
        moves = self._reader.see_moves(text, games.moves, games.ends)
        white, black = (self._players.column(tags[name]) for name in ("White", "Black"))
        date = dates(tags)
        # The Result tag decides, as in python-chess, or else how the move text ends.
        results = tags["Result"].map(_result_of, np.uint8)
        is_open = (results == UNFINISHED) & (moves.results != NO_RESULT)
        results[is_open] = moves.results[is_open]
        piece = np.searchsorted(bounds, games.starts, side="right") - 1
        counts, places = _places(batch, text, games, bounds, piece, self._reader)
        columns = {
            **places,
            "white": white.shown,
            "black": black.shown,
            "white_player": white.numbers,
            "black_player": black.numbers,
            "white_rating": tags["WhiteElo"].map(rating_of, np.uint16),
            "black_rating": tags["BlackElo"].map(rating_of, np.uint16),
            "date": date.strings(),
            "time_class": tags["TimeControl"].strings(time_class_of),
            "result": Column(RESULTS, results).strings(),
            "eco": tags["ECO"].strings(eco_of),
            "opening": openings(tags).strings(),
        }
        ratings = np.stack([columns["white_rating"], columns["black_rating"]], axis=1)
        states, details = self._judged(tags, moves, results, ratings)
        for number, part in enumerate(batch):
            if part.broken and len(of_part := np.flatnonzero(piece == number)):
                states[of_part[-1]], details[of_part[-1]] = "unreadable", part.broken
        for player in (white, black):
            states[np.isin(player.identities, self._forgotten)] = "forgotten"
        decoded = np.flatnonzero(states == "")
        main = self._reader.decode(text, games.moves[decoded], games.ends[decoded], self._settings.plies)
        asides = _ASIDES[moves.asides]
        asides[decoded[main.plies == self._settings.plies]] = ""  # nothing that counts is lost
        return Pending(
            counts=counts,
            columns=columns,
            states=states,
            details=details,
            asides=asides,
            games=decoded,
            hashes=_hashes(white, black, date, results, moves)[decoded],
            decoded=main,
        )

    def _judged(
        self, tags: Tags, moves: MoveTexts, results: Bytes, ratings: npt.NDArray[np.uint16]
    ) -> tuple[Strings, Strings]:
        """The states of games that their tags and results decide, with details; the rest stay empty."""
        ends = moves.results
        is_other_result = (results != ends) & (ends != NO_RESULT) & (ends != UNFINISHED)
        details = np.where(is_other_result, _OTHER_RESULT, "").astype(object)
        states = np.full(len(results), "", dtype=object)
        states[results == UNFINISHED] = "no result"
        states[moves.is_empty] = "no moves"
        details[moves.is_empty & (moves.asides > 0)] = "a comment or variation is never closed"
        reasons = filtered_by(tags, ratings, results, self._settings)
        is_filtered = reasons != ""
        states[is_filtered], details[is_filtered] = "filtered", reasons[is_filtered]
        states[tags["FEN"].map(is_set_up, np.bool_)] = "set-up position"
        is_other = tags["Variant"].map(is_variant, np.bool_)
        states[is_other] = "variant"
        details[is_other] = tags["Variant"].map(variant_of, object)[is_other]
        return states, details


def _result_of(tag: str) -> int:
    """The place in RESULTS of what a Result tag says."""
    return RESULTS.index(tag) if tag in RESULTS[1:] else UNFINISHED


def _places(
    batch: Batch, text: bytes, games: GameSpans, bounds: Offsets, piece: Offsets, reader: Reader
) -> tuple[list[Count], dict[str, Any]]:
    """Counts of what each piece holds, and the columns that tell where in its piece each game stands.

    The pieces begin at `bounds`; `piece`: which of them each game is of.
    """
    counted = np.bincount(piece, minlength=len(batch))
    first_game = np.cumsum(counted) - counted
    first_line = reader.lines_before(text, np.append(bounds, len(text)))
    line_counts = np.diff(first_line)
    counts = [
        Count(count, line_count, len(part.text), *skipped, part.origin, part.begins_text)
        for part, count, line_count, skipped in zip(
            batch, counted.tolist(), line_counts.tolist(), _skipped(text, games, bounds), strict=True
        )
    ]
    # Without the line end that a piece was given which had none.
    ends = np.minimum(games.ends - bounds[piece], np.array([count.size for count in counts])[piece])
    line = reader.lines_before(text, games.starts)
    return counts, {
        "source": Column([part.name for part in batch], piece).strings(),
        "number": np.arange(len(piece)) - first_game[piece],
        "start_byte": games.starts - bounds[piece],
        "end_byte": ends,
        "line": line - first_line[piece],
    }


def _skipped(text: bytes, games: GameSpans, bounds: Offsets) -> list[tuple[int, str]]:
    """How many lines of each piece are text that is no game, and the sign that the first begins with.

    Signs only, since letters could be those of a name.
    """
    skipped = [(0, "")] * len(bounds)
    pieces = np.searchsorted(bounds, games.skipped[:, 0], side="right") - 1
    for piece, (begin, end) in zip(pieces.tolist(), games.skipped.tolist(), strict=True):
        count, sign = skipped[piece]
        block = text[begin:end]
        begins_with = _SIGN.match(block)
        sign = sign if count else begins_with[0].decode("ascii").strip() if begins_with else ""
        skipped[piece] = (count + sum(1 for line in block.split(b"\n") if line.strip()), sign)
    return skipped


def _hashes(
    white: PlayerColumn, black: PlayerColumn, date: Column, results: Bytes, moves: MoveTexts
) -> Hashes:
    """A hash of what makes a game the same as another; 0 where both players are unknown.

    Nameless games that are alike are taken for different games: they may well be.
    """
    hashes = moves.hashes.astype(np.uint64)
    day = date.map(
        lambda value: int.from_bytes(hashlib.sha256(value.encode()).digest()[:8], "big"), np.uint64
    )
    for part in (white.identities, black.identities, day, _POINTS[results]):
        hashes = (hashes ^ part) * _MIXER
        hashes ^= hashes >> np.uint64(29)
    is_known = (white.identities | black.identities) > 0
    return np.where(is_known, np.maximum(hashes, 1), np.uint64(0))


def _ledger(pending: Pending, answer: EarlierGames) -> pa.Table:
    is_kept, is_illegal = pending.is_kept, pending.decoded.is_illegal
    states, details = pending.states.copy(), pending.details.copy()
    plies = np.zeros(len(states), dtype=np.uint8)
    signatures = np.zeros(len(states), dtype=np.uint64)
    kept, lost = pending.games[is_kept], pending.games[~is_kept]
    states[kept] = np.where(is_illegal[is_kept], "kept to illegal move", "kept")
    plies[kept] = pending.decoded.plies[is_kept]
    signatures[kept] = pending.signatures
    is_open = is_kept & ~is_illegal & (pending.asides[pending.games] != "")
    for game in pending.games[is_open].tolist():
        move, is_black = divmod(int(plies[game]) - 1, 2)
        states[game] = "kept to open bracket"
        details[game] = (
            f"a {pending.asides[game]} behind move {move + 1} of {_SIDES[is_black]} is never closed"
        )
    states[lost] = np.where(is_illegal[~is_kept], "unreadable", "no moves")
    for game in pending.games[is_kept & is_illegal].tolist():
        move, is_black = divmod(int(plies[game]), 2)
        details[game] = f"move {move + 1} of {_SIDES[is_black]} is not legal"
    details[pending.games[~is_kept & is_illegal]] = _ILLEGAL_FIRST
    repeated = kept[answer.is_duplicate]
    states[repeated], details[repeated], plies[repeated] = "duplicate", "", 0
    piece = np.repeat(np.arange(len(pending.counts)), [count.games for count in pending.counts])
    first_number, first_line, first_byte = np.array(answer.begins)[piece].T
    columns = {
        **pending.columns,
        "game": answer.first_game + np.arange(len(states)),
        "number": pending.columns["number"] + first_number,
        "line": pending.columns["line"] + first_line,
        "start_byte": pending.columns["start_byte"] + first_byte,
        "end_byte": pending.columns["end_byte"] + first_byte,
        "plies": plies,
        "signature": signatures,
        "state": states,
        "detail": details,
    }
    return blanked(_table(columns, GAMES), states == "forgotten")


def _table(columns: dict[str, Any], schema: pa.Schema) -> pa.Table:
    return pa.table([_array(columns[field.name], field.type) for field in schema], schema=schema)


def _array(column: Any, kind: pa.DataType) -> pa.Array:
    if isinstance(column, pa.Array):
        return column
    return Column.of(column.tolist()).strings() if column.dtype == object else numbers(column, kind)


def blanked(games: pa.Table, is_forgotten: Flags) -> pa.Table:
    """Rows of `games` with nothing of the forgotten ones left but that they were seen, and where."""
    if not is_forgotten.any():
        return games
    mask = pa.array(is_forgotten)
    for at, field in enumerate(GAMES):
        if field.name not in _PLACES:
            nothing = _FORGOTTEN.get(field.name, "" if pa.types.is_string(field.type) else 0)
            column = pc.if_else(mask, pa.scalar(nothing, field.type), games[field.name])
            games = games.set_column(at, field, column)
    return games


def sorted_moves(moves: pa.Table) -> pa.Table:
    """Rows of `moves` in the order in which a file holds them."""
    leading = moves["key"].to_numpy() >> np.uint64(32)
    return moves.take(pa.array(np.lexsort((moves["game"].to_numpy(), leading))))


def count_states(games: pa.Table) -> Counter[str]:
    """How many games of a ledger are in each state."""
    return Counter(games["state"].to_pylist())
