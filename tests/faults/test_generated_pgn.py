"""Files by the PGN standard, drawn at random, and slightly damaged ones: both readers, and what was meant."""

from __future__ import annotations

import io
import re

import chess
import chess.pgn
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from miner.schema import KEPT
from tests import strategies
from tests.reading import Row, expected_plies, needs_compiled, plies_of, read_in_memory
from tests.strategies import Written

FEW = settings(max_examples=40)  # a file takes long to draw; the slow test draws many
FILES = strategies.standard_files()


def both(text: str, plies: int) -> tuple[list[Row], list[Row]]:
    """What the compiled reader gives; the reference must give the same, game by game and key by key."""
    games, moves = read_in_memory(text, reader="compiled", plies=plies, names="keep")
    slow_games, slow_moves = read_in_memory(text, reader="reference", plies=plies, names="keep")
    for fast, slow in zip(games, slow_games, strict=True):
        assert fast == slow
    assert moves == slow_moves
    return games, moves


def check_as_meant(written: list[Written], games: list[Row], moves: list[Row], plies: int) -> None:
    """Each game is told with the tags, the result, the moves and the keys that it was made of."""
    assert len(games) == len(written)
    for number, (one, row) in enumerate(zip(written, games, strict=True)):
        assert (row["white"], row["black"]) == (one.tags["White"], one.tags["Black"])
        assert row["date"] == one.tags["Date"]
        eco, opening = one.tags.get("ECO", ""), one.tags.get("Opening", "")
        assert row["eco"] == ("".join(re.findall(r"^[A-E][0-9][0-9](?![0-9])", eco)))
        assert row["opening"] in (opening, "")
        assert row["opening"] or not opening or not opening.isprintable() or set(opening) & {*'[]{}"'}
        assert row["result"] == one.game.result
        assert row["state"] == ("no result" if one.game.result == "*" else "kept")
        if row["state"] == "kept":
            assert plies_of(moves, number) == expected_plies(game_of(one), plies)


def game_of(written: Written) -> chess.pgn.Game:
    board = chess.Board()
    for move in written.game.moves:
        board.push(move)
    return chess.pgn.Game.from_board(board)


@FEW
@given(written=FILES, plies=st.integers(1, 40))
@needs_compiled
def test_files_by_the_standard(written: list[Written], plies: int) -> None:
    """Whatever the standard allows is read as it was meant, by both readers."""
    check_as_meant(written, *both("".join(one.text for one in written), plies), plies)


@FEW
@given(written=FILES, line_end=st.sampled_from(("\r\n", "\r")), cut=st.integers(1_000, 4_000))
@needs_compiled
def test_line_ends_and_cuts_change_nothing(written: list[Written], line_end: str, cut: int) -> None:
    """The same holds for other line ends, and wherever the text is cut into batches."""
    text = "".join(one.text for one in written).replace("\n", line_end)

    games, moves = read_in_memory(text, plies=30, names="keep", batch_bytes=cut)

    check_as_meant(written, games, moves, 30)


@FEW
@given(written=FILES)
def test_python_chess_reads_what_is_generated(written: list[Written]) -> None:
    """What is drawn is PGN: a second program finds the same tags and moves in it, without an error."""
    handle = io.StringIO("".join(one.text for one in written))
    for one in written:
        game = chess.pgn.read_game(handle)
        assert game is not None
        assert game.errors == []
        assert tuple(game.mainline_moves()) == one.game.moves
        assert unescaped(game.headers["White"]) == one.tags["White"]
    assert chess.pgn.read_game(handle) is None


def unescaped(value: str) -> str:
    return re.sub(r"\\([\\\"])", r"\1", value)


@FEW
@given(data=st.data(), plies=st.integers(1, 40))
@needs_compiled
def test_small_damage(data: st.DataObject, plies: int) -> None:
    """A damaged file costs no reader more than it costs the other, and every game has its row."""
    written = data.draw(FILES)
    text = data.draw(strategies.damaged("".join(one.text for one in written)))

    games, moves = both(text, plies)

    assert [game["number"] for game in games] == list(range(1, len(games) + 1))
    ends = [0, *(game["end_byte"] for game in games)]
    assert all(end <= game["start_byte"] <= game["end_byte"] for end, game in zip(ends, games, strict=False))
    kept = {game["game"] for game in games if game["state"] in KEPT}
    assert {row["game"] for row in moves} == kept


@pytest.mark.slow
@settings(max_examples=3_000)
@given(data=st.data())
@needs_compiled
def test_much_damage_of_small_files(data: st.DataObject) -> None:
    """The same for many more files."""
    written = data.draw(FILES)

    both(data.draw(strategies.damaged("".join(one.text for one in written))), 30)
