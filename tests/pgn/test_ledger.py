from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner.means import ReaderName
from miner.pgn.ledger import Seen
from tests.reading import each_reader, game_text, read_in_memory, read_text


@given(batches=st.lists(st.lists(st.integers(0, 20), max_size=12), max_size=12))
def test_each_signature_is_new_once(batches: list[list[int]]) -> None:
    """A game is repeated if its signature came before, in its batch or an earlier one; 0 never is."""
    seen, known = Seen(), set[int]()

    for batch in batches:
        found = seen.add(np.array(batch, dtype=np.uint64)).tolist()

        expected = []
        for signature in batch:
            expected.append(signature in known and signature != 0)
            known.add(signature)
        assert found == expected


BLACK, WHITE = "behind move 1 of Black", "behind move 2 of White"


@each_reader
@pytest.mark.parametrize(
    ("moves", "plies", "state", "detail"),
    [
        ("1. e4 e5 (1... c5 2. Nf3", 2, "kept to open bracket", f"a variation {BLACK} is never closed"),
        ("1. e4 e5 2. d4 {a remark", 3, "kept to open bracket", f"a comment {WHITE} is never closed"),
        ("1. e4 e5 2. d4 (2. c4 {x}", 3, "kept to open bracket", f"a variation {WHITE} is never closed"),
        ("1. e4 e5 {closed} (1... c5) 2. Nf3", 3, "kept", ""),
        ("1. e4 e5 ; {a smile :(\n2. Nf3", 3, "kept", ""),
        ("1. e4 e5 2. Ke3 (2. d4", 2, "kept to illegal move", "move 2 of White is not legal"),
        ("1. e4 e5 2. d4 exd4 3. c3 dxc3 (3... d5", 5, "kept", ""),
        ("{never closed 1. e4 e5", 0, "no moves", "a comment or variation is never closed"),
    ],
)
def test_moves_behind_an_open_bracket(
    reader: ReaderName, moves: str, plies: int, state: str, detail: str
) -> None:
    """What is lost behind a bracket that is never closed is a state, with the move; 5 plies count."""
    games, rows = read_in_memory(game_text(moves), reader=reader, plies=5)

    assert [(game["plies"], game["state"], game["detail"]) for game in games] == [(plies, state, detail)]
    assert len(rows) == plies


@each_reader
def test_games_on_one_line(reader: ReaderName) -> None:
    """Two games that share a line have each its players, moves and place; lines are those of the file."""
    two = " ".join(
        f'[White "{white}"] [Black "Bo"] [Result "{result}"] 1. {move} e5 {result}'
        for white, move, result in (("Ada", "e4", "1-0"), ("Cleo", "d4", "0-1"))
    )
    text = f"{two}\n\n{game_text('1. c4 c5', White='a')}"

    games, moves = read_in_memory(text, reader=reader, names="keep")

    assert [(game["white"], game["result"], game["line"]) for game in games] == [
        ("Ada", "1-0", 1),
        ("Cleo", "0-1", 1),
        ("a", "1-0", 3),
    ]
    assert len(moves) == 6


@pytest.mark.parametrize(
    ("tag", "column", "value"),
    [
        ('[ECO "C41"]', "eco", "C41"),
        ('[ECO "C41/03"]', "eco", "C41"),
        ('[ECO "Philidor"]', "eco", ""),
        ('[Opening "Philidor [Ada]"]', "opening", ""),
        ('[Date "2024.??.??"]', "date", "2024.??.??"),
        ('[Date "Sunday"]', "date", ""),
        ('[Variant "Crazyhouse"]', "detail", "Crazyhouse"),
        ('[Variant "Ada\'s chess"]', "detail", ""),
    ],
)
def test_columns_hold_what_they_should(tag: str, column: str, value: str) -> None:
    """A tag whose value is none of its kind tells nothing."""
    games, _ = read_in_memory(f"{tag}\n\n1. e4 e5 1-0\n")

    assert games[0][column] == value


def test_text_that_is_no_game_is_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """How many lines, and by what sign they begin, but never a word of them."""
    quoted = "".join(f"> {line}\n" for line in game_text("1. d4 d5").splitlines())

    tables = read_text(tmp_path, f"{game_text('1. e4 e5')}{quoted}\nAda won\n\n{game_text('1. c4 c5')}")

    lines = len(quoted.splitlines()) + 1
    assert caplog.messages == [
        f'{tmp_path / "games.pgn"}: {lines} lines are no game; the first begins with "> ["'
    ]
    assert tables.manifest.facts["skipped_lines"] == lines
    assert tables.states == ["kept", "kept"]


@pytest.mark.parametrize(
    ("white", "behind"),
    [
        ("Ada", "1. e4 e5 2. Nf3"),
        ("Ada", "{book} 1. e4 e5 2. Nf3"),
        ("Ada", "e4 e5 Nf3"),
        ("Ada", "e4 {best} e5 Nf3"),
        ('Ada "Ace" Doe', "1. e4 e5 2. Nf3"),
    ],
)
def test_moves_behind_the_tags_on_their_line(white: str, behind: str) -> None:
    """They are read, whatever they begin with; and with a remark behind the game, too."""
    game = f'[White "{white}"] [Black "Bo"] [Result "1-0"] {behind} 1-0\n\nA remark.\n\n'

    games, moves = read_in_memory(game + game_text("1. c4 c5"))

    assert [(row["state"], row["plies"]) for row in games] == [("kept", 3), ("kept", 2)]
    assert len(moves) == 5
