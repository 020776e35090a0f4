from __future__ import annotations

import io

import chess.pgn
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from miner.means import ReaderName
from miner.pgn.readers import make_reader
from miner.pgn.split import (
    first_sure_start,
    last_sure_start,
    one_line_end,
    unindented,
    walk_games,
)
from tests import strategies
from tests.reading import each_reader, game_text, needs_compiled

A = game_text("1. e4 e5", White="A")
B = game_text("1. d4 d5", White="B")


def found(text: str, reader: ReaderName = "auto") -> list[str]:
    data = unindented(one_line_end(text.encode("latin-1")))
    games = make_reader(reader).find_games(data, np.array([0]))
    return [
        data[a:b].decode("latin-1") for a, b in zip(games.starts.tolist(), games.ends.tolist(), strict=True)
    ]


@pytest.mark.parametrize(
    ("text", "games"),
    [
        ("", 0),
        ("\n\n", 0),
        (A, 1),
        (A + B, 2),
        (A.replace("\n", "\r\n") + B.replace("\n", "\r"), 2),
        (A.replace("e5", '{\n[Event "x"]\n} e5') + B, 2),
        (A.replace("e5", '{a blank line\n\n[Event "x"]\n\n1. a4} e5') + B, 2),
        (A.replace("e5", "{never closed e5") + B, 2),
        (A.replace("e5", "{never closed e5") + B.replace("d5", "{closed} d5"), 2),
        (A.replace("e5", "; { to the end of the line\ne5") + B, 2),
        (A.replace("\n\n1.", "\n1.") + B, 2),
        (A.replace("\n\n1.", "\n\n\n\n1.") + B, 2),
        (A.rstrip() + "\n" + B, 2),
        (A + "Round two, played on Sunday\n\n" + B, 2),
        ("Games of the club\n" + A + B, 2),
        (A + B[: -len(" d5 1-0\n\n")], 2),
        (A[: A.index("1. e4")] + B, 2),
        ("1. e4 e5 1-0\n\n1. d4 d5 0-1\n\n", 2),
        (A.replace(" e5", "\n\n1... e5 2. Nf3").replace("1... e5 2.", "2."), 1),
        (A + "\ufeff".encode().decode("latin-1") + B, 2),
        (A.replace('[Site "?"]', '[Site "?"]\n') + B, 2),
        (A.replace("?", "a { b"), 1),
        (A.replace("?", "a { b") + B + A + B, 4),
        ("% escaped\n" + A + "; a remark\n\n" + B, 2),
        ((A + B).replace("\n", "\n    "), 2),
        ((A + B).replace("\n", "\r\n\t"), 2),
        ((A + B).replace("\n", " "), 2),
        ((A + B + A).replace("] [", "][").replace("\n", "  "), 3),
        ("1. e4 e5 1-0 1. d4 d5 0-1 1. c4 *\n", 3),
        ("1. e4 e5 1/2-1/2\n1. d4 d5 0-1\n", 2),
        (A.replace("1-0\n", "1-0 ") + B, 2),
        ("1. e4 e5 1-0   1. d4 d5 0-1\n", 2),
        (f"1. e4 e5 1-0\t{B}", 2),
        (f"1. e4 e5 1-0 \t {B}1. c4 *", 3),
        (A.replace("\n", " ") + "\n\nWhite resigned in a lost position.\n\n" + B, 2),
        (A.replace(" 1-0\n", " 1-0 1. c4 c5 1/2-1/2\n") + B, 3),
        (A.replace("e5", "e5 {1-0 1. d4 is no game} (1. d4 1-0)") + B, 2),
        (A.replace("e5", "e5 ; 1-0 1. d4 is no game\n2. Nf3") + B, 2),
        (A.replace("e5", "e5 {[%eval 0.1] [%clk 0:10:00]} 2. Nf3 Nc6 11. c4") + B, 2),
    ],
)
@each_reader
def test_number_of_games(text: str, games: int, reader: ReaderName) -> None:
    """Games are told apart whatever stands between and in them."""
    assert len(found(text, reader)) == games


@needs_compiled
@given(file=strategies.messy_files())
def test_all_at_once_is_as_bit_by_bit(file: tuple[list[strategies.Played], str]) -> None:
    """Games found over the whole text are those found by walking through it."""
    played, text = file
    data = one_line_end(text.encode())
    at_once = make_reader("compiled").find_games(data, np.array([0]))

    spans, skipped = walk_games(data)

    assert list(zip(*(array.tolist() for array in at_once[:3]), strict=True)) == spans
    assert list(map(tuple, at_once.skipped.tolist())) == skipped
    assert len(spans) == len(played)


LINES = (
    b"1. e4",
    b"",
    b" ",
    b"\t  ",
    b'  [White "Ada"]',
    b'[A "b"]',
    b'\t[ B "c"]  ',
    b" [%clk 1]",
    b"  words",
)


@given(st.lists(st.sampled_from(LINES), max_size=12))
def test_indented_tags_keep_their_lines(lines: list[bytes]) -> None:
    """Tags begin their lines; no line goes to another place, and nothing but blanks is moved."""
    text = b"\n".join(lines)

    plain = unindented(text)

    assert len(plain) == len(text)
    assert plain.translate(None, b" \t") == text.translate(None, b" \t")
    assert unindented(plain) == plain
    assert [line for line in plain.split(b"\n") if line.lstrip().startswith((b"[W", b"[A", b"[ B"))] == [
        line for line in plain.split(b"\n") if line.startswith((b"[W", b"[A", b"[ B"))
    ]


@given(file=strategies.messy_files())
def test_a_sure_start_is_the_start_of_a_game(file: tuple[list[strategies.Played], str]) -> None:
    """Where a text may be cut, a game begins."""
    data = one_line_end(file[1].encode())

    start = last_sure_start(data)

    assert start == 0 or start in [span.start for span in walk_games(data)[0]]


def test_first_sure_start_needs_to_see_a_line_begin() -> None:
    """A line longer than any comment may be in one: but if it begins where the text does, it is not."""
    line = b"x" * (1 << 17)
    after = line + b'\n\n[Event "Club"]\n'

    assert first_sure_start(after) is None
    assert first_sure_start(b"\n" + after) == len(line) + len("\n\n\n")


def test_python_chess_sees_the_same_games() -> None:
    """In a file without liberties each game is the text that python-chess reads as one."""
    text = A + B + A.replace("e5", "{a\n\nb} e5 (1... c5)")
    handle = io.StringIO(text)
    seconds = []
    while (second := chess.pgn.read_game(handle)) is not None:
        seconds.append(second)

    games = found(text)

    assert len(games) == len(seconds) == 3
    for game, second in zip(games, seconds, strict=True):
        alone = chess.pgn.read_game(io.StringIO(game))
        assert alone is not None
        assert str(alone) == str(second)


PIECES = [b"\n", b" \n", b'[E "x"]\n', b"[x\n", b"1. e4\n", b"{", b"}"]


@given(st.lists(st.sampled_from(PIECES), max_size=20))
@example([b"1. e4\n", b" \n", b'[E "x"]\n', b"{", b"1. e4\n", b"\n", b'[E "x"]\n'])
def test_the_last_of_all_sure_starts_is_found(parts: list[bytes]) -> None:
    """Sure is a tag line after a blank one, after a line of moves, outside of comments; the last counts."""
    lines = b"".join(parts).split(b"\n")
    sure, before = [0], b""
    for two, one, line in zip(lines, lines[1:], lines[2:], strict=False):
        before += two + b"\n"
        is_open = before.rpartition(b"{")[1] and b"}" not in before.rpartition(b"{")[2]
        is_moves = two.strip() and not two.startswith(b"[")
        if line.startswith(b'[E "') and one in (b"", b" ") and is_moves and not is_open:
            sure.append(len(before) + len(one) + 1)

    assert last_sure_start(b"\n".join(lines)) == sure[-1]
