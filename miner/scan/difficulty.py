"""How likely a player of some rating finds an answer to a mistake: fitted to what players answered in a scan.

The logarithm of the odds is a sum of what is seen of the answer (a capture, a check, a man retaken), how many
moves are good enough, how many moves it takes until something is won, how much is at stake, the pattern that
punishes, and the player's rating: logistic regression. Patterns scatter about what the rest foretells, the
more so the more often they were met.

Source (from memory): A. Gelman et al., Bayesian Data Analysis, 3rd ed., chapter 16, for normal priors as
ridges of a logistic regression.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import chess
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from miner.arrays import Floats
from miner.board.moves import after
from miner.board.settle import material_balance
from miner.curve.fit import Sums, likeliest
from miner.stats import USUAL_RATING, chance_at

ENOUGH = 200
"""Answers on record below which nothing is fitted: some twenty for each thing that is looked at."""
_LONGEST = 7  # moves of the side that punishes, from which on it does not matter how far off the gain is
_VAGUE, _PATTERNS = 2.0, 0.5  # standard deviations of the priors; common practice, no source
_POINTS = 400.0  # rating points that count as one
_DECIMALS = 4  # of logarithms of odds: finer ones may differ by what reckons, and answers tell no such thing

_SEEN = ("capture", "check", "retakes", "answers", "moves", "loss")


@dataclass(frozen=True, slots=True, eq=False)
class Difficulty:
    """What the odds of an answer being found depend on."""

    per_point: float  # change of the logarithm of the odds for one rating point
    level: float  # at `USUAL_RATING`
    seen: Mapping[str, float]  # by what is seen of the answer
    patterns: Mapping[str, float]  # one that is not there is as likely to be found as the others

    def chances(self, seen: pd.DataFrame, ratings: npt.ArrayLike = USUAL_RATING) -> Floats:
        """Probability (0 to 1) of an answer by players of these ratings; `seen`: as `seen_of` gives it."""
        odds = self.level + seen["pattern"].map(self.patterns).fillna(0.0).to_numpy(float)
        odds = odds + seen[list(self.seen)].to_numpy(float) @ np.array(list(self.seen.values()))
        return chance_at(special.expit(odds), ratings, self.per_point)


def with_chances(moments: pd.DataFrame, games: pd.DataFrame) -> tuple[pd.DataFrame, Difficulty | None]:
    """The moments with a column `chance`, and the model that it is by; None: there are too few for one.

    The column speaks of a player of `USUAL_RATING`; `chance_at` gives it for another.
    """
    seen, known = seen_of(moments), moments["found"].notna().to_numpy()
    found = moments["found"][known].to_numpy(bool)
    model = fit(seen[known], rating_of_other(moments, games)[known], found)
    return moments.assign(chance=model.chances(seen) if model else np.nan), model


def rating_of_other(moments: pd.DataFrame, games: pd.DataFrame) -> Floats:
    """The rating of who may punish each moment; 0: not known."""
    of_game = games.set_index("game").loc[moments["game"]]
    return np.where(moments["ply"] % 2 == 0, of_game["black_rating"], of_game["white_rating"]).astype(float)


def fit(seen: pd.DataFrame, ratings: Floats, found: npt.NDArray[np.bool_]) -> Difficulty | None:
    """Fitted to answers that were found or not; None: there are fewer than `ENOUGH`.

    `ratings`: of who might find it; 0: not known, which counts as the mean of the others.
    """
    if len(found) < ENOUGH:
        return None
    names = sorted(seen["pattern"].unique())
    inputs = np.column_stack(
        [
            np.ones(len(seen)),
            _rating_inputs(ratings),
            *(seen[name].to_numpy(float) for name in _SEEN),
            *(seen["pattern"].to_numpy() == name for name in names),
        ]
    )
    deviations = np.array([_VAGUE] * (2 + len(_SEEN)) + [_PATTERNS] * len(names))
    answers = Sums(inputs, np.ones(len(found)), found.astype(np.float64))
    best = likeliest(answers, np.zeros(len(deviations)), np.diag(1.0 / deviations**2))
    level, rating, *rest = np.round(best, _DECIMALS).tolist()
    return Difficulty(
        rating / _POINTS,
        level,
        dict(zip(_SEEN, rest[: len(_SEEN)], strict=True)),
        dict(zip(names, rest[len(_SEEN) :], strict=True)),
    )


def _rating_inputs(ratings: Floats) -> Floats:
    known = ratings > 0
    usual = ratings[known].mean() if known.any() else USUAL_RATING
    return np.asarray((np.where(known, ratings, usual) - USUAL_RATING) / _POINTS)


def seen_of(moments: pd.DataFrame) -> pd.DataFrame:
    """What the odds depend on, a row per moment; columns: pattern, and those of the answer.

    `capture`, `check`, `retakes` (on the square of the mistake): of the best answer, 0 or 1; `answers`:
    logarithm of how many are good enough; `moves`: of the side that punishes, until it has more than before
    the mistake; `loss`: expected score that the mistake gives away.
    """
    of_mistake: dict[tuple[int, int], dict[str, float]] = {}
    for row in moments.drop_duplicates(["key", "move"]).to_dict("records"):
        of_mistake[row["key"], row["move"]] = _seen_of_answer(row)
    keys = zip(moments["key"].tolist(), moments["move"].tolist(), strict=True)
    seen = pd.DataFrame([of_mistake[key] for key in keys], index=moments.index)
    return seen.assign(pattern=moments["pattern"])


def _seen_of_answer(row: Mapping[Any, Any]) -> dict[str, float]:
    before = chess.Board(row["fen"])
    line = [chess.Move.from_uci(uci) for uci in row["pv_reply"]]
    board = after(before, line[:1])
    best = chess.Move.from_uci(row["answers"][0])
    had = material_balance(before, not before.turn)
    return {
        "capture": float(board.is_capture(best)),
        "check": float(board.gives_check(best)),
        "retakes": float(before.is_capture(line[0]) and best.to_square == line[0].to_square),
        "answers": float(np.log(len(row["answers"]))),
        "moves": float(_moves_until_won(board, line[1:], had)),
        "loss": float(row["loss"]),
    }


def _moves_until_won(board: chess.Board, line: list[chess.Move], had: int) -> int:
    """Moves of the side to move until it has more material, and after the answer to that; or mates."""
    side = board.turn
    board = board.copy(stack=False)
    for ply, move in enumerate(line):
        board.push(move)
        is_answered = ply % 2 == 1 or ply == len(line) - 1
        if board.is_checkmate() or (is_answered and material_balance(board, side) > had):
            return min(ply // 2 + 1, _LONGEST)
    return _LONGEST
