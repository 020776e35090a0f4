"""What players choose by: probabilities of legal moves, whether anybody has played them there or not."""

from __future__ import annotations

import chess
import numpy as np
import pytest

from miner.arrays import Floats
from miner.board.looks import look
from miner.board.moves import pack
from miner.board.play import Boards
from miner.habits import Habits, fit
from tests.board.test_play import played

GREEDY = "e2e4 d7d5 e4d5", "d2d4 e7e5 d4e5", "g1f3 e7e5 f3e5", "e2e4 f7f5 e4f5", "c2c4 d7d5 c4d5"
SHY = "e2e4 d7d5 e4e5", "d2d4 e7e5 d4d5", "g1f3 e7e5 b1c3", "e2e4 f7f5 b1c3", "c2c4 d7d5 e2e3"


def positions(lines: tuple[str, ...]) -> tuple[Boards, list[int], list[int]]:
    """The boards before the last moves of some lines, the moves that led there, and the last moves."""
    moves = [[chess.Move.from_uci(uci) for uci in line.split()] for line in lines]
    boards = [played([line[:-1]])[0].take(np.array([len(line) - 1])) for line in moves]
    return Boards.joined(boards), [pack(line[-2]) for line in moves], [pack(line[-1]) for line in moves]


def habits_of(lines: tuple[str, ...], ratings: list[int]) -> Habits:
    boards, last, chosen = positions(lines)
    looks = look(boards, np.array(last, dtype=np.uint16))
    return fit(looks, np.array(chosen, dtype=np.uint16), np.array(ratings))


def rates_after(habits: Habits, line: str, ratings: Floats) -> dict[str, list[float]]:
    """The probability of each legal move (UCI) after a line, for each rating."""
    boards, last, _ = positions((f"{line} 0000",))
    looks = look(boards, np.array(last, dtype=np.uint16))
    ucis = [chess.Move(move >> 6 & 63, move & 63).uci() for move in looks.packed.tolist()]
    return dict(zip(ucis, habits.rates(looks, ratings).tolist(), strict=True))


def test_every_legal_move_has_a_chance_and_all_add_up_to_one() -> None:
    """Also those that are unlike whatever was seen."""
    rates = rates_after(habits_of(GREEDY, [1200] * 5), "e2e4 e7e5", np.array([0.0, 800.0, 2000.0]))

    told = np.array(list(rates.values()))
    assert len(told) == 29
    assert (told > 0.0).all()
    assert told.sum(axis=0) == pytest.approx([1.0, 1.0, 1.0])


def test_who_takes_whatever_can_be_taken_is_expected_to_take() -> None:
    """In a position that was never seen, with another pawn: what a move looks like counts, not just where."""
    habits = habits_of(GREEDY * 4, [0] * 20)
    nothing_known = Habits.from_table(habits.as_table().slice(0, 0))

    before = rates_after(nothing_known, "a2a4 b7b5", np.array([0.0]))
    after = rates_after(habits, "a2a4 b7b5", np.array([0.0]))

    assert before["a4b5"] == pytest.approx([1 / len(before)])
    assert after["a4b5"][0] > 0.5


def test_habits_go_by_ratings() -> None:
    """Where the strong take and the weak do not, the same move is likelier the stronger the player is."""
    habits = habits_of(GREEDY * 4 + SHY * 4, [2000] * 20 + [1000] * 20)

    weak, nobody, strong = rates_after(habits, "a2a4 b7b5", np.array([1000.0, 0.0, 2000.0]))["a4b5"]

    assert weak < nobody < strong
    assert nobody == pytest.approx(rates_after(habits, "a2a4 b7b5", np.array([1500.0]))["a4b5"][0])


def test_order_of_the_boards_makes_no_difference() -> None:
    """Sums that are rounded otherwise, as by another version of what reckons, give the same habits."""
    lines, ratings = GREEDY * 40 + SHY * 30, [2000] * 200 + [1000] * 150
    order = np.random.default_rng(5).permutation(len(lines))

    there = habits_of(lines, ratings)
    again = habits_of(tuple(lines[row] for row in order), [ratings[row] for row in order])

    assert again.weights.tolist() == there.weights.tolist()
    assert again.slopes.tolist() == there.slopes.tolist()


def test_who_has_no_choice_shows_no_habits() -> None:
    """Of an only legal move nothing is learnt."""
    habits = habits_of(("g1h3 b8c6 e2e3 f7f6 d1h5 g7g6",), [1200])

    assert habits.positions == 1
    assert not habits.weights.any()
    assert not habits.slopes.any()


def test_habits_outlast_a_table() -> None:
    """Written down and read again they say the same; and those that nothing was fitted to say nothing."""
    habits = habits_of(GREEDY, [1200] * 5)

    again = Habits.from_table(habits.as_table())

    assert again.weights.tolist() == habits.weights.tolist()
    assert again.slopes.tolist() == habits.slopes.tolist()
    assert (again.usual, again.positions) == (1200.0, 5)
    assert not Habits.from_table(habits.as_table().slice(0, 0)).weights.any()
