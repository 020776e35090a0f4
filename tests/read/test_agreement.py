"""Both readers, and python-chess alone, must say the same of the same games."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import chess.pgn
import pytest
import zstandard
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from miner.means import ReaderName
from tests import strategies
from tests.reading import (
    each_reader,
    expected_plies,
    game_text,
    needs_compiled,
    plies_of,
    read_in_memory,
    read_tables,
    read_text,
)

PLIES = 30
WORDS = (
    *[
        "e4",
        "e5",
        "Nf3",
        "Nc6",
        "Nxe5",
        "O-O",
        "0-0",
        "o-o",
        "--",
        "Z0",
        "0000",
        "1-0",
        "*",
        "1.",
        "9.",
        "30.",
        "16.",
        "16",
        "e2e4",
        "e2-e4",
        "ed5",
        "exd5",
        "d5",
        "Ngf3",
    ],
    *[
        "Ng1f3",
        "Nf6",
        "Bb5+",
        "e8=Q",
        "e.p.",
        "Nf3N",
        "x",
        ")",
        "}",
        "[",
        "]",
        "Nf3!?",
        "foo",
        "e4,e5",
        "é",
        "null",
        "½-½",
        "+-",
        "#",
        "1/2",
    ],
)
patient = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


@pytest.mark.parametrize("name", ["rated-dev", "masters-146k"])
@pytest.mark.parametrize(
    "every", [pytest.param(1, marks=pytest.mark.slow), 200], ids=["all games", "every 200th game"]
)
@needs_compiled
def test_real_games(shared: Path, tmp_path: Path, name: str, every: int) -> None:
    """Game by game and key by key, both readers and python-chess agree on real games."""
    packed = (shared / "data" / f"{name}.pgn.zst").read_bytes()
    games = zstandard.decompress(packed, 1 << 30).decode("latin-1").split("\n\n[Event ")
    chosen = "\n\n[Event ".join(games[::every])
    source = tmp_path / "games.pgn.zst"
    source.write_bytes(zstandard.compress(chosen.encode("latin-1")))

    fast = read_tables(tmp_path / "fast", [source], reader="compiled", processes=2)
    slow = read_tables(tmp_path / "slow", [source], reader="reference", processes=2)

    assert fast.games == slow.games
    assert fast.moves == slow.moves
    by_game: dict[int, list[tuple[int, int, int]]] = {}
    for row in fast.moves:
        by_game.setdefault(row["game"], []).append((row["ply"], row["key"], row["move"]))
    handle = io.StringIO(chosen)
    for game in fast.games:
        second = chess.pgn.read_game(handle)
        assert second is not None
        if game["state"] == "kept":
            assert by_game[game["game"]] == expected_plies(second, PLIES), f"game {game['number']}"
    assert chess.pgn.read_game(handle) is None


def check_main_line(played: list[strategies.Played], text: str, plies: int) -> None:
    """Both readers give the main line of each game, and the result."""
    games, moves = read_in_memory(text, reader="compiled", plies=plies)

    assert (games, moves) == read_in_memory(text, reader="reference", plies=plies)
    assert [game["state"] for game in games] == ["kept"] * len(played)
    for number, game in enumerate(played):
        assert plies_of(moves, number) == expected_plies(chess.pgn.Game.from_board(_board(game)), plies)
        assert games[number]["result"] == game.result


@given(file=strategies.messy_files(), plies=st.integers(1, 40))
@settings(patient, max_examples=20)
@needs_compiled
def test_messy_games(file: tuple[list[strategies.Played], str], plies: int) -> None:
    """Comments, NAGs, variations, odd numbers and spacing change nothing: both readers give the main line."""
    check_main_line(*file, plies)


@pytest.mark.slow
@given(file=strategies.messy_files(), plies=st.integers(1, 40))
@settings(patient, max_examples=500)
@needs_compiled
def test_many_messy_games(file: tuple[list[strategies.Played], str], plies: int) -> None:
    """The same of more games."""
    check_main_line(*file, plies)


def _board(game: strategies.Played) -> chess.Board:
    board = chess.Board()
    for move in game.moves:
        board.push(move)
    return board


@given(words=st.lists(st.sampled_from(WORDS), max_size=30))
@example(words=["0-0", "1.", "e4"])
@example(words=["1-0", "1.", "e4"])
@patient
@needs_compiled
def test_any_words(words: list[str]) -> None:
    """Whatever stands where moves should, both readers keep the same plies and tell the same of the game.

    It is one game, unless the move number 1 comes behind a result, where another one may begin.
    """
    may_begin = sum(ends in ("1-0", "*") and begins == "1." for ends, begins in pairwise(words))
    text = f'[Event "Club"]\n[White "Ada"]\n[Result "1-0"]\n\n{" ".join(words)}\n'

    tables = read_in_memory(text, reader="compiled", plies=8)

    assert tables == read_in_memory(text, reader="reference", plies=8)
    assert 1 <= len(tables[0]) <= 1 + may_begin


@each_reader
def test_position_met_again_counts_once(tmp_path: Path, reader: str) -> None:
    """Knights that go out and home twice leave their four positions once."""
    text = '[White "Ada"]\n[Result "1/2-1/2"]\n\n' + "Nf3 Nf6 Ng1 Ng8 " * 2 + "e4 e5 1/2-1/2\n"

    tables = read_text(tmp_path, text, reader=reader)

    assert tables.games[0]["plies"] == 10
    assert [row["ply"] for row in tables.moves] == [0, 1, 2, 3, 9]


@each_reader
@pytest.mark.parametrize("blank", ["\n\n", "\n \n", "\n\t\n\n"])
@pytest.mark.parametrize("moves", ["1. a3 a5 2. Ra2 b5{}3. Ra1 a4", "1. a3 {{x}} a5 2. Ra2 b5{}3. Ra1 a4"])
def test_blank_line_within_the_moves(blank: str, moves: str, reader: ReaderName) -> None:
    """The game goes on after it."""
    games, rows = read_in_memory(game_text(moves.format(blank)), reader=reader)

    assert [(game["plies"], game["state"]) for game in games] == [(6, "kept")]
    assert len(rows) == 6
