"""Partial pooling of pick rates: by hand, by properties, and on games drawn from known rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from miner import pooling, stats
from miner.arrays import Floats
from miner.pooling import TYPICAL, Pooled, ReplyCounts, Resemblance


def games_of(chosen: Floats, base: Floats | None = None) -> ReplyCounts:
    """Games, shape (positions, replies, bands), each by another player; the last band is `unrated`."""
    positions, replies, bands = chosen.shape
    return ReplyCounts(
        chosen.reshape(-1, bands).astype(np.float64),
        np.repeat(np.arange(positions), replies),
        np.ones((positions, bands)),
        None if base is None else base.reshape(-1, bands),
    )


def drawn(
    seed: int, *, positions: int, bands: int, games: int, alike: float, replies: int = 12
) -> tuple[Floats, Floats]:
    """Games drawn from known rates, which scatter by band about the position's own, and those rates.

    Shapes (positions, replies, bands); the unrated have none.
    """
    random = np.random.default_rng(seed)
    shared = random.dirichlet(np.full(replies, 0.15), size=positions)
    rates = np.zeros((positions, replies, bands))
    chosen = np.zeros((positions, replies, bands + 1))
    for place in range(positions):
        for band in range(bands):
            rates[place, :, band] = random.dirichlet(np.maximum(shared[place] * alike, 1e-3))
            chosen[place, :, band] = random.multinomial(games, rates[place, :, band])
    return chosen, rates


def bounds(pooled: Pooled) -> tuple[Floats, Floats]:
    """Intervals of 90 %."""
    shape = (pooled.successes.astype(np.float64), pooled.failures.astype(np.float64))
    return stats.beta_interval(*shape, confidence=0.9)


def fitted(chosen: Floats) -> Pooled:
    games = games_of(chosen)
    return pooling.pool(games, pooling.fit_resemblance(games))


def test_one_band_alone_by_hand() -> None:
    """3 of 4 games with nothing to lean on: what the common and own variance leave open is worth 2 games."""
    resemblance = Resemblance(common=0.4, own=0.1, discount=0.25)

    pooled = pooling.pool(games_of(np.array([[[3.0, 0.0], [1.0, 0.0]]])), resemblance)

    assert pooled.successes[:, 0] == pytest.approx([2.75, 0.75])
    assert (pooled.successes + pooled.failures)[:, 0] == pytest.approx([6.0, 6.0])


def test_two_bands_by_hand() -> None:
    """The other band's 20 games predict this one's rate as simple kriging has it."""
    common, own, near = 0.5, 0.1, 0.6
    resemblance = Resemblance(common=common, own=own, nearness=near)

    weights, strength = pooling.lean(np.array([[0.0, 20.0, 0.0]]), resemblance)

    share = (common + own * near) / (common + own + 1 / 20)
    left = common + own - share * (common + own * near)
    assert strength[0, 0] == pytest.approx(1 / left, rel=1e-5)
    assert weights[0, 0, 1] * 20 == pytest.approx(share / left, rel=1e-5)


def test_nearer_bands_say_more() -> None:
    """Of two bands with as many games the nearer one has the greater weight."""
    weights, _ = pooling.lean(np.array([[0.0, 30.0, 0.0, 30.0, 0.0]]), TYPICAL)

    assert weights[0, 0, 1] > weights[0, 0, 3] > 0.0


def test_a_band_does_not_lean_on_itself() -> None:
    """Its own games are no part of its prior, nor are bands without games."""
    weights, _ = pooling.lean(np.array([[5.0, 0.0, 7.0]]), TYPICAL)

    assert not weights[0, [0, 1, 2], [0, 1, 2]].any()
    assert not weights[0, :, 1].any()


ALONE = Resemblance(common=0.4, own=0.1, discount=0.25)
"""A band with nothing to lean on knows as much beforehand as 2 games tell."""


def evidence_of(games: list[float], *, worth: float = 1.0, base: list[float] | None = None) -> float:
    """The likelihood of one band's games with each reply of one position."""
    chosen = np.array([[games]]).reshape(1, -1, 1) * np.array([1.0, 0.0])
    rates = None if base is None else np.array(base).reshape(1, -1, 1) * np.ones(2)
    counted = replace(games_of(chosen, rates), worth=np.full((1, 2), worth))
    return float(np.exp(pooling.log_evidence(counted, ALONE)))


def test_likelihood_by_hand() -> None:
    """The first reply is new for certain; the same again: 0.75 of 3 games; another one: 2.25 of 4."""
    assert evidence_of([1]) == pytest.approx(1.0)
    assert evidence_of([2]) == pytest.approx(0.75 / 3)
    assert evidence_of([2, 1]) == pytest.approx(0.75 / 3 * 2.25 / 4)


def test_likelihood_of_games_of_less_worth() -> None:
    """Four games of half the worth are 2 games: 0.375, 2 and 2.125, half the discount off, of 2 and 3."""
    assert evidence_of([3, 1], worth=0.5) == pytest.approx(0.375 * 2 * 2.125 / (2 * 3))


def test_likelihood_given_an_earlier_database() -> None:
    """Two games with a reply of rate 0.5: 1 of 2, then 2 of 3; one with a new reply: the other 0.6 of 4."""
    assert evidence_of([2, 0, 0], base=[0.5, 0.2, 0.0]) == pytest.approx(1 / 2 * 2 / 3)
    assert evidence_of([2, 0, 1], base=[0.5, 0.2, 0.0]) == pytest.approx(1 / 2 * 2 / 3 * 0.6 / 4)


def test_three_of_four_is_not_three_quarters() -> None:
    """A reply seen 3 times in 4 games, where the neighbours choose it in 1 of 10, is no 75 % reply."""
    few = [[3, 100, 100, 0], [1, 900, 900, 0]]
    others = [[[10, 95, 100, 0], [90, 905, 900, 0]] for _ in range(20)]

    rates = fitted(np.array([few, *others], dtype=np.float64)).mean

    assert 0.1 < rates[0, 0] < 0.3


def test_many_games_speak_for_themselves() -> None:
    """Without games of other bands a band's own share is nearly the rate."""
    rates = fitted(np.array([[[300.0, 0, 0], [700.0, 0, 0]]])).mean

    assert rates[0, 0] == pytest.approx(0.3, abs=0.003)


@given(st.lists(st.integers(0, 40), min_size=12, max_size=12).filter(any), st.floats(0.05, 0.9))
def test_rates_leave_room_for_replies_not_seen(games: list[int], discount: float) -> None:
    """The rates of the replies seen add up to less than 1, in each band, and none is nothing."""
    chosen = np.array(games, dtype=np.float64).reshape(1, 3, 4)

    pooled = pooling.pool(games_of(chosen), replace(TYPICAL, discount=discount))

    assert (pooled.mean > 0.0).all()
    assert (pooled.mean.sum(axis=0) <= 1.0 + 1e-5).all()


@given(st.integers(1, 30), st.integers(1, 30), st.integers(0, 30))
def test_more_games_with_a_reply_raise_its_rate(own: int, rest: int, there: int) -> None:
    """One game more with a reply, its position's games being as many: no lower rate."""
    less = np.array([[[own, there, 0], [rest, 20, 0]]], dtype=np.float64)
    more = np.array([[[own + 1, there, 0], [rest - 1, 20, 0]]], dtype=np.float64)

    before, after = (pooling.pool(games_of(one), TYPICAL).mean[0, 0] for one in (less, more))

    assert after > before


def test_agreement_makes_the_prior_strong() -> None:
    """Where bands agree their own variance comes out small, where they differ large."""
    alike, _ = drawn(1, positions=200, bands=5, games=60, alike=1_000.0)
    different, _ = drawn(2, positions=200, bands=5, games=60, alike=3.0)

    small, large = (pooling.fit_resemblance(games_of(chosen)) for chosen in (alike, different))

    assert small.own < 0.02
    assert large.own > 0.1


def test_resemblance_falls_with_distance_where_it_does() -> None:
    """Rates that drift from band to band make near bands worth more than rates that scatter."""
    random = np.random.default_rng(4)
    steps = random.normal(0.0, 0.4, size=(300, 6)).cumsum(axis=1)
    scatter = random.normal(0.0, 0.8, size=(300, 6))

    nearness = []
    for logits in (steps, scatter):
        first = random.binomial(80, 1.0 / (1.0 + np.exp(-logits)))
        chosen = np.zeros((300, 2, 7))
        chosen[:, 0, :-1], chosen[:, 1, :-1] = first, 80 - first
        nearness.append(pooling.fit_resemblance(games_of(chosen)).nearness)

    assert nearness[0] > nearness[1] + 0.2


@pytest.mark.parametrize("alike", [5.0, 30.0, 300.0])
def test_intervals_hold_what_they_promise(alike: float) -> None:
    """Of intervals of 90 % about nine in ten hold the true rate, however much the bands differ.

    Some fewer do where bands are all but alike: how they resemble each other can then hardly be told.
    """
    chosen, true = drawn(7, positions=300, bands=6, games=25, alike=alike)
    pooled = fitted(chosen)

    low, high = bounds(pooled)

    rates = true.reshape(-1, 6)
    seen = chosen.reshape(-1, 7)[:, :-1] > 0
    held = ((low[:, :-1] <= rates) & (rates <= high[:, :-1]))[seen]
    assert 0.85 <= held.mean() <= 0.93


def test_pooling_is_nearer_the_truth_than_shares() -> None:
    """With few games per band the pooled rates err less than plain shares and than all bands together."""
    chosen, true = drawn(3, positions=300, bands=6, games=8, alike=20.0)
    rates = true.reshape(-1, 6)

    pooled = fitted(chosen).mean[:, :-1]
    shares = chosen.reshape(-1, 7)[:, :-1] / 8
    together = shares.mean(axis=1, keepdims=True)

    error = np.abs(pooled - rates).mean()
    assert error < 0.85 * np.abs(shares - rates).mean()
    assert error < 0.95 * np.abs(together - rates).mean()


def clubs(seed: int) -> ReplyCounts:
    """Drawn games of several each by the same players, so that one counts for less."""
    chosen, _ = drawn(seed, positions=60, bands=4, games=40, alike=8.0)
    games = games_of(chosen)
    worth = np.random.default_rng(seed).uniform(0.1, 1.0, games.worth.shape)
    return replace(games, worth=worth)


def test_order_of_the_positions_makes_no_difference() -> None:
    """Sums that are rounded otherwise, as by another version of what reckons, give the same resemblance."""
    games = clubs(21)
    there = np.random.default_rng(5).permutation(len(games.worth))
    rows = np.argsort(there[games.position], kind="stable")

    again = ReplyCounts(games.chosen[rows], there[games.position][rows], games.worth[np.argsort(there)])

    assert pooling.fit_resemblance(again) == pooling.fit_resemblance(games)


@pytest.mark.parametrize("name", ["common", "own", "nearness", "unrated", "discount"])
def test_no_resemblance_is_likelier_than_the_fitted_one(name: str) -> None:
    """One per cent more or less of anything is less likely, what is known beforehand included."""
    games = clubs(21)
    fitted = pooling.fit_resemblance(games)

    def likeliness(resemblance: Resemblance) -> float:
        away = [
            np.log(resemblance.common / TYPICAL.common) / 1.5,
            np.log(resemblance.own / TYPICAL.own) / 1.5,
            (special.logit(resemblance.nearness) - special.logit(TYPICAL.nearness)) / 1.5,
            np.log(resemblance.unrated / TYPICAL.unrated) / 1.5,
            special.logit(resemblance.discount) - special.logit(TYPICAL.discount),
        ]
        return pooling.log_evidence(games, resemblance) - 0.5 * float(np.square(away).sum())

    value = getattr(fitted, name)
    most = likeliness(fitted)
    assert likeliness(replace(fitted, **{name: 1.01 * value})) < most
    assert likeliness(replace(fitted, **{name: 0.99 * value})) < most


def test_a_discount_never_takes_all_games_of_a_reply() -> None:
    """However little a game is worth: the evidence bends, and never breaks, where the discount passes it."""
    games = replace(games_of(np.array([[[1.0, 3.0, 0.0], [2.0, 1.0, 0.0]]])), worth=np.full((1, 3), 0.2))

    before, at, after = (
        pooling.log_evidence(games, replace(TYPICAL, discount=discount)) for discount in (0.19, 0.2, 0.21)
    )

    assert at == pytest.approx((before + after) / 2.0, abs=1e-3)


def test_parts_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pooled in parts of whole positions the rates are the same."""
    games = games_of(drawn(5, positions=40, bands=3, games=12, alike=10.0)[0])
    whole = pooling.pool(games, TYPICAL)

    monkeypatch.setattr(pooling, "_REPLIES_AT_ONCE", 7)
    parts = pooling.pool(games, TYPICAL)

    assert np.array_equal(whole.successes, parts.successes)
    assert np.array_equal(whole.failures, parts.failures)


def test_no_games_at_all() -> None:
    """Nothing in, nothing out."""
    games = ReplyCounts(np.zeros((0, 3)), np.zeros(0, dtype=np.int64), np.zeros((0, 3)))

    assert pooling.fit_resemblance(games) == TYPICAL
    assert pooling.pool(games, TYPICAL).mean.shape == (0, 3)


def test_an_earlier_database_fills_in() -> None:
    """A club with 2 games follows the earlier rates, one with 2,000 its own."""
    base = np.tile(np.array([[[0.7], [0.2]]]), (1, 1, 2))
    few, many = ([[[0.0, 0], [2.0, 0]]], [[[0.0, 0], [2_000.0, 0]]])

    rates = [pooling.pool(games_of(np.array(one), base), TYPICAL).mean[0, 0] for one in (few, many)]

    assert rates[0] > 0.3
    assert rates[1] < 0.01


def test_departure_from_the_earlier_database_is_learnt() -> None:
    """Games drawn from the earlier rates make it count for more than games of other rates do."""
    random = np.random.default_rng(8)
    shares = random.dirichlet(np.ones(4), size=400)
    base = np.repeat(shares[:, :, None], 2, axis=2) * 0.98
    alike, other = np.zeros((400, 4, 2)), np.zeros((400, 4, 2))
    for place in range(400):
        alike[place, :, 0] = random.multinomial(8, shares[place])
        other[place, :, 0] = random.multinomial(8, random.dirichlet(np.ones(4)))

    near, far = (pooling.fit_resemblance(games_of(chosen, base)) for chosen in (alike, other))

    assert near.common + near.own < 0.05
    assert far.common + far.own > 0.15


def test_one_way_of_their_own_does_not_discredit_the_earlier_database() -> None:
    """A club that never enters the main line it was not taught may still err elsewhere as others do."""
    random = np.random.default_rng(1)
    rates = np.stack([random.dirichlet(np.full(4, 1.5), size=31) * 0.95] * 2, axis=2)
    rates[30, :, :] = np.array([0.83, 0.1, 0.03, 0.01])[:, None]
    chosen = np.zeros((31, 4, 2))
    for place in range(30):
        chosen[place, :, 0] = random.multinomial(4, rates[place, :, 0] / rates[place, :, 0].sum())
    chosen[30, :, 0] = [2, 600, 0, 0]
    games = games_of(chosen, rates)

    pooled, about_the_earlier, _ = pooling.pool_apart(games)

    assert np.flatnonzero(pooling.goes_its_own_way(games)).tolist() == [30]
    assert about_the_earlier.common + about_the_earlier.own < 0.1  # worth ten games and more; with it, one
    assert pooled.mean[30 * 4, 0] == pytest.approx(2 / 602, abs=0.003)
    assert not pooling.goes_its_own_way(games_of(chosen)).any()  # from nothing nobody departs


def test_one_player_s_games_agree() -> None:
    """Players who always play the same have a correlation of 1, players who toss a coin one near 0."""
    random = np.random.default_rng(9)
    positions, players, each = 200, 6, 4
    habits = random.integers(0, 2, size=(positions, players)) * each
    coins = random.binomial(each, 0.5, size=(positions, players))

    correlations = []
    for first in (habits, coins):
        by_reply = np.stack([first, each - first], axis=1).reshape(-1, players).astype(np.float64)
        there = np.full(positions, float(players * each**2))
        cell = np.repeat(np.arange(positions), 2)
        correlations.append(
            pooling.intra_player_correlation(by_reply.sum(axis=1), (by_reply**2).sum(axis=1), cell, there)
        )

    assert correlations[0] == pytest.approx(1.0)
    assert correlations[1] == pytest.approx(0.0, abs=0.05)


def test_without_players_met_twice_games_are_independent() -> None:
    """One game per player: nothing is known of habits, and each game counts whole."""
    chosen, cell = np.array([3.0, 2.0]), np.zeros(2, dtype=np.int64)

    correlation = pooling.intra_player_correlation(chosen, chosen, cell, np.array([5.0]))
    worth = pooling.worth_of_games(np.array([[5.0]]), np.array([[5.0]]), correlation)

    assert correlation == 0.0
    assert worth.tolist() == [[1.0]]


def test_worth_by_hand() -> None:
    """Four games of one player who never varies are one game; of two players with half a habit each, more."""
    played, squared = np.array([[4.0, 4.0, 0.0]]), np.array([[16.0, 8.0, 0.0]])

    always = pooling.worth_of_games(played, squared, 1.0)
    half = pooling.worth_of_games(played, squared, 0.5)

    assert always[0].tolist() == [0.25, 0.5, 1.0]
    assert half[0] == pytest.approx([0.4, 1 / 1.5, 1.0])


def test_habits_widen_intervals() -> None:
    """The same games by fewer players say less."""
    chosen = np.array([[30.0, 0.0], [70.0, 0.0]])
    place = np.zeros(2, dtype=np.int64)

    spreads = []
    for worth in (1.0, 0.25):
        pooled = pooling.pool(ReplyCounts(chosen, place, np.full((1, 2), worth)), TYPICAL)
        low, high = bounds(pooled)
        spreads.append((high - low)[0, 0])

    assert spreads[1] > 1.7 * spreads[0]


def test_chief_replies_of_few_games_are_less_sure() -> None:
    """The rates stay as they are; an interval is the wider, the more of a high rate comes from the others."""
    chosen = np.array([[[0.0, 1.0, 0.0], [9.0, 0.0, 0.0], [1.0, 0.0, 0.0]]])
    plain, wider = (pooling.pool(games_of(chosen), TYPICAL, wider=wider) for wider in (0.0, 0.9))

    before, after = ((one.successes + one.failures)[:, :2] for one in (plain, wider))
    assert wider.mean == pytest.approx(plain.mean)
    lost = 1.0 - after / before
    assert lost[1, 1] > lost[1, 0] > 0.0  # of a band of one game, of one of ten
    assert lost[1, 1] > lost[2, 1]  # of the others' chief reply, of their rare one
