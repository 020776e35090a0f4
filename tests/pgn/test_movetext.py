from __future__ import annotations

import pytest

from miner.pgn import movetext
from miner.pgn.movetext import final_result, letters_of, main_line, moves_of


@pytest.mark.parametrize(
    ("text", "moves"),
    [
        (b"1. e4 {a (b} e5 (1... c5 {)} (1... e6)) 2. Nf3", b"e4 e5 Nf3"),
        (b"1. e4 (1. d4 never closed e5", b"e4"),
        (b"1. e4 never closed) e5", b"e4 e5"),
        (b"1. e4 {never closed e5", b"e4"),
        (b"1. e4 e5 1-0 2. Nf3", b"e4 e5"),
        (b"1. e4 e5 2. -- Nc6", b"e4 e5 --"),
        (b"e4,e5;Nf3\nNf3N e8=Q O-O-O 0-0", b"e4 e5 Nf3 e8=Q O-O-O 0-0"),
        (b"1.e2-e4 e7:e5", b"e2-e4 e7:e5"),
    ],
)
def test_moves(text: bytes, moves: bytes) -> None:
    """The moves of the main line are found between whatever else is written."""
    assert moves_of(main_line(text)) == moves.split()


@pytest.mark.parametrize(
    ("line", "result"),
    [
        (b"1. e4 1-0", "1-0"),
        (b"e4 1/2-1/2\n", "1/2-1/2"),
        (b"e4 *", "*"),
        (b"e4", ""),
        (b"e4 0-1 Black resigns", "0-1"),
        (b"", ""),
    ],
)
def test_result(line: bytes, result: str) -> None:
    """The result is the last word, or else the first result."""
    assert final_result(line) == result


def test_letters() -> None:
    """Numbers, spacing, results and marks are not letters of a move text; braces stay to be seen."""
    assert letters_of(b"12. Nf3+ \nO-O-O! 1/2-1/2 *") == b"NfOOO"
    assert not letters_of(b"1. e4 {x}").isalpha()


@pytest.mark.parametrize("text", [b"1. e4 (1. d4) e5 1-0", b"1. e4 {a} e5 $1 (1... c5 {b} (1... c6)) ; c"])
def test_long_text_is_taken_apart_alike(text: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Text too long to be put together at once gives the same main line."""
    at_once = main_line(text)
    monkeypatch.setattr(movetext, "_LONG", 0)

    assert main_line(text) == at_once


def test_a_variation_that_is_not_closed_leaves_nothing() -> None:
    """What the move text ends in is what stood before it."""
    assert main_line(b"1. e4 e5 1-0(1. d4") == b"1. e4 e5 1-0"
