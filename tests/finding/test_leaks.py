"""Where the gain leaks away, by hand-made rows."""

from __future__ import annotations

from typing import Any

import chess
import pandas as pd
import pytest

from miner.board.moves import pack
from miner.finding.aftermath import COLUMNS, leaks_in

BEST, SECOND, POOR = "d1h5", "b1c3", "f1e2"


def packed(uci: str) -> int:
    return pack(chess.Move.from_uci(uci))


def row(answer: str, kept: float | None, **other: Any) -> dict[str, Any]:
    """A row of `followed`: right after the losing reply, the full gain being 0.4 of expected score."""
    values = {
        "key": 1,
        "move": 2,
        "at": 3,
        "fen": "fen",
        "plies": 0,
        "path": "",
        "answer": packed(answer),
        "best_move": BEST,
        "exp_best": 0.9,
        "exp_answer": None if kept is None else 0.5 + 0.4 * kept,
        "kept": kept,
    }
    return values | other


def chosen(answer: str, games: int, band: str = "1000-1199", at: int = 3) -> dict[str, Any]:
    return {"key": 1, "move": 2, "at": at, "answer": packed(answer), "band": band, "games": games}


def found(followed: list[dict[str, Any]], answers: list[dict[str, Any]], kept: float = 0.5) -> pd.DataFrame:
    return leaks_in(pd.DataFrame(followed), pd.DataFrame(answers), kept)


def test_share_that_goes_wrong_and_what_it_costs() -> None:
    """6 of 10 find the best move, 1 a good one, 3 keep a quarter: 0.3 of expected score lost each."""
    followed = [row(BEST, 1.0), row(SECOND, 0.8), row(POOR, 0.25)]
    answers = [chosen(BEST, 6), chosen(SECOND, 1), chosen(POOR, 3)]

    [leak] = found(followed, answers).to_dict("records")

    assert tuple(leak) == COLUMNS
    assert (leak["games"], leak["wrong"], leak["share_wrong"]) == (10, 3, 0.3)
    assert leak["cost"] == pytest.approx(0.3)
    assert leak["cost_per_game"] == pytest.approx(0.09)
    assert (leak["best_move"], leak["commonest_wrong"]) == (BEST, packed(POOR))


def test_bands_add_up() -> None:
    """One band's players go wrong, another's do not."""
    followed = [row(BEST, 1.0), row(POOR, 0.0)]
    answers = [chosen(BEST, 4), chosen(POOR, 4, band="1800-1999")]

    assert found(followed, answers[:1]).empty
    assert found(followed, answers[1:])["share_wrong"].tolist() == [1.0]
    assert found(followed, answers)["share_wrong"].tolist() == [0.5]


def test_what_was_lost_before_is_not_this_moves_fault() -> None:
    """Where even the best move keeps little, a move that keeps nearly as much is no leak."""
    followed = [row(BEST, 0.55, exp_best=0.72), row(POOR, 0.45)]

    assert found(followed, [chosen(BEST, 5), chosen(POOR, 5)]).empty


def test_nothing_leaks_where_nothing_is_left() -> None:
    """Who stood as before the losing reply and then loses a piece has another problem."""
    followed = [row(BEST, 0.0, exp_best=0.5), row(POOR, -0.9)]

    assert found(followed, [chosen(BEST, 5), chosen(POOR, 5)]).empty


def test_best_move_that_nobody_chose_is_still_known() -> None:
    """All go wrong; the move to be taught is the best one."""
    followed = [row(POOR, 0.1), row(BEST, 1.0)]

    [leak] = found(followed, [chosen(POOR, 8)]).to_dict("records")

    assert (leak["share_wrong"], leak["best_move"], leak["kept_by_best"]) == (1.0, BEST, 1.0)


def test_answers_that_were_not_judged_do_not_count() -> None:
    """What is too rare to be judged is neither right nor wrong."""
    followed = [row(BEST, 1.0), row(POOR, 0.0), row(SECOND, None)]

    [leak] = found(followed, [chosen(BEST, 5), chosen(POOR, 4), chosen(SECOND, 1)]).to_dict("records")

    assert (leak["games"], leak["wrong"]) == (9, 4)


def test_costliest_comes_first() -> None:
    """Order is by what a game there costs on average, not by how often they go wrong."""
    followed = [row(BEST, 1.0), row(POOR, 0.45), row(BEST, 1.0, at=4), row(POOR, -1.0, at=4)]
    answers = [chosen(BEST, 5), chosen(POOR, 5), chosen(BEST, 7, at=4), chosen(POOR, 3, at=4)]

    assert found(followed, answers)["at"].tolist() == [4, 3]


def test_stricter_share() -> None:
    """Who wants three quarters kept finds more leaks."""
    followed = [row(BEST, 1.0), row(POOR, 0.6)]
    answers = [chosen(BEST, 5), chosen(POOR, 5)]

    assert found(followed, answers, kept=0.5).empty
    assert len(found(followed, answers, kept=0.75)) == 1


def test_nothing_followed() -> None:
    """Empty tables give an empty one with its columns."""
    followed, answers = pd.DataFrame([row(BEST, 1.0)]).iloc[:0], pd.DataFrame([chosen(BEST, 1)]).iloc[:0]

    told = leaks_in(followed, answers, 0.5)

    assert (len(told), tuple(told.columns)) == (0, COLUMNS)
