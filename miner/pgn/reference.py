"""The reader on python-chess, game by game and move by move: slow, and right by definition."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import chess
import chess.polyglot
import numpy as np
import numpy.typing as npt

from miner.arrays import Offsets
from miner.core.library import ASIDES, RESULTS, Decoded, MoveTexts, Visits
from miner.pgn.movetext import (
    MOST_MOVES,
    NULL_MOVES,
    final_result,
    letters_of,
    main_line,
    moves_of,
    open_aside,
)
from miner.pgn.split import GameSpans, walk_games
from miner.pgn.tags import TAGS, TO_QUOTE, text_of
from miner.pgn.text import Column
from miner.terms import pack_move

_PAIR = re.compile(rb"(\w+) \"(.*)\"\]\Z", re.ASCII)
_OTHER_PAIR = re.compile(rb"(\w+)[ \t]*\"(" + TO_QUOTE + rb"|[^\"]*)(?:\"|\Z)", re.ASCII)
_AFTER_PAIR = re.compile(rb"(?<!\\)(?:\\\\)*\"[ \t]*\][ \t]*\Z")
_LOOK_BACK = 99  # bytes before a tag within which the one before it on its line must end
_TEXT_SEEN = np.dtype(
    [("result", np.uint8), ("aside", np.uint8), ("hash", np.uint32), ("is_empty", np.bool_)]
)
_GAME = np.dtype([("plies", np.uint8), ("is_illegal", np.bool_), ("last_key", np.uint64)])
_VISIT = np.dtype([("game", np.uint32), ("ply", np.uint8), ("key", np.uint64), ("move", np.uint16)])


class ReferenceReader:
    """See `readers.Reader`."""

    is_compiled = False

    def find_games(self, text: bytes, bounds: Offsets) -> GameSpans:
        """See `Reader`."""
        games, skipped = [], []
        for begin, end in pairwise([*bounds.tolist(), len(text)]):
            spans, between = walk_games(text[begin:end])
            games += [(begin + start, begin + moves, begin + last) for start, moves, last in spans]
            skipped += [(begin + first, begin + last) for first, last in between]
        return GameSpans.of(np.array(games, dtype=np.intp).reshape(-1, 3), skipped)

    def lines_before(self, text: bytes, places: Offsets) -> Offsets:
        """See `Reader`."""
        counts = [text.count(b"\n", begin, end) for begin, end in pairwise([0, *places.tolist()])]
        return np.cumsum(np.array(counts, dtype=np.intp))

    def read_tags(self, text: bytes, starts: Offsets, moves: Offsets) -> dict[str, Column]:
        """See `Reader`."""
        games = [_tags_of(text, *span) for span in zip(starts.tolist(), moves.tolist(), strict=True)]
        return {name: Column.of([text_of(game.get(name.encode(), b"")) for game in games]) for name in TAGS}

    def see_moves(self, text: bytes, begins: Offsets, ends: Offsets) -> MoveTexts:
        """See `Reader`."""
        spans = zip(begins.tolist(), ends.tolist(), strict=True)
        seen = np.array([_seen_of(text[begin:end]) for begin, end in spans], dtype=_TEXT_SEEN)
        return MoveTexts(*(_column(seen, name) for name in ("result", "aside", "hash", "is_empty")))

    def decode(self, text: bytes, begins: Offsets, ends: Offsets, width: int) -> Decoded:
        """See `Reader`."""
        spans = zip(begins.tolist(), ends.tolist(), strict=True)
        read = [_follow(main_line(text[begin:end]), width) for begin, end in spans]
        games = np.array([game for game, _ in read], dtype=_GAME)
        visits = np.array([(game, *row) for game, (_, rows) in enumerate(read) for row in rows], dtype=_VISIT)
        columns = (_column(visits, name) for name in ("game", "ply", "key", "move"))
        plies, is_illegal, last_keys = (_column(games, name) for name in ("plies", "is_illegal", "last_key"))
        return Decoded(plies, is_illegal, last_keys, Visits(*columns))


def _column(rows: npt.NDArray[Any], name: str) -> npt.NDArray[Any]:
    return np.ascontiguousarray(rows[name])


def _tags_of(text: bytes, start: int, moves: int) -> dict[bytes, bytes]:
    """The tags that stand in a stretch of text, whose values may hold escapes."""
    tags = {}
    for begin, end in pairwise([*_tag_places(text, start, moves), moves]):
        line_end = text.find(b"\n", begin, end)
        tag = text[begin + 1 : line_end if line_end >= 0 else end]
        # One blank is what is left of a CRLF.
        tag = (tag[:-1] if tag.endswith((b" ", b"\t")) else tag).lstrip(b" \t")
        if found := _PAIR.match(tag) or _OTHER_PAIR.match(tag):
            tags[found[1]] = found[2]
    return tags


def _tag_places(text: bytes, start: int, moves: int) -> Iterator[int]:
    """Where tags may begin: on lines of their own, behind a byte-order mark, or behind another tag."""
    for bracket in re.finditer(rb"\[", text[start:moves]):
        at = start + bracket.start()
        line = text[text.rfind(b"\n", 0, at) + 1 : at]
        is_first = at == start or line in (b"", b"\xef\xbb\xbf")
        # `[%` begins a command in a comment.
        if is_first or (
            line.endswith((b" ", b"\t", b"]"))
            and text[at + 1 : at + 2] != b"%"
            and _AFTER_PAIR.search(text, max(0, at - _LOOK_BACK), at)
        ):
            yield at


def _seen_of(text: bytes) -> tuple[int, int, int, bool]:
    """A row of `_TEXT_SEEN`.

    If more than moves is left without comments and variations, only what looks like a move is taken.
    """
    line = main_line(text)
    letters = letters_of(line)
    if letters and not letters.isalpha():
        letters = letters_of(b" ".join(moves_of(line, MOST_MOVES)))
    result, aside = RESULTS.index(final_result(line)), ASIDES.index(open_aside(text))
    return result, aside, zlib.crc32(letters), not letters


def _follow(line: bytes, width: int) -> tuple[tuple[int, bool, int], list[tuple[int, int, int]]]:
    """A row of `_GAME`, and rows of `_VISIT` without the game."""
    board = chess.Board()
    visits: dict[int, tuple[int, int, int]] = {}
    key = chess.polyglot.zobrist_hash(board)
    for ply, written in enumerate(moves_of(line, width)):
        move = legal_move(board, written)
        if move is None:
            return (ply, True, key), list(visits.values())
        visits.setdefault(key, (ply, key, pack_move(move.from_square, move.to_square, move.promotion)))
        board.push(move)
        key = chess.polyglot.zobrist_hash(board)
    return (len(board.move_stack), False, key), list(visits.values())


def legal_move(board: chess.Board, written: bytes) -> chess.Move | None:
    """The legal move that was written, or None; castling with zeros and `:` for a capture are understood."""
    if written in NULL_MOVES:
        return None
    san = written.decode("ascii").replace(":", "x")
    if san[0] in "Oo0":
        san = san.replace("0", "O").replace("o", "O")
    try:
        return board.parse_san(san)
    except ValueError:
        return None
