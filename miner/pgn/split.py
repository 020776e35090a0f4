"""Where games begin and end in a text.

A game is what python-chess's `read_game` would see as one, with these differences, all of them in favour of
files as they are found:

- a tag line ends the move text before it, with or without a blank line between;
- an Event tag after a blank line begins a game even if the one before has no moves;
- any number of blank lines may stand between the tags and the moves;
- blanks before a tag do not matter, and any number of tags may stand on a line, with moves behind them;
- text that holds no moves, between games, is no game (its lines are counted as skipped);
- a result ends the game if the move number 1 or a tag comes behind it, on the same line or the next;
- moves after a blank line belong to the game before if that has no result yet and they go on counting;
- a comment that is never closed, or is longer than 64 KiB, ends where the next game's tags begin, after a
  blank line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from miner.arrays import Offsets
from miner.pgn.movetext import final_result, main_line

# Each of these matches a stretch of what `_end_of_run` follows: there may be any amount of it, and the memory
# that a pattern takes grows with its repetitions.
_BLANKS = re.compile(
    rb"(?:[ \t\n]*\n|[%;][^\n]*(?:\n|\Z)|[ \t]+\Z|\xef\xbb\xbf){1,1000}"
)  # also a byte-order mark
_TAG = rb"\[[ \t]*[A-Za-z0-9_]+[ \t]*\""
_PAIRS = rb"(?:" + _TAG + rb"[^\"\\\n]*(?:\\[^\n][^\"\\\n]*){0,999}\"[ \t]*\][ \t]*){1,99}"
_MOVE = rb"(?:\d{1,9}[ \t]*\.|(?:[NBRQK]?[a-h]?[1-8]?x?[a-h][1-8]|O-O)[-+#!?O=NBRQ]{0,9}[ \t])"
_TAGS = re.compile(
    rb"(?:" + _PAIRS + rb"(?=(?:\{[^}\n]*\}[ \t]*)?" + _MOVE + rb")"  # moves behind them
    rb"|\[[^\n]*?\"[ \t]*\][ \t]*(?=\d{1,9}[ \t]*\.)"  # also where a value has quotes of its own
    rb"|\[[^\n]*(?:\n|\Z)|[%;][^\n]*\n|[ \t]*\n(?=(?!\[Event )" + _TAG + rb")){1,1000}"
)
_BEFORE_MOVES = re.compile(rb"(?:\{[^}]*\}\s*|\d+[ \t]*\.[. \t]*\n?){1,1000}")
_BREAK = re.compile(
    rb"\n(?=" + _TAG + rb"|[ \t]*(?:\n|\Z))"
    rb"|(?:(?<=[\s})]1-0)|(?<=[\s})]0-1)|(?<=[\s})]1/2-1/2)|(?<=[\s})]\*))"
    rb"(?=\s)[ \t]*+\n?+[ \t]*+(?=1[ \t]*\.|" + _TAG + rb")"
)
_TAG_AFTER_BLANK = re.compile(rb"\n[ \t]*\n(?=" + _TAG + rb")")
_ASIDE = re.compile(rb"[{;]|\n%")
_TAG_LINE = re.compile(_TAG)
_INDENTED = re.compile(rb"\n([ \t]+)(" + _PAIRS + rb"|" + _TAG + rb"[^\n]*)")
_MAY_BE_INDENTED = re.compile(rb"\n(?:\t| (?!\n))")  # not what CR LF leaves
_SPACE = re.compile(rb"\n[ \t\n]+")
_FIRST_MOVE = re.compile(
    rb"(?:(?:[NBRQK][a-h]?[1-8]?x?)?[a-h](?:x[a-h])?[1-8](?![A-Za-z])|O-O|0-0|--|(?:1-0|0-1|1/2-1/2|\*)(?!\S))"
)
_GOES_ON = re.compile(rb"(?:\{[^}]*\}\s*)?(\d{1,9})[ \t]*\.")
_LONGEST_COMMENT = 1 << 16


class GameSpan(NamedTuple):
    """Where a game stands in a text: tags from `start` to `moves`, move text from there to `end`."""

    start: int
    moves: int
    end: int


def one_line_end(text: bytes) -> bytes:
    """The text with LF as its only line end, every other byte in its place."""
    return text.replace(b"\r\n", b" \n").replace(b"\r", b"\n") if b"\r" in text else text


def unindented(text: bytes) -> bytes:
    """The text, of LF line ends, with the blanks before tags behind them; all else keeps its place.

    Blanks on a line of nothing else go to the end of the line before.
    """
    if not text.startswith((b" ", b"\t")) and not _MAY_BE_INDENTED.search(text):
        return text
    buffer = np.frombuffer(text, dtype=np.uint8)
    begins = np.append(0, np.flatnonzero(buffer[:-1] == ord("\n")) + 1)
    first, second = (buffer.take(begins + place, mode="clip") for place in (0, 1))
    is_indented = (first == ord(" ")) & (second != ord("\n"))  # not what CR LF leaves
    if (is_indented | (first == ord("\t"))).any():
        text = _INDENTED.sub(rb"\n\2\1", b"\n" + _SPACE.sub(_blanks_first, text))[1:]
    return text


def _blanks_first(space: re.Match[bytes]) -> bytes:
    """Lines of nothing but blanks with these before them, but for what the next line begins with."""
    lines, line_end, indent = space[0].rpartition(b"\n")
    if b"\t" not in lines and max(map(len, lines.split(b"\n"))) < 2:
        return space[0]
    return lines.replace(b"\n", b"") + b"\n" * lines.count(b"\n") + line_end + indent


class GameSpans(NamedTuple):
    """The `n` games of a text, in order: where the parts of each begin and end, as in GameSpan."""

    starts: Offsets  # (n,)
    moves: Offsets
    ends: Offsets
    skipped: Offsets  # (blocks, 2): where each block of other text begins and ends

    @classmethod
    def of(cls, games: Offsets, skipped: Sequence[tuple[int, int]]) -> GameSpans:
        """From the games' rows, of shape (n, 3) and in order, and the blocks of other text."""
        starts, moves, ends = np.ascontiguousarray(games.T)
        return cls(starts, moves, ends, np.array(skipped, dtype=np.intp).reshape(-1, 2))


def walk_games(text: bytes) -> tuple[list[GameSpan], list[tuple[int, int]]]:
    """The games of a text, in order, and where the blocks of other text between them begin and end.

    The text must have LF line ends and begin where a game may begin.
    """
    games: list[GameSpan] = []
    skipped: list[tuple[int, int]] = []
    has_comments = b"{" in text
    at = _skip_blanks(text, 0)
    while at < len(text):
        has_tags = text.startswith(b"[", at)
        moves = _skip_blanks(text, _end_of_run(_TAGS, text, at)) if has_tags else at
        if has_tags and text.startswith(b"[", moves) and _TAG_LINE.match(text, moves):
            end = following = moves  # a game without moves
        else:
            end = _end_of_moves(text, moves, has_comments)
            following = _skip_blanks(text, end)
        if has_tags or _FIRST_MOVE.match(text, _end_of_run(_BEFORE_MOVES, text, at)):
            latest = moves  # where the last part of the moves begins
            while _goes_on(text, latest, end, following):
                latest, end = following, _end_of_moves(text, following, has_comments)
                following = _skip_blanks(text, end)
            games.append(GameSpan(at, moves, end))
        else:
            skipped.append((at, end))
        at = following
    return games, skipped


def _skip_blanks(text: bytes, at: int) -> int:
    return _end_of_run(_BLANKS, text, at)


def _end_of_run(pattern: re.Pattern[bytes], text: bytes, at: int) -> int:
    """Where the stretches that match the pattern, one after the other from `at` on, end."""
    while found := pattern.match(text, at):
        at = found.end()
    return at


def _end_of_moves(text: bytes, at: int, has_comments: bool) -> int:
    found = _BREAK.search(text, at)
    end = found.end() if found else len(text)
    is_in_comment = has_comments and text.rfind(b"{", at, end) > text.rfind(b"}", at, end)
    if found and (is_in_comment or text.find(b";", at, end) >= 0):
        return _end_after_comments(text, at)
    return end


def _end_after_comments(text: bytes, at: int) -> int:
    """The end of move text, comment by comment: nothing that stands in one ends it."""
    begin, found = at, _BREAK.search(text, at)
    while True:
        if found and found.start() < begin:
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
    window = _LONGEST_COMMENT + 1
    close = text.find(b"}", at, at + window)
    if close >= 0 and text.find(b"{", at + 1, close) < 0:
        return close + 1, True
    # In windows that grow: to search all that is left of the text once for each comment would take for ever.
    while True:
        limit = close if close >= 0 else at + window
        tag = _TAG_AFTER_BLANK.search(text, at, limit)
        if tag:
            return tag.end(), False
        if close >= 0:
            return close + 1, True
        if limit >= len(text):
            return len(text), False
        window *= 2
        close = text.find(b"}", limit, at + window)


def _goes_on(text: bytes, latest: int, end: int, following: int) -> bool:
    """Whether moves of the same game, whose last part begins at `latest`, follow after blank lines."""
    if following == len(text) or text.startswith(b"[", following):
        return False
    number = _GOES_ON.match(text, following)
    return number is not None and int(number[1]) > 1 and not final_result(main_line(text[latest:end]))


def last_sure_start(text: bytes) -> int:
    """Where the text can be cut so that no game is: the start of a game near the end, or 0 if none is sure.

    Sure is a tag line that comes after a blank line, and before that after a line of moves, with no comment
    left open.
    """
    plain, end = text.rfind(b"\n\n["), len(text)
    while True:
        # Of text whose lines end in CR LF; only what comes after the other is of interest.
        at = max(plain, text.rfind(b"\n \n[", max(plain, 0), end))
        if at < 0:
            return 0
        start = text.index(b"[", at)
        if _is_sure(text, start - 1):
            return start
        if at == plain:  # else it stands: to look for it each time anew would take for ever
            plain = text.rfind(b"\n\n[", 0, start)
        end = start


def first_sure_start(text: bytes) -> int | None:
    """The first start of a game that is sure though the text may begin anywhere, as within a comment.

    None: there is none so far behind the beginning that nothing before that matters.
    """
    start = text.find(b"\n[", _LONGEST_COMMENT + len("\n \n"))
    if text.find(b"\n", 0, _LONGEST_COMMENT) < 0:
        return None  # nobody knows what the line before is like, since it has no beginning
    while start >= 0:
        if _is_sure(text, start):
            return start + 1
        start = text.find(b"\n[", start + 1)
    return None


def _is_sure(text: bytes, start: int) -> bool:
    """Whether a game surely begins after the line end at `start`."""
    blank = text.rfind(b"\n", 0, start)
    if blank < 0 or text[blank + 1 : start] not in (b"", b" ", b"\t"):
        return False
    line = text[text.rfind(b"\n", 0, blank) + 1 : blank]
    if not line.strip() or line.startswith((b"[", b"%", b";")) or not _TAG_LINE.match(text, start + 1):
        return False
    opened = text.rfind(b"{", max(0, blank - _LONGEST_COMMENT), blank)
    return opened < 0 or text.find(b"}", opened, blank) >= 0
