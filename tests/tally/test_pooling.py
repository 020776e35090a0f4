"""Pick rates that lean on the neighbouring bands as far as the data warrant."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from miner import stats
from miner.tally import pooling
from miner.tally.pooling import Choices, Rates, pool, spread

Ints = npt.NDArray[np.int64]


def choices_of(chosen: Ints) -> Choices:
    """Choices from games, shape (positions, replies, bands), the last band being `unrated`."""
    positions, replies, bands = chosen.shape
    return Choices(
        keys=np.repeat(np.arange(positions, dtype=np.uint64), replies),
        moves=np.tile(np.arange(replies, dtype=np.uint16), positions),
        chosen=chosen.reshape(-1, bands).astype(np.uint32),
        place=np.repeat(np.arange(positions), replies),
        played=chosen.sum(axis=1).astype(np.uint32),
        choices=np.full(positions, replies, dtype=np.int64),
        row=np.arange(0),
        band=np.arange(0, dtype=np.uint8),
    )


def rates_of(chosen: Ints) -> Rates:
    return pool(choices_of(chosen))


def means(rates: Rates) -> npt.NDArray[np.float64]:
    """The pooled pick rates, shape (replies, bands)."""
    columns = [rates.of_band(band) for band in range(rates.choices.chosen.shape[1])]
    return np.stack([successes / (successes + failures) for successes, failures in columns], axis=1)


def simulated(
    seed: int, *, positions: int, bands: int, games: int, concentration: float
) -> tuple[Ints, npt.NDArray[np.float64]]:
    """Games of two replies, and their true rates, which scatter about the position's own by band."""
    random = np.random.default_rng(seed)
    base = random.uniform(0.1, 0.9, size=(positions, 1))
    true = random.beta(base * concentration, (1 - base) * concentration, size=(positions, bands))
    first = random.binomial(games, true)
    unrated = np.zeros((positions, 1), dtype=np.int64)
    first = np.concatenate([first, unrated], axis=1)
    second = np.concatenate([games - first[:, :-1], unrated], axis=1)
    return np.stack([first, second], axis=1).astype(np.int64), true


def test_counts_are_spread_over_bands() -> None:
    """Rows by key, move and band become rows by reply, with a column for each band."""
    counted = pa.table(
        {
            "key": pa.array([5, 5, 5, 9], pa.uint64()),
            "move": pa.array([1, 1, 2, 1], pa.uint16()),
            "band": pa.array([0, 2, 2, 1], pa.uint8()),
            "games": pa.array([4, 6, 3, 7], pa.int64()),
        }
    )

    choices = spread(counted, bands=3)

    assert choices.keys.tolist() == [5, 5, 9]
    assert choices.chosen.tolist() == [[4, 0, 6], [0, 0, 3], [0, 7, 0]]
    assert choices.played.tolist() == [[4, 0, 9], [0, 7, 0]]
    assert choices.place.tolist() == [0, 0, 1]
    assert choices.choices.tolist() == [2, 1]
    assert choices.row.tolist() == [0, 0, 1, 2]


def test_three_of_four_is_not_three_quarters() -> None:
    """A reply seen 3 times in 4 games, where the neighbours choose it in 1 of 10, is no 75 % reply."""
    few = [[3, 100, 100, 0], [1, 900, 900, 0]]
    others = [[[10, 95, 100, 0], [90, 905, 900, 0]] for _ in range(20)]

    rates = rates_of(np.array([few, *others]))

    assert 0.1 < means(rates)[0, 0] < 0.3


def test_many_games_speak_for_themselves() -> None:
    """Without games of other bands a band's own share is nearly the rate."""
    rates = rates_of(np.array([[[300, 0, 0], [700, 0, 0]]]))

    assert means(rates)[0, 0] == pytest.approx(0.3, abs=0.001)


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60), st.integers(1, 60))
def test_rate_lies_between_own_share_and_the_others(own: int, rest: int, there: int, rest_there: int) -> None:
    """The pooled rate is a mean of the band's own share and what the other bands say."""
    chosen = np.array([[[own, there, 0], [rest, rest_there, 0]]])

    mean, _ = stats.pooled_priors(chosen[0], np.tile(chosen[0].sum(axis=0), (2, 1)), np.array([2, 2]))
    rate = means(rates_of(chosen))[0, 0]

    others = mean[0, 0]
    share = own / (own + rest) if own + rest else others
    low, high = sorted((share, others))
    assert low - 1e-12 <= rate <= high + 1e-12


@given(st.lists(st.integers(0, 40), min_size=9, max_size=9).filter(any))
def test_rates_at_a_position_leave_room_for_replies_not_seen(games: list[int]) -> None:
    """The rates of the replies seen add up to no more than 1, in each band."""
    rates = means(rates_of(np.array(games).reshape(1, 3, 3)))

    assert (rates > 0.0).all()
    assert (rates.sum(axis=0) <= 1.0 + 1e-12).all()


def test_nearer_bands_say_more() -> None:
    """A band without games follows its neighbour rather than the band at the far end."""
    chosen = np.array([[[0, 50, 0, 0, 0, 0], [0, 50, 0, 0, 100, 0]]])

    rates = means(rates_of(chosen))

    assert rates[0, 0] > rates[0, 3]


def test_agreement_makes_the_prior_strong() -> None:
    """The likeliest concentration is high where bands agree, low where they differ."""
    alike, _ = simulated(1, positions=200, bands=5, games=60, concentration=1_000.0)
    different, _ = simulated(2, positions=200, bands=5, games=60, concentration=3.0)

    strong, weak = rates_of(alike).concentration, rates_of(different).concentration

    assert strong > 100.0
    assert weak < 10.0


def test_one_band_alone_has_nothing_to_agree_with() -> None:
    """Without games of other bands the prior counts for one game."""
    assert rates_of(np.array([[[5, 0], [3, 0]]])).concentration == 1.0


@pytest.mark.parametrize("concentration", [5.0, 30.0, 300.0])
def test_intervals_hold_what_they_promise(concentration: float) -> None:
    """Of intervals of 90 % about nine in ten hold the true rate, however much the bands differ.

    Where bands are all but alike some more do: a prior is never taken for stronger than its games.
    """
    chosen, true = simulated(7, positions=400, bands=6, games=25, concentration=concentration)
    rates = rates_of(chosen)

    bounds = [stats.beta_interval(*rates.of_band(band), confidence=0.9) for band in range(true.shape[1])]

    low, high = np.moveaxis(np.array(bounds)[:, :, ::2], 0, 2)
    held = (low <= true) & (true <= high)
    assert 0.86 <= held.mean() <= 0.96


def test_pooling_is_nearer_the_truth_than_shares() -> None:
    """With few games per band the pooled rates err less than the plain shares do."""
    chosen, true = simulated(3, positions=300, bands=6, games=8, concentration=40.0)

    pooled = means(rates_of(chosen))[::2, :-1]
    shares = chosen[:, 0, :-1] / 8

    assert np.abs(pooled - true).mean() < 0.8 * np.abs(shares - true).mean()


def test_rates_do_not_depend_on_how_many_are_worked_out_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reply by reply or all at once, rates and concentration are the same to the last bit."""
    chosen, _ = simulated(3, positions=50, bands=4, games=20, concentration=10.0)
    at_once = rates_of(chosen)
    rates_at_once = means(at_once)

    monkeypatch.setattr(pooling, "_BLOCK", 7)
    in_parts = rates_of(chosen)

    assert in_parts.concentration == at_once.concentration
    assert (means(in_parts) == rates_at_once).all()


def test_rows_of_the_counted_table_have_the_rates_of_their_cells() -> None:
    """Row by row, by reply and band, and only where games are."""
    counted = pa.table(
        {
            "key": pa.array([5, 5, 5, 9], pa.uint64()),
            "move": pa.array([1, 1, 2, 1], pa.uint16()),
            "band": pa.array([0, 2, 2, 1], pa.uint8()),
            "games": pa.array([4, 6, 3, 7], pa.int64()),
        }
    )
    rates = pool(spread(counted, bands=3))

    successes, failures = rates.of_rows()

    cells = [means(rates)[cell] for cell in ((0, 0), (0, 2), (1, 2), (2, 1))]
    assert (successes / (successes + failures)).tolist() == cells
