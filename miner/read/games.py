"""Where games begin and end in a text.

A game is what python-chess's `read_game` would see as one, with these differences, all of them in favour of
files as they are found:

- a tag line ends the move text before it, with or without a blank line between;
- an Event tag after a blank line begins a game even if the one before has no moves;
- any number of blank lines may stand between the tags and the moves;
- text that holds no moves, between games, is no game (it is counted as skipped);
- moves after a blank line belong to the game before if that has no result yet and they go on counting;
- a comment that is never closed, or is longer than 64 KiB, ends where the next game's tags begin, after a
  blank line.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from miner.read.movetext import final_result, main_line

_BLANKS = re.compile(rb"(?:[ \t]*\n|[%;][^\n]*(?:\n|\Z)|[ \t]+\Z|\xef\xbb\xbf)*")  # also a byte-order mark
_TAGS = re.compile(
    rb"(?:\[[^\n]*(?:\n|\Z)(?:[%;][^\n]*\n)*(?:[ \t]*\n(?=\[(?!Event )[A-Za-z0-9_]+[ \t]+\"))?)+"
)
_BREAK = re.compile(rb"\n(?=\[[A-Za-z0-9_]+[ \t]+\"|[ \t]*(?:\n|\Z))")
_TAG_AFTER_BLANK = re.compile(rb"\n[ \t]*\n(?=\[[A-Za-z0-9_]+[ \t]+\")")
_ASIDE = re.compile(rb"[{;]|\n%")
_TAG_LINE = re.compile(rb"\[[A-Za-z0-9_]+[ \t]+\"")
_MOVES_AHEAD = re.compile(
    rb"(?:\{[^}]*\}\s*|\d+[ \t]*\.[. \t]*\n?)*"
    rb"(?:(?:[NBRQK][a-h]?[1-8]?x?)?[a-h](?:x[a-h])?[1-8](?![A-Za-z])|O-O|0-0|--|(?:1-0|0-1|1/2-1/2|\*)(?!\S))"
)
_GOES_ON = re.compile(rb"(?:\{[^}]*\}\s*)?(\d+)[ \t]*\.")
_LONGEST_COMMENT = 1 << 16


class GameSpan(NamedTuple):
    """A game in a text: tags from `start` to `moves`, move text from `moves` to `end`."""

    start: int
    moves: int
    end: int


def one_line_end(text: bytes) -> bytes:
    """The text with LF as its only line end, every other byte in its place."""
    if b"\r" in text:
        text = text.replace(b"\r\n", b" \n").replace(b"\r", b"\n")
    return text


def find_games(text: bytes) -> tuple[list[GameSpan], int]:
    """The games of a text, in order, and how many blocks of other text lie between them.

    The text must have LF line ends and begin where a game may begin.
    """
    games: list[GameSpan] = []
    skipped = 0
    has_comments = b"{" in text
    at = _skip_blanks(text, 0)
    while at < len(text):
        tags = _TAGS.match(text, at)
        moves = _skip_blanks(text, tags.end()) if tags else at
        if tags and _TAG_LINE.match(text, moves):
            end = moves = tags.end()
        else:
            end = _end_of_moves(text, moves, has_comments)
        if tags or _MOVES_AHEAD.match(text, at):
            while _goes_on(text, moves, end):
                end = _end_of_moves(text, _skip_blanks(text, end), has_comments)
            games.append(GameSpan(at, moves, end))
        else:
            skipped += 1
        at = _skip_blanks(text, end)
    return games, skipped


def _skip_blanks(text: bytes, at: int) -> int:
    found = _BLANKS.match(text, at)
    assert found is not None, "a pattern of optional parts matches anywhere"
    return found.end()


def _end_of_moves(text: bytes, at: int, has_comments: bool) -> int:
    found = _BREAK.search(text, at)
    if found is None:
        return len(text)
    end = found.end()
    if has_comments and text.rfind(b"{", at, end) > text.rfind(b"}", at, end):
        return _end_after_comments(text, at)
    return end


def _end_after_comments(text: bytes, at: int) -> int:
    """The end of move text, comment by comment: nothing that stands in one ends it."""
    begin = at
    while True:
        found = _BREAK.search(text, begin)
        end = found.end() if found else len(text)
        aside = _ASIDE.search(text, begin, end)
        if aside is None:
            return end
        if aside[0] == b"{":
            closed, is_whole = _end_of_comment(text, aside.start())
            if not is_whole:
                return closed
            begin = closed
        else:
            line_end = text.find(b"\n", aside.end())
            if line_end < 0:
                return len(text)
            begin = line_end


def _end_of_comment(text: bytes, at: int) -> tuple[int, bool]:
    """Where the comment that opens at `at` ends, and whether it was closed there."""
    close = text.find(b"}", at)
    reopened = text.find(b"{", at + 1)
    if close < 0 or 0 <= reopened < close or close - at > _LONGEST_COMMENT:
        limit = len(text) if close < 0 else close
        tag = _TAG_AFTER_BLANK.search(text, at, limit)
        if tag:
            return tag.end(), False
    return (close + 1, True) if close >= 0 else (len(text), False)


def _goes_on(text: bytes, moves: int, end: int) -> bool:
    ahead = _skip_blanks(text, end)
    if text[ahead : ahead + 1] in (b"", b"["):
        return False
    number = _GOES_ON.match(text, ahead)
    return number is not None and int(number[1]) > 1 and not final_result(main_line(text[moves:end]))


def last_sure_start(text: bytes) -> int:
    """Where the text can be cut so that no game is: the start of a game near the end, or 0 if none is sure.

    Sure is a tag line that comes after a blank line, and before that after a line of moves, with no comment
    left open.
    """
    before = len(text)
    while True:
        start = max(text.rfind(b"\n\n[", 0, before), text.rfind(b"\n \n[", 0, before))
        if start < 0:
            return 0
        tag = text.index(b"[", start)
        line = text[text.rfind(b"\n", 0, start) + 1 : start]
        is_after_moves = bool(line.strip()) and not line.startswith((b"[", b"%", b";"))
        since = max(0, start - _LONGEST_COMMENT)
        is_open = text.rfind(b"{", since, start) > text.rfind(b"}", since, start)
        if is_after_moves and not is_open and _TAG_LINE.match(text, tag):
            return tag
        before = start + 1 if start > 0 else 0
