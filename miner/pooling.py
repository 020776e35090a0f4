"""Pick rates by partial pooling: each band leans on the bands beside it and on all together.

How much is for the data to say. A band's distribution over the replies of a position is taken to scatter
about one that all bands share (`Resemblance.common`) and to resemble its neighbours' (`own`, `nearness`). The
best linear prediction of a band from the games of the others is then a weighted mean of their shares, the
weights the same for every reply, with a known error; that error says how many games the prediction counts
for. Prediction and own games together give a Dirichlet distribution with a discount: a reply is worth a
little less than the games it was seen in; what is taken off belongs to replies that nobody has played yet.

Sources (from memory): H. Bühlmann, E. Straub, Mitt. Ver. Schweiz. Vers.-Math. 70 (1970) 111-133, for
credibility, that is weights from the variance within and between groups; O. Dubrule, Math. Geology 15 (1983)
687-699, for all leave-one-out predictions from one inverse; J. Pitman, Some developments of the
Blackwell-MacQueen urn scheme (1996), and Y. W. Teh, Proc. ACL (2006) 985-992, for the discount and its
hierarchy; J. Besag, The Statistician 24 (1975) 179-195, for fitting by the product of each band's likelihood
given the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import astuple, dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy import special

from miner import stats
from miner.arrays import Floats, Ints, begins_run

Numbers = npt.NDArray[np.int64] | npt.NDArray[np.uint32] | npt.NDArray[np.float32] | Floats
Kept = npt.NDArray[np.float32]

REPLIES_FITTED = 6_000
"""Replies that the resemblance is fitted to, in evenly chosen positions; more hardly change it."""

WIDER = 0.9
"""What the interval of a reply that all are expected to choose goes without of its prior, of a rarer one in
proportion to its rate.

A Dirichlet distribution lets all replies of a position scatter alike. But chief replies of positions that few
games reach scatter more: of 90% intervals of rates from 0.6 on 79 to 90% held in stores of 300 to 3,000 rated
games, with this 89 to 90%. Whether the weight goes by how open a position is (the entropy of what habits make
expect) made no difference: the likelihood of the games wants no such slope.
"""
_REPLIES_AT_ONCE = 50_000
_NO_GAMES = 1e-8  # stands for none where a variance per game is wanted
_VAGUE = np.array([1.5, 1.5, 1.5, 1.5, 1.0])
"""Standard deviations of what is known beforehand: logarithms of the variances, of the odds of the shares."""
_ROUNDS = 50  # ten are usual
_DIFFERENCE = 0.01  # of such logarithms: smaller ones drown in the rounding of sums over many games
_STILL = 1e-6
_LEAST_BEND = 0.1  # less than what is known beforehand has by itself


@dataclass(frozen=True)
class ReplyCounts:
    """Games with every reply of many positions in every band, the last band being `unrated`."""

    chosen: Numbers  # (replies, bands): games with the reply
    position: Ints  # (replies,): number of its position, from 0, rising
    worth: Floats  # (positions, bands): independent games that one game counts for, at most 1
    base: Numbers | None = None  # (replies, bands): pick rates that are expected beforehand; 0: none
    known: npt.NDArray[np.bool_] | None = None  # (positions,): see `pool_apart`; None: where there is a base

    @cached_property
    def played(self) -> Floats:
        """Games at each position, (positions, bands)."""
        return _by_position(self.chosen, self.position, len(self.worth))

    @cached_property
    def worth_of_reply(self) -> Floats:
        """The worth of a game with each reply, (replies, bands)."""
        return self.worth[self.position]

    @cached_property
    def effective(self) -> Floats:
        """Independent games with each reply, (replies, bands)."""
        return np.asarray(self.chosen * self.worth_of_reply)

    @property
    def knows_base(self) -> npt.NDArray[np.bool_]:
        """For each position, whether an earlier database knows it."""
        if self.known is not None:
            return self.known
        if self.base is None:
            return np.zeros(len(self.worth), dtype=np.bool_)
        return np.asarray(_by_position(self.base, self.position, len(self.worth)).any(axis=1))

    def at(self, positions: npt.NDArray[np.bool_]) -> ReplyCounts:
        """Some of the positions alone."""
        rows = positions[self.position]
        return ReplyCounts(
            self.chosen[rows],
            (np.cumsum(positions) - 1)[self.position[rows]],
            self.worth[positions],
            None if self.base is None else self.base[rows],
            None if self.known is None else self.known[positions],
        )

    def of_bands(self, bands: npt.NDArray[np.bool_]) -> ReplyCounts:
        """Some of the bands alone."""
        return ReplyCounts(
            self.chosen[:, bands],
            self.position,
            self.worth[:, bands],
            None if self.base is None else self.base[:, bands],
            self.known,
        )


@dataclass(frozen=True, slots=True)
class Resemblance:
    """How much bands differ. Variances are in units of one game's own: 0.1 is what 10 games leave open."""

    common: float = 0.5  # of what all bands share, about nothing known (or about the earlier database)
    own: float = 0.03  # of a rated band about that
    nearness: float = 0.7  # how much of its own a band shares with the next one: 1 all, 0 nothing
    unrated: float = 0.03  # of the unrated about what all bands share
    discount: float = 0.1  # games taken off each reply

    def covariance(self, bands: int) -> Floats:
        """Between the bands' rates, shape (bands, bands)."""
        place = np.arange(bands - 1)
        between = np.zeros((bands, bands))
        between[:-1, :-1] = self.own * self.nearness ** np.abs(np.subtract.outer(place, place))
        between[-1, -1] = self.unrated
        return np.asarray(between + self.common)


TYPICAL = Resemblance()
TYPICAL_BEFORE_OTHERS = replace(TYPICAL, common=0.02)
"""The same about an earlier database. Measured: 0.009 of 300 games of 771 players before 8,283 of others."""

_OWN_WAY = 2.0  # variance about the earlier database where its rates are no guide: half a game's worth
_FAR_LIKELIER = 100.0
_NEVER = 1e-3  # stands for the rate of a reply that nothing is expected of


@dataclass(frozen=True, slots=True)
class Pooled:
    """Beta distributions of the pick rates, (replies, bands); many, hence in single precision."""

    successes: Kept
    failures: Kept
    spare: Kept  # (positions, bands): what is left of each, to be shared out as is expected beforehand

    @property
    def mean(self) -> Kept:
        """The pooled pick rates."""
        return self.successes / (self.successes + self.failures)


def intra_player_correlation(chosen: Numbers, squared: Numbers, cell: Ints, squared_there: Numbers) -> float:
    """How much likelier than two players' games two games of one player have the same reply: 0 no, 1 always.

    One entry per reply and band that has games: `chosen`, its games, `squared`, each player's games squared
    and added up, and `cell`, the number of its position and band; `squared_there` (cells,) has the squares of
    all games of the cell. The agreement of pairs of one player's games is compared with that of pairs of
    different players' games, cell by cell and over all; without such pairs: 0.
    Source: the pair estimator of a common correlation, M. Ridout, C. Demétrio, D. Firth, Biometrics 55 (1999)
    137-148 (from memory), here with chance agreement cell by cell.
    """
    games, own = chosen.astype(np.float64), squared.astype(np.float64)

    def of_cells(values: Floats) -> Floats:
        return np.bincount(cell, values, minlength=len(squared_there)).astype(np.float64)

    played = of_cells(games)
    same, other = squared_there - played, played * played - squared_there
    known = (same > 0) & (other > 0)
    by_chance = of_cells(games * games - own)[known] / other[known]
    room = float(np.sum(same[known] * (1.0 - by_chance)))
    if room <= 0.0:
        return 0.0
    return float(np.clip(np.sum(of_cells(own - games)[known] - same[known] * by_chance) / room, 0.0, 1.0))


def worth_of_games(played: Numbers, squared: Numbers, correlation: float) -> Floats:
    """Independent games that one game counts for, in each cell: 1 / (1 + (m - 1) correlation).

    m is the number of games that the player of a game has there, on average over games: `squared` (each
    player's games squared and added up) / `played`. Cells without games: 1.
    Source: L. Kish, Survey Sampling (1965), design effect of clusters (from memory).
    """
    own = np.divide(squared, played, out=np.ones(played.shape), where=played > 0)
    return np.asarray(1.0 / (1.0 + np.maximum(own - 1.0, 0.0) * correlation))


def share_of_players(
    count: Floats, of: Floats, squared: Numbers, correlation: float, *, confidence: float
) -> tuple[Floats, Floats, Floats]:
    """The shares `count` / `of` (0 where there are no games) with bounds in which players are the unit.

    `squared`: each player's games among `of`, squared and added up; see `worth_of_games`. The share itself
    always lies within its bounds.
    """
    worth = worth_of_games(of, squared, correlation)
    low, high = stats.share_interval(count * worth, of * worth, confidence=confidence)
    share = np.divide(count, of, out=np.zeros_like(count), where=of > 0)
    return share, np.minimum(low, share), np.maximum(high, share)


def lean(games: Floats, resemblance: Resemblance) -> tuple[Floats, Floats]:
    """How much each band leans on the games of the others at each position.

    `games` (positions, bands) counts independent games. Gives the weight of each other band's game, in games
    of this band's prior, shape (positions, this band, other band); and how many games that prior counts for
    in all, (positions, bands). Its weights add up to less: the rest is for what is not known.
    """
    positions, bands = games.shape
    diagonal = np.arange(bands)
    per_game = 1.0 / np.maximum(games, _NO_GAMES)
    covariance = np.broadcast_to(resemblance.covariance(bands), (positions, bands, bands)).copy()
    covariance[:, diagonal, diagonal] += per_game
    inverse = np.linalg.inv(covariance)
    own = inverse[:, diagonal, diagonal]
    strength = 1.0 / np.maximum(1.0 / own - per_game, 1e-9)
    # A band behind a nearer one may get a weight just below 0, by which shares would, too.
    weights = np.maximum(-inverse / own[:, :, None], 0.0)
    weights[:, diagonal, diagonal] = 0.0
    weights /= np.maximum(weights.sum(axis=2, keepdims=True), 1.0)
    weights *= np.where(games > 0.0, per_game, 0.0)[:, None, :]
    return weights * strength[:, :, None], strength


@dataclass(frozen=True, slots=True)
class _Leaning:
    """A band's prior by the other bands, (replies, bands) but for the last two, (positions, bands)."""

    games: Floats  # that each reply brings along from the other bands
    squared: Floats  # the same with each game's weight squared, for the discount
    strength: Floats
    left: Floats  # of the strength, after the discounted replies


def _leaning(counted: ReplyCounts, resemblance: Resemblance) -> _Leaning:
    weights, strength = lean(counted.played * counted.worth, resemblance)
    effective = counted.effective[:, :, None]
    each = weights[counted.position]
    games = np.matmul(each, effective)[:, :, 0]
    # A game that is worth less weighs less, else a discount may take off all games of a reply.
    squared = np.matmul(each * each, effective * counted.worth_of_reply[:, :, None])[:, :, 0]
    kept = _discounted(games, squared, resemblance.discount)
    left = strength - _by_position(kept, counted.position, len(strength))
    return _Leaning(games, squared, strength, np.maximum(left, 1e-9))


def _discounted(games: Floats, squared: Floats, discount: float) -> Floats:
    """Games less the discount, in games of the weight that this reply's games have on average."""
    typical = np.divide(squared, games, out=np.zeros_like(games), where=games > 0)
    return np.maximum(games - discount * typical, 0.0)


def log_evidence(counted: ReplyCounts, resemblance: Resemblance) -> float:
    """Logarithm of the likelihood of each band's games given the other bands', added up.

    Per position and band it is that of a Dirichlet-multinomial distribution with a discount, in which replies
    that no other band has played come as new ones. Effective games stand for games.
    """
    prior = _leaning(counted, resemblance)
    alpha = _discounted(prior.games, prior.squared, resemblance.discount)
    unseen = np.ones_like(prior.left)
    if counted.base is not None:
        alpha = alpha + prior.left[counted.position] * counted.base
        unseen = 1.0 - _by_position(counted.base, counted.position, len(prior.left))
    worth, effective = counted.worth_of_reply, counted.effective
    chosen = counted.chosen > 0
    known, new = chosen & (alpha > 0), chosen & (alpha <= 0)
    discount = resemblance.discount * counted.worth
    off = discount[counted.position][new]
    rest = np.maximum(prior.left * unseen, 1e-9) / discount
    kinds = _by_position(new.astype(np.float64), counted.position, len(prior.left))
    games = counted.played * counted.worth
    return float(
        np.sum(special.gammaln(effective[known] + alpha[known]) - special.gammaln(alpha[known]))
        + np.sum(special.gammaln(effective[new] - off) - special.gammaln(worth[new] - off))
        + np.sum(special.gammaln(rest + kinds) - special.gammaln(rest) + kinds * np.log(discount))
        - np.sum(special.gammaln(prior.strength + games) - special.gammaln(prior.strength))
    )


def fit_resemblance(counted: ReplyCounts, typical: Resemblance = TYPICAL) -> Resemblance:
    """The resemblance under which the games are likeliest, band by band given the others.

    What is `typical` counts as weak knowledge beforehand, so that a handful of games gives something
    sensible.
    """
    few = _sample(counted)
    if not len(few.position):
        return typical
    centre = _free(typical)

    def unlikeliness(free: Floats) -> float:
        away = (free - centre) / _VAGUE
        return 0.5 * float(away @ away) - log_evidence(few, _bound(free))

    return _rounded(_bound(_lowest(unlikeliness, centre, reach=3.0 * _VAGUE)))


def _lowest(value: Callable[[Floats], float], centre: Floats, *, reach: Floats) -> Floats:
    """Where a function is lowest, no further from the centre than `reach`, found from there.

    Newton's method goes on until nothing moves, so that what is found depends on no rule for stopping.
    """
    low, high = centre - reach, centre + reach
    here, least = centre, value(centre)
    for _ in range(_ROUNDS):
        slope, bend = _slope_and_bend(value, here, least)
        is_held = ((here <= low) & (slope > 0.0)) | ((here >= high) & (slope < 0.0))
        slope[is_held] = bend[is_held, :] = bend[:, is_held] = 0.0
        bends, ways = np.linalg.eigh(bend)
        step = -ways @ (ways.T @ slope / np.maximum(np.abs(bends), _LEAST_BEND))
        step /= max(1.0, float(np.abs(step).max()))
        there = np.clip(here + step, low, high)
        while (found := value(there)) > least and np.abs(step).max() > _STILL:
            step /= 2.0
            there = np.clip(here + step, low, high)
        moved = np.abs(there - here).max()
        here, least = there, found
        if moved <= _STILL:
            break
    return here


def _slope_and_bend(value: Callable[[Floats], float], here: Floats, there: float) -> tuple[Floats, Floats]:
    """First and second derivatives by differences, shapes (n,) and (n, n); `there`: the value itself."""
    steps = _DIFFERENCE * np.eye(len(here))
    above, below = (np.array([value(here + sign * step) for step in steps]) for sign in (1.0, -1.0))
    bend = np.diag(above + below - 2.0 * there)
    for i, j in combinations(range(len(here)), 2):
        bend[i, j] = bend[j, i] = value(here + steps[i] + steps[j]) - above[i] - above[j] + there
    return (above - below) / (2.0 * _DIFFERENCE), bend / _DIFFERENCE**2


def _free(resemblance: Resemblance) -> Floats:
    common, own, nearness, unrated, discount = astuple(resemblance)
    free: Floats = np.array(
        [np.log(common), np.log(own), special.logit(nearness), np.log(unrated), special.logit(discount)]
    )
    return free


def _bound(free: Floats) -> Resemblance:
    common, own, nearness, unrated, discount = free
    return Resemblance(
        float(np.exp(common)),
        float(np.exp(own)),
        float(special.expit(nearness)),
        float(np.exp(unrated)),
        float(special.expit(discount)),
    )


def _rounded(resemblance: Resemblance) -> Resemblance:
    """To the digits that are the same with every version of what reckons; games tell fewer."""
    return Resemblance(*(float(f"{value:.3g}") for value in astuple(resemblance)))


def _sample(counted: ReplyCounts) -> ReplyCounts:
    """Every n-th position (their numbers follow keys, so they are as good as drawn), in bands with games."""
    counted = counted.at(np.asarray(counted.played.any(axis=1)))  # others say nothing
    every = max(1, len(counted.position) // REPLIES_FITTED)
    few = counted.at(np.arange(len(counted.worth)) % every == 0)
    return few.of_bands(bands_between(few.chosen))


def bands_between(chosen: Numbers) -> npt.NDArray[np.bool_]:
    """The bands from the first to the last one with games, so that steps stay steps; and `unrated`.

    `chosen` has a column per band.
    """
    with_games = np.flatnonzero(chosen[:, :-1].any(axis=0))
    kept = np.zeros(chosen.shape[1], dtype=np.bool_)
    if len(with_games):
        kept[with_games[0] : with_games[-1] + 1] = True
    kept[-1] = True
    return kept


def pool(counted: ReplyCounts, resemblance: Resemblance, *, wider: float = 0.0) -> Pooled:
    """Pick rates of every reply in every band, as Beta distributions.

    Over the replies of a position the rates of a band add up to less than 1: the rest is for replies that
    were never seen there. `wider`: the share (0 to 1) of a sure reply's prior that its interval goes without.
    """
    if not len(counted.position):
        none = np.zeros(counted.chosen.shape, dtype=np.float32)
        return Pooled(none, none, np.zeros(counted.worth.shape, dtype=np.float32))
    parts = [_pooled(part, resemblance, wider) for part in _parts(counted)]
    columns = ([getattr(part, name) for part in parts] for name in ("successes", "failures", "spare"))
    return Pooled(*map(np.concatenate, columns))


def pool_apart(counted: ReplyCounts, *, wider: float = WIDER) -> tuple[Pooled, Resemblance, Resemblance]:
    """Pick rates, pooled by one resemblance where an earlier database knows the position, else by another.

    Where it does not (`ReplyCounts.known`) it says nothing, however well it foretells others. Each
    resemblance is fitted to its own positions. Where players go a way of their own, as a club does that was
    taught an opening, it is as if it did not: one such position of many games would else tell that all its
    rates are worth nothing. `wider` as in `pool`.
    """
    known = counted.knows_base & ~goes_its_own_way(counted)
    parts = [counted.at(known), counted.at(~known)]
    fits = [
        fit_resemblance(part, typical)
        for part, typical in zip(parts, (TYPICAL_BEFORE_OTHERS, TYPICAL), strict=True)
    ]
    successes, failures = (np.zeros(counted.chosen.shape, dtype=np.float32) for _ in range(2))
    spare = np.zeros(counted.worth.shape, dtype=np.float32)
    for part, fit, there in zip(parts, fits, (known, ~known), strict=True):
        pooled, rows = pool(part, fit, wider=wider), there[counted.position]
        successes[rows], failures[rows], spare[there] = pooled.successes, pooled.failures, pooled.spare
    return Pooled(successes, failures, spare), fits[0], fits[1]


def goes_its_own_way(counted: ReplyCounts) -> npt.NDArray[np.bool_]:
    """For each position, whether its games are far likelier if what was expected of them is no guide."""
    if counted.base is None or not counted.knows_base.any():
        return np.zeros(len(counted.worth), dtype=np.bool_)
    games, base = counted.played * counted.worth, np.maximum(counted.base, _NEVER)

    def log_likelihood(strength: float) -> Floats:
        alpha = strength * base
        replies = special.gammaln(alpha + counted.effective) - special.gammaln(alpha)
        return np.asarray(
            _by_position(replies, counted.position, len(games)).sum(axis=1)
            - (special.gammaln(strength + games) - special.gammaln(strength)).sum(axis=1)
        )

    usual = 1.0 / (TYPICAL_BEFORE_OTHERS.common + TYPICAL_BEFORE_OTHERS.own)
    return np.asarray(log_likelihood(1.0 / _OWN_WAY) - log_likelihood(usual) > np.log(_FAR_LIKELIER))


def pool_as_one(
    chosen: Floats, position: Ints, worth: Floats, base: Floats | None = None
) -> tuple[Floats, Floats]:
    """Beta distributions of pick rates where all bands are taken for one: successes and failures (replies,).

    `chosen` (replies,), `position` and `base` (replies,), if there is any, as in `ReplyCounts`; `worth`
    (positions,).
    """
    both = None if base is None else np.stack([base, base], axis=1)
    counted = ReplyCounts(
        np.stack([chosen, np.zeros(len(chosen))], axis=1), position, np.stack([worth, worth], axis=1), both
    )
    pooled, _, _ = pool_apart(counted, wider=0.0)
    return pooled.successes[:, 0].astype(np.float64), pooled.failures[:, 0].astype(np.float64)


def _pooled(counted: ReplyCounts, resemblance: Resemblance, wider: float) -> Pooled:
    prior = _leaning(counted, resemblance)
    worth, effective = counted.worth_of_reply, counted.effective
    alpha = _discounted(prior.games + effective, prior.squared + effective * worth, resemblance.discount)
    total = prior.strength + counted.played * counted.worth
    left = np.maximum(total - _by_position(alpha, counted.position, len(total)), 1e-9)
    if counted.base is not None:
        alpha = alpha + left[counted.position] * counted.base
    # A reply that was seen nowhere but in a band without weight here is as rare as can be.
    alpha = np.maximum(alpha, 1e-6)
    beta = np.maximum(total[counted.position] - alpha, 1e-6)
    leant = (prior.strength / total)[counted.position]
    alpha, beta = (column * (1.0 - wider * leant * alpha / (alpha + beta)) for column in (alpha, beta))
    return Pooled(alpha.astype(np.float32), beta.astype(np.float32), (left / total).astype(np.float32))


def _parts(counted: ReplyCounts) -> Iterator[ReplyCounts]:
    """Whole positions, a limited number of replies at once: memory is bounded by it."""
    last_of_part = np.append(np.arange(_REPLIES_AT_ONCE, len(counted.position), _REPLIES_AT_ONCE), 0) - 1
    ends = np.unique(counted.position[last_of_part] + 1)
    rows = np.searchsorted(counted.position, ends)
    for low, high, first, end in zip(np.r_[0, ends[:-1]], ends, np.r_[0, rows[:-1]], rows, strict=True):
        yield ReplyCounts(
            counted.chosen[first:end],
            counted.position[first:end] - low,
            counted.worth[low:high],
            None if counted.base is None else counted.base[first:end],
            None if counted.known is None else counted.known[low:high],
        )


def _by_position(values: Numbers, position: Ints, positions: int) -> Floats:
    """Sums over the replies of each position; shape (positions, bands)."""
    sums = np.zeros((positions, values.shape[1]))
    firsts = np.flatnonzero(begins_run(position))
    if len(firsts):
        sums[position[firsts]] = np.add.reduceat(values, firsts, axis=0)
    return sums
