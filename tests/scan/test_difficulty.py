"""The chance that an answer is found, fitted to answers drawn from known chances."""

from __future__ import annotations

from typing import Any

import chess
import numpy as np
import pandas as pd
import pytest
from scipy import special

from miner.scan.difficulty import ENOUGH, fit, seen_of, with_chances
from miner.stats import USUAL_RATING, chance_at
from tests.stores import board_after


def drawn(count: int, seed: int = 3) -> tuple[pd.DataFrame, Any, Any]:
    """Answers that are easier to see if something is retaken, and for the stronger; pins are hard."""
    random = np.random.default_rng(seed)
    seen = pd.DataFrame(
        {
            "capture": random.integers(0, 2, count),
            "check": random.integers(0, 2, count),
            "retakes": random.integers(0, 2, count),
            "answers": np.log(random.integers(1, 4, count)),
            "moves": random.integers(1, 8, count),
            "loss": random.uniform(0.15, 0.6, count),
            "pattern": random.choice(["pin", "fork", "mating net"], count),
        }
    )
    ratings = random.integers(900, 2300, count).astype(float)
    odds = -0.5 + 1.5 * seen["retakes"] - 0.2 * seen["moves"] - 1.0 * (seen["pattern"] == "pin")
    found = random.uniform(size=count) < special.expit(odds + 0.002 * (ratings - USUAL_RATING))
    return seen, ratings, np.asarray(found)


def test_what_the_answers_were_drawn_from_is_found_again() -> None:
    """Who is stronger finds more, and so does who only has to take back; pins are overlooked."""
    model = fit(*drawn(6_000))

    assert model
    assert model.per_point == pytest.approx(0.002, abs=0.0004)
    assert model.seen["retakes"] == pytest.approx(1.5, abs=0.2)
    assert model.seen["check"] == pytest.approx(0.0, abs=0.2)
    assert model.patterns["pin"] - model.patterns["fork"] == pytest.approx(-1.0, abs=0.3)


def test_answers_of_others_are_foretold_better_than_by_their_pattern() -> None:
    """The log loss of new answers is lower than by the mean of each pattern."""
    model, (seen, ratings, found) = fit(*drawn(1_000)), drawn(3_000, seed=4)
    assert model

    means = pd.Series(found).groupby(seen["pattern"].to_numpy()).transform("mean").to_numpy()
    chances = model.chances(seen, ratings)

    def log_loss(foretold: Any) -> float:
        return float(-np.mean(np.log(np.where(found, foretold, 1.0 - foretold))))

    assert log_loss(chances) < log_loss(means) - 0.02


def test_few_answers_and_unknown_patterns() -> None:
    """Of few answers no model is made; a pattern that was not met is as hard as the rest says."""
    seen, ratings, found = drawn(ENOUGH)
    model = fit(seen, ratings, found)

    assert fit(seen[1:], ratings[1:], found[1:]) is None
    assert model
    assert 0.0 < model.chances(seen[:1].assign(pattern="skewer"))[0] < 1.0


def test_players_without_a_rating_count_as_the_mean() -> None:
    """Half the ratings missing: nothing is bent by zeros."""
    seen, ratings, found = drawn(6_000)

    model = fit(seen, np.where(np.arange(6_000) % 2, ratings, 0.0), found)

    assert model
    assert model.per_point == pytest.approx(0.002, abs=0.0006)


def test_order_of_the_answers_makes_no_difference() -> None:
    """Sums that are rounded otherwise, as by another version of what reckons, give the same numbers."""
    seen, ratings, found = drawn(6_000)
    order = np.random.default_rng(5).permutation(len(found))

    there, again = fit(seen, ratings, found), fit(seen.iloc[order], ratings[order], found[order])

    assert there
    assert again
    assert (again.level, again.per_point) == (there.level, there.per_point)
    assert again.seen == there.seen
    assert again.patterns == there.patterns


def test_answers_that_tell_all_apart_leave_doubt() -> None:
    """Where every capture was found and nothing else, the prior keeps the weight finite."""
    seen, ratings, _ = drawn(2_000)

    model = fit(seen, ratings, seen["capture"].to_numpy() == 1)

    assert model
    chances = model.chances(seen, ratings)
    assert chances[seen["capture"] == 1].min() > 0.9
    assert chances[seen["capture"] == 0].max() < 0.1
    assert chances.max() < 1.0


def test_chance_of_another_rating() -> None:
    """As many points up as down are as much of the odds."""
    assert chance_at(0.3, USUAL_RATING, 0.002) == pytest.approx(0.3)
    assert chance_at(0.5, 1700, 0.002) == pytest.approx(1.0 - chance_at(0.5, 1300, 0.002))


def moment(moves: str, reply: str, *line: str, answers: tuple[str, ...]) -> dict[str, Any]:
    board = board_after(moves)
    move = chess.Move.from_uci(reply)
    return {
        "key": 1,
        "move": move.to_square,
        "fen": board.fen(),
        "pv_reply": [reply, *line],
        "answers": list(answers),
        "loss": 0.4,
        "pattern": "double attack",
    }


def test_what_is_seen_of_an_answer() -> None:
    """A rook is won behind a check; a bishop that a pawn or a piece may meet; a pawn is only retaken."""
    rook = moment("e4 e5 Qh5", "g7g6", "h5e5", "d8e7", "e5h8", answers=("h5e5",))
    taken = moment("e4 d5", "f1b5", "c7c6", "b5c6", "b8c6", answers=("c7c6", "c8d7"))
    retaken = moment("e4 d5", "e4d5", "d8d5", answers=("d8d5",))

    first, second, third = seen_of(pd.DataFrame([rook, taken, retaken])).to_dict("records")

    assert (first["capture"], first["check"], first["retakes"], first["moves"]) == (1, 1, 0, 1)
    assert (second["capture"], second["check"], second["answers"]) == (0, 0, np.log(2))
    assert second["moves"] == 2
    assert (third["retakes"], third["moves"]) == (1, 7)


def test_column_speaks_of_the_usual_rating() -> None:
    """Each moment has its chance; too few of them have none."""
    rook = moment("e4 e5 Qh5", "g7g6", "h5e5", "d8e7", "e5h8", answers=("h5e5",))
    games = pd.DataFrame({"game": range(ENOUGH), "white_rating": 1500, "black_rating": 900})
    rows = [rook | {"game": game, "ply": 3, "found": game % 4 > 0} for game in range(ENOUGH)]

    told, model = with_chances(pd.DataFrame(rows), games)
    few, none = with_chances(pd.DataFrame(rows[1:]), games)

    assert model
    assert told["chance"].tolist() == pytest.approx([0.75] * ENOUGH, abs=0.03)
    assert none is None
    assert few["chance"].isna().all()
