"""Rules and examples of the PGN standard.

Source: Portable Game Notation Specification and Implementation Guide, revised 1994-03-12 (S. J. Edwards); the
section is named at each test.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from miner.means import ReaderName
from miner.pgn.tags import time_class_of
from miner.terms import pack_move
from tests.reading import each_reader, game_text, read_in_memory, read_text

# Section 2.3: example PGN game.
EXAMPLE = """[Event "F/S Return Match"]
[Site "Belgrade, Serbia JUG"]
[Date "1992.11.04"]
[Round "29"]
[White "Fischer, Robert J."]
[Black "Spassky, Boris V."]
[Result "1/2-1/2"]

1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Be7 6. Re1 b5 7. Bb3 d6 8. c3
O-O 9. h3 Nb8 10. d4 Nbd7 11. c4 c6 12. cxb5 axb5 13. Nc3 Bb7 14. Bg5 b4 15.
Nb1 h6 16. Bh4 c5 17. dxe5 Nxe4 18. Bxe7 Qxe7 19. exd6 Qf6 20. Nbd2 Nxd6 21.
Nc4 Nxc4 22. Bxc4 Nb6 23. Ne5 Rae8 24. Bxf7+ Rxf7 25. Nxf7 Rxe1+ 26. Qxe1 Kxf7
27. Qe3 Qg5 28. Qxg5 hxg5 29. b3 Ke6 30. a3 Kd6 31. axb4 cxb4 32. Ra5 Nd5 33.
f3 Bc8 34. Kf2 Bf5 35. Ra7 g6 36. Ra6+ Kc5 37. Ke1 Nf4 38. g3 Nxh3 39. Kd2 Kb5
40. Rd6 Kc5 41. Ra6 Nf2 42. g4 Bd3 43. Re6 1/2-1/2
"""
OPEN_GAME = [
    pack_move(12, 28, None),
    pack_move(52, 36, None),
    pack_move(6, 21, None),
    pack_move(57, 42, None),
]


@each_reader
def test_example_game(tmp_path: Path, reader: ReaderName) -> None:
    """Section 2.3: the example in export format is read whole, 85 plies and a draw."""
    tables = read_text(tmp_path, EXAMPLE, reader=reader, plies=255, names="keep")

    (game,) = tables.games
    assert (game["state"], game["plies"], game["result"]) == ("kept", 85, "1/2-1/2")
    assert (game["white"], game["black"], game["date"]) == (
        "Fischer, Robert J.",
        "Spassky, Boris V.",
        "1992.11.04",
    )
    assert tables.moves[8]["move"] == pack_move(4, 6, None)  # 5. O-O


@each_reader
@pytest.mark.parametrize(
    "moves",
    [
        pytest.param("1. e4 {first\nmove} e5 2. Nf3 {; (} Nc6", id="5: brace comments run over lines"),
        pytest.param(
            "1. e4 ; a { comment ( to the end of its line\ne5 2. Nf3 Nc6", id="5: rest of line comments"
        ),
        pytest.param("1. e4 {a { b} e5 2. Nf3 Nc6", id="5: brace comments do not nest"),
        pytest.param("1. e4 e5\n% 2. d4 {an escaped line\n2. Nf3 Nc6", id="6: lines that begin with %"),
        pytest.param("1.e4 e5 2.Nf3 Nc6", id="7: a period ends an integer token"),
        pytest.param("e4 e5 Nf3 Nc6", id="8.2.2: move numbers are optional in import format"),
        pytest.param("1. e4 1... e5 2. Nf3 2... Nc6", id="8.2.2.2: numbers before black moves"),
        pytest.param("1. e4 e5 2. Ng1f3 Nb8c6", id="8.2.3.4: more disambiguation than needed"),
        pytest.param("1. e4! e5?! 2. Nf3!! Nc6??", id="8.2.3.8: suffix annotations"),
        pytest.param("1. e4 $1 e5 $142 2. Nf3 $0 Nc6 $255", id="8.2.4: numeric annotation glyphs"),
        pytest.param(
            "1. e4 (1. d4 d5 (1... Nf6 2. c4 $10) 2. c4) e5 2. Nf3 Nc6", id="8.2.5: nested variations"
        ),
    ],
)
def test_import_format(moves: str, reader: ReaderName) -> None:
    """Each liberty of the import format leaves 1. e4 e5 2. Nf3 Nc6."""
    games, rows = read_in_memory(game_text(moves), reader=reader)

    assert [game["state"] for game in games] == ["kept"]
    assert [row["move"] for row in rows] == OPEN_GAME


@each_reader
@pytest.mark.parametrize(
    ("result", "state"),
    [("1-0", "kept"), ("0-1", "kept"), ("1/2-1/2", "kept"), ("*", "no result")],
)
def test_game_termination_markers(result: str, state: str, reader: ReaderName) -> None:
    """Section 8.2.6: the four markers."""
    games, rows = read_in_memory(game_text("1. e4 e5", result), reader=reader)

    assert (games[0]["result"], games[0]["state"]) == (result, state)
    assert len(rows) == (2 if state == "kept" else 0)


@each_reader
def test_promotion_and_check_marks(reader: ReaderName) -> None:
    """Sections 8.2.3.3 and 8.2.3.5: a promotion is written with `=`; check and mate marks may follow."""
    moves = "1. e4 d5 2. exd5 c6 3. dxc6 Qc7 4. cxb7 Qc6 5. bxc8=Q+ Qxc8"
    games, rows = read_in_memory(game_text(moves), reader=reader)

    assert games[0]["plies"] == 10
    assert rows[8]["move"] == pack_move(49, 58, 5)


def test_escapes_in_tag_values() -> None:
    """Section 7: a quote and a backslash in a string are written with a backslash before them."""
    games, _ = read_in_memory(game_text("1. e4 e5", White=r"A \"Bo\" C\\D"), names="keep")

    assert games[0]["white"] == r'A "Bo" C\D'


@pytest.mark.parametrize(
    ("field", "time_class"),
    [
        ("?", "unknown"),
        ("-", "unknown"),
        ("40/9000", "classical"),
        ("300", "blitz"),
        ("4500+60", "classical"),
        ("*180", "blitz"),
    ],
)
def test_time_control_fields(field: str, time_class: str) -> None:
    """Section 9.6.1: the kinds of time control descriptors."""
    assert time_class_of(field) == time_class


def test_unknown_dates_are_told_as_written() -> None:
    """Section 8.1.1.3: unknown parts of a date are question marks."""
    games, _ = read_in_memory(game_text("1. e4 e5", Date="1993.??.??"))

    assert games[0]["date"] == "1993.??.??"
