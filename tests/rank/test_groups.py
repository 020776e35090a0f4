"""The bands of a list taken for one, by who is among the store's own players."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from miner.habits import LIKELY
from miner.rank.groups import UNLIKELY, pooled_rates, weighted, weights_of

BEGINNERS, STRONG = "800-999", "1800-1999"
NONE_FORESEEN = pd.DataFrame(
    {"key": np.array([], np.int64), "band": "", "move": np.array([], np.int64), "pick_rate": 0.0}
)


def replies(own: int, elsewhere: dict[str, tuple[int, int]]) -> pd.DataFrame:
    """Rows of `replies` at one position: a mistake (1) and another move, of the prior's games by band."""
    rows = [
        {
            "key": 5,
            "band": band,
            "move": move,
            "games": games + (own if band == BEGINNERS and move == 2 else 0),
            "games_elsewhere": games,
            "games_at_position": sum(chosen) + (own if band == BEGINNERS else 0),
            "games_at_position_elsewhere": sum(chosen),
            "games_squared_at_position": float(sum(chosen) + (own if band == BEGINNERS else 0)),
            "pick_rate": games / max(sum(chosen), 1),
        }
        for band, chosen in elsewhere.items()
        for move, games in zip((1, 2), chosen, strict=True)
    ]
    return pd.DataFrame(rows)


def games_of(**bands: int) -> pd.Series[int]:
    index = pd.MultiIndex.from_product([[BEGINNERS, STRONG], [True, False]], names=["band", "white_errs"])
    return pd.Series([bands["beginners"]] * 2 + [bands["strong"]] * 2, index)


def of_mistake(tallied: pd.DataFrame, foreseen: pd.DataFrame = NONE_FORESEEN) -> dict[str, float]:
    """The pooled rates of the mistake, without a prior."""
    rates = pooled_rates(tallied, foreseen, None, confidence=0.9, correlation=0.0)
    names = ("pick_rate", "pick_rate_low", "pick_rate_high")
    return {name: float(rates[name].to_dict()[5, 1]) for name in names}


def test_a_club_of_beginners_errs_as_beginners_do() -> None:
    """Of 100 beginners elsewhere 40 err, of 900 strong players 9: of this club some 40% will, not 5%."""
    tallied = replies(2, {BEGINNERS: (40, 60), STRONG: (9, 891)})
    rates = {}
    for name, club in (
        ("beginners", games_of(beginners=50, strong=0)),
        ("mixed", games_of(beginners=5, strong=45)),
    ):
        weights = weights_of(tallied, club)
        found = pooled_rates(tallied, NONE_FORESEEN, weights, confidence=0.9, correlation=0.0)
        rates[name] = float(found["pick_rate"].to_dict()[5, 1])

    assert 0.33 < rates["beginners"] < 0.42
    assert 0.03 < rates["mixed"] < 0.06


def test_without_a_prior_nothing_is_weighted() -> None:
    """All games are the store's own."""
    tallied = replies(2, {BEGINNERS: (0, 0)})

    assert weights_of(tallied, games_of(beginners=50, strong=0)) is None


def test_rates_of_all_are_the_mean_of_what_is_said_of_each_band() -> None:
    """Of 10 beginners 4 err, which habits make 0.3; of 30 strong players none, 0.06 are foreseen to."""
    tallied = replies(0, {BEGINNERS: (4, 6), STRONG: (0, 30)})
    tallied = tallied.assign(games_elsewhere=0, games_at_position_elsewhere=0)
    tallied.loc[(tallied["band"] == BEGINNERS) & (tallied["move"] == 1), "pick_rate"] = 0.3
    tallied = tallied[tallied["games"] > 0]
    foreseen = pd.DataFrame({"key": [5], "band": [STRONG], "move": [1], "pick_rate": [0.06]})

    found, unlikely = of_mistake(tallied, foreseen), of_mistake(tallied)

    assert found["pick_rate"] == pytest.approx((10 * 0.3 + 30 * 0.06) / 40)
    assert found["pick_rate_low"] < found["pick_rate"] < found["pick_rate_high"]
    assert unlikely["pick_rate"] == pytest.approx((10 * 0.3 + 30 * UNLIKELY * LIKELY) / 40)


def test_what_hardly_anybody_chooses_is_not_taken_to_be_likelier() -> None:
    """Of 1,000 beginners 2 err; strong players, who never did, are not foretold to err more often."""
    tallied = replies(0, {BEGINNERS: (2, 998), STRONG: (0, 1_000)})
    tallied = tallied.assign(games_elsewhere=0, games_at_position_elsewhere=0)

    found = of_mistake(tallied[tallied["games"] > 0])

    assert 0.001 <= found["pick_rate"] < 0.002


def test_more_games_tell_a_rate_more_exactly() -> None:
    """Of 100 times the games the interval is about a tenth as wide; it is not that of no games."""
    widths = []
    for games in (1, 100):
        tallied = replies(0, {BEGINNERS: (4 * games, 6 * games), STRONG: (3 * games, 7 * games)})
        tallied = tallied.assign(games_elsewhere=0, games_at_position_elsewhere=0)
        found = of_mistake(tallied)
        widths.append(found["pick_rate_high"] - found["pick_rate_low"])

    assert 0.05 < widths[1] / widths[0] < 0.2
    assert widths[1] == pytest.approx(2 * 1.645 * np.sqrt(0.35 * 0.65 / 2_000), rel=0.2)


def test_own_games_count_once_whatever_the_prior_is_made_of() -> None:
    """A position that the prior lacks: 20 beginners err, 20 strong players do not, and half of all may."""
    own = replies(0, {BEGINNERS: (20, 0), STRONG: (0, 20)})
    own = own.assign(games_elsewhere=0, games_at_position_elsewhere=0)
    weights = pd.Series({BEGINNERS: 9.0, STRONG: 0.0})  # of a prior of hardly any beginners

    found = pooled_rates(own[own["games"] > 0], NONE_FORESEEN, weights, confidence=0.9, correlation=0.0)

    assert found["pick_rate"].to_dict()[5, 1] == pytest.approx(0.5, abs=0.03)


def test_games_of_unequal_weights_are_worth_fewer() -> None:
    """Ten games that count nine times as much as ninety others are as good as some 18 equal ones a side."""
    rows = pd.DataFrame({"key": [5, 5], "band": [BEGINNERS, STRONG], "found": [5, 9], "games": [10, 90]})

    [told] = weighted(
        rows, pd.Series({BEGINNERS: 9.0, STRONG: 1.0}), ["key"], ["games", "found"], "games"
    ).to_dict("records")

    assert told["games"] == pytest.approx(180**2 / (81 * 10 + 90))  # 36
    assert told["found"] / told["games"] == pytest.approx((0.5 + 0.1) / 2)
