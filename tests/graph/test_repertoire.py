"""A repertoire read from PGN, and how often its positions arise."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import chess
import pandas as pd
import pytest

from miner.board.moves import pack
from miner.errors import SourceError, UsageError
from miner.graph.repertoire import (
    RatedReply,
    Repertoire,
    not_covered,
    reach_in_repertoire,
    reach_of,
    read_repertoire,
    ways_of,
)
from miner.terms import Side
from tests.stores import Game, board_after, key_after, replies_after, tallied_store


def repertoire_of(folder: Path, text: str, side: Side = Side.WHITE) -> Repertoire:
    """The repertoire in a file with that text."""
    file = folder / "repertoire.pgn"
    file.write_text(text, encoding="utf-8")
    return read_repertoire(file, side)


def moves_after(repertoire: Repertoire, moves: str) -> list[str]:
    """Our moves there, in SAN."""
    board = board_after(moves)
    return [board.san(move) for move in board.legal_moves if pack(move) in repertoire.at(key_after(moves))]


def test_variations_and_games_are_merged(tmp_path: Path) -> None:
    """Moves come from main lines and variations of all games; comments and results do not matter."""
    text = "1. e4 {ours} e5 (1... c5 2. Nf3) 2. Nf3 Nc6 3. Bc4 *\n\n1. e4 e6 2. d4 *\n"

    repertoire = repertoire_of(tmp_path, text)

    assert moves_after(repertoire, "") == ["e4"]
    assert moves_after(repertoire, "e4 e5") == ["Nf3"]
    assert moves_after(repertoire, "e4 c5") == ["Nf3"]
    assert moves_after(repertoire, "e4 e6") == ["d4"]
    assert len(repertoire.moves) == 5


def test_transposition_is_one_position(tmp_path: Path) -> None:
    """Moves written down after 1.d4 Nf6 2.c4 e6 hold after 1.c4 e6 2.d4 Nf6 as well."""
    repertoire = repertoire_of(tmp_path, "1. d4 Nf6 2. c4 e6 3. Nc3 *\n\n1. c4 e6 2. d4 Nf6 3. Nf3 *\n")

    assert sorted(moves_after(repertoire, "d4 Nf6 c4 e6")) == ["Nc3", "Nf3"]
    assert repertoire.at(key_after("c4 e6 d4 Nf6"))[0] == pack(chess.Move.from_uci("b1c3"))


def test_only_moves_of_the_side_count(tmp_path: Path) -> None:
    """A file for Black gives Black's moves."""
    repertoire = repertoire_of(tmp_path, "1. e4 c5 2. Nf3 d6 (2... Nc6) *\n", Side.BLACK)

    assert moves_after(repertoire, "e4") == ["c5"]
    assert sorted(moves_after(repertoire, "e4 c5 Nf3")) == ["Nc6", "d6"]
    assert len(repertoire.moves) == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1. e4 e5 *\n\n1. e4 e5 2. Ke3 *\n", "game 2: the game cannot be read"),
        ('[Variant "Atomic"]\n\n1. e4 *\n', "game 1: the game cannot be read: it is of a variant"),
        ('[FEN "nonsense"]\n[SetUp "1"]\n\n1. e4 *\n', "game 1: the game cannot be read"),
        ("", "no move for White"),
        ("a shopping list", "no move for White"),
    ],
)
def test_bad_file_is_told_of(tmp_path: Path, text: str, says: str) -> None:
    """An illegal move, a variant, a broken position and an empty file are errors that name file and game."""
    with pytest.raises(SourceError, match=says) as error:
        repertoire_of(tmp_path, text)

    assert "repertoire.pgn" in str(error.value)


def test_file_that_is_not_there_is_told_of(tmp_path: Path) -> None:
    """So is a missing file, and one that is no text."""
    (tmp_path / "picture.pgn").write_bytes(b"\x89PNG\xff\xfe")

    for name in ("none.pgn", "picture.pgn"):
        with pytest.raises(SourceError, match="cannot be read"):
            read_repertoire(tmp_path / name, Side.WHITE)


def packed(moves: str, san: str) -> int:
    """A move after other moves, packed."""
    return pack(board_after(moves).parse_san(san))


def white(*lines: str) -> Repertoire:
    """White's repertoire of these lines, each a main line in SAN."""
    moves: dict[int, tuple[int, ...]] = {}
    for line in lines:
        sans = line.split()
        for ply in range(0, len(sans), 2):
            before = " ".join(sans[:ply])
            mine = packed(before, sans[ply])
            known = moves.get(key_after(before), ())
            moves[key_after(before)] = known if mine in known else (*known, mine)
    return Repertoire(Side.WHITE, moves)


def rated(rates: dict[str, dict[str, float]], variance: float = 0.0) -> dict[int, Sequence[RatedReply]]:
    """The band's pick rates, by the moves before and the reply, in SAN."""
    return {
        key_after(before): [RatedReply(packed(before, san), rate, variance) for san, rate in replies.items()]
        for before, replies in rates.items()
    }


def reach_after(
    repertoire: Repertoire, rates: dict[int, Sequence[RatedReply]], moves: str
) -> tuple[float, float]:
    """Reach and log variance there."""
    ways = ways_of(repertoire, rates)
    reach, log_variance = reach_of(ways)
    place = ways.keys.index(key_after(moves))
    return float(reach[place]), float(log_variance[place])


def test_opponents_rates_multiply_and_our_moves_count_one() -> None:
    """1.e4 e5 (60%) 2.Nf3 Nc6 (50%) 3.Bc4: three games in ten; the relative variances add up."""
    rates = rated({"e4": {"e5": 0.6}, "e4 e5 Nf3": {"Nc6": 0.5}}, variance=0.0036)

    reach, log_variance = reach_after(white("e4 e5 Nf3 Nc6 Bc4"), rates, "e4 e5 Nf3 Nc6 Bc4")

    assert reach == pytest.approx(0.3)
    assert log_variance == pytest.approx(0.0036 / 0.36 + 0.0036 / 0.25)


def test_ways_to_one_position_add_up_where_our_moves_are_fixed() -> None:
    """1.d4 Nf6 2.c4 e6 and 1.d4 e6 2.c4 Nf6 lead to the same position: 30% + 20%."""
    repertoire = white("d4 Nf6 c4 e6 Nc3", "d4 e6 c4 Nf6 Nc3")
    rates = rated(
        {"d4": {"Nf6": 0.5, "e6": 0.4}, "d4 Nf6 c4": {"e6": 0.6}, "d4 e6 c4": {"Nf6": 0.5}}, variance=0.01
    )

    reach, log_variance = reach_after(repertoire, rates, "d4 Nf6 c4 e6 Nc3")

    assert reach == pytest.approx(0.3 + 0.2)
    variance = 0.01 * (0.6**2 + 0.5**2 + 0.5**2 + 0.4**2)
    assert log_variance == pytest.approx(variance / 0.5**2)


def test_of_several_own_moves_the_best_for_each_position_counts() -> None:
    """A repertoire with 1.e4 and 1.d4 plays 1.e4 for the open games and 1.d4 for the Indian ones."""
    rates = rated({"e4": {"e5": 0.6}, "d4": {"Nf6": 0.5}})
    repertoire = white("e4 e5 Nf3", "d4 Nf6 c4")

    assert reach_after(repertoire, rates, "e4 e5")[0] == pytest.approx(0.6)
    assert reach_after(repertoire, rates, "d4 Nf6")[0] == pytest.approx(0.5)


def test_own_moves_are_not_mixed_on_the_way_to_one_position() -> None:
    """1.d4 or 1.c4 may both lead to 1.d4 Nf6 2.c4: our side plays one of them, so the ways do not add up."""
    rates = rated({"d4": {"Nf6": 0.5}, "c4": {"Nf6": 0.3}})
    repertoire = white("d4 Nf6 c4", "c4 Nf6 d4")

    assert reach_after(repertoire, rates, "d4 Nf6 c4")[0] == pytest.approx(0.5)


def test_circle_ends() -> None:
    """Knights that go out and home again come back to the start, which is reached once."""
    rates = rated({"Nf3": {"Nf6": 1.0}, "Nf3 Nf6 Ng1": {"Ng8": 1.0}})
    repertoire = white("Nf3 Nf6 Ng1")

    assert reach_after(repertoire, rates, "")[0] == 1.0
    assert reach_after(repertoire, rates, "Nf3 Nf6 Ng1")[0] == 1.0


def test_positions_beyond_the_repertoire_do_not_arise() -> None:
    """After 1.e4 c5 the repertoire has no answer: the position is there, what the band plays later is not."""
    rates = rated({"e4": {"e5": 0.6, "c5": 0.3}, "e4 c5 Nf3": {"d6": 0.9}})
    ways = ways_of(white("e4 e5 Nf3"), rates)

    assert key_after("e4 c5") in ways.keys
    assert not ways.is_covered[ways.keys.index(key_after("e4 c5"))]
    assert key_after("e4 c5 Nf3") not in ways.keys


CLUB = [
    *[Game(moves="e4 e5 Nf3 Nc6 Bc4 Bc5", black_rating=1100)] * 6,
    *[Game(moves="e4 c5 Nf3 d6 d4", black_rating=1100)] * 3,
    *[Game(moves="d4 d5 c4 e6 Nc3", black_rating=1100)] * 3,
]


def test_against_a_band_of_a_store(tmp_path: Path) -> None:
    """The rates are those of the tally; uncovered positions come by their reach."""
    store = tallied_store(tmp_path, CLUB)
    rate = {san: row["pick_rate"] for (_, san), row in replies_after(store, "e4").items()}

    reach = reach_in_repertoire(store, white("e4 e5 Nf3 Nc6 Bc4"), ["1000-1199"])

    by_key = reach.set_index("key")["reach"]
    assert by_key[key_after("e4 e5")] == pytest.approx(rate["e5"])
    assert (reach["log_variance"] >= 0.0).all()
    assert reach.loc[reach["key"] == key_after("e4 e5 Nf3"), "path"].tolist() == ["e2e4 e7e5 g1f3"]
    assert key_after("d4") not in by_key.index
    open_ends: pd.DataFrame = not_covered(reach)
    assert open_ends["key"].tolist() == [key_after("e4 e5 Nf3 Nc6 Bc4 Bc5"), key_after("e4 c5")]
    assert open_ends["reach"].is_monotonic_decreasing


def test_against_several_bands(tmp_path: Path) -> None:
    """The rows of several bands are those of each, one after the other."""
    store = tallied_store(tmp_path, [*CLUB, *[Game(moves="e4 c5", black_rating=1500)] * 9])
    ours, bands = white("e4 e5 Nf3"), ["1400-1599", "1000-1199"]

    together = reach_in_repertoire(store, ours, bands)

    alone = [reach_in_repertoire(store, ours, [band]) for band in bands]
    pd.testing.assert_frame_equal(together, pd.concat(alone, ignore_index=True))
    assert together["band"].unique().tolist() == bands


def test_unknown_band_is_told_of(tmp_path: Path) -> None:
    """A band that the tally does not have is wrong use."""
    store = tallied_store(tmp_path, CLUB)

    with pytest.raises(UsageError, match="no band is called"):
        reach_in_repertoire(store, white("e4"), ["1000-1199", "1000-1100"])
