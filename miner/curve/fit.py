"""The score that players of a band make of an evaluation: fitted to how their games ended.

For each rating band the logarithm of the odds of a point is level + advantage x evaluation + gap x (rating
difference / 400), both levelling off where they are large, fitted to results by weighted logistic regression;
a draw counts half a point. Bands lean on what all have in common, as far as their own games leave doubt.

The score is that of the player who has just moved, of the band, against an opponent `gap` points weaker, as
things are after his move. `expected(-cp)` is what players of the band score when they stand that much worse,
which need not be what their opponents score against them: those who stand worse have erred, and players who
err are not the same as others.

Sources (from memory): L. Papke, J. Wooldridge, J. Appl. Econometrics 11 (1996) 619-632, for logistic
regression on shares with a sandwich covariance; K.-Y. Liang, S. Zeger, Biometrika 73 (1986) 13-22, for
clusters (here games); A. Gelman et al., Bayesian Data Analysis, 3rd ed., chapter 5, for bands that scatter
about a common mean, and N. Laird, J. Ware, Biometrics 38 (1982) 963-974, for finding by EM how much.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from scipy import special

from miner import stats
from miner.arrays import Floats, begins_run
from miner.curve.rows import CurveRows, EngineRows, engine_rows_of, rows_of
from miner.schema import CURVES
from miner.store import Store
from miner.terms import UNRATED, BandScheme

CurveSource = Literal["fitted", "engine"]

SATURATION_CP = 1000.0
"""Where more advantage stops to matter. Of tanh, asinh and clipping at many places this foretold best how
held-out games ended, at 9,208 random positions of games of rated amateurs; 600 a little less well, 400
less."""

SATURATION_GAP = 600.0
"""Where more rating points stop to matter; without, the stronger are expected to score too much."""

BAND_GAMES = 10.0
"""Players' games of a band from which it has a curve of its own, leaning on the others', not the engine's.
Measured on held-out games of rated amateurs: 10 were enough to tell more than the engine does."""

ENOUGH_IN_ALL = 150.0
"""Players' games of all bands (each game has two) below which nothing is fitted. Measured likewise: drawn at
random, stores of 80 games told more than the engine does, of 40 no more, of 20 less."""

_FORMULA = ("level", "pawns", "gap", "gap unknown")
_NAMES = ("level", "advantage", "gap", "gap unknown")
_PARTS = ("inputs", "weight", "score")
_ELO = float(
    np.log(10.0)
)  # per 400 points: 1 / (1 + 10^(-gap/400)), the usual rating expectation, from memory
_EXPECTED = np.array([0.0, 0.5, _ELO, 0.0])  # the coefficients, as far as they are known beforehand
_VAGUE = np.array([0.3, 0.5, 1.0, 0.3])  # by how much that may be wrong, as a standard deviation
_SMALL = 0.05  # how much bands scatter at least, as one band's worth of knowledge beforehand
_DISPERSION_GAMES = 100.0  # that speak for results that scatter by win and loss alone
_ROUNDS = 60
_GAP_STEP = 20.0  # rating points: finer differences are not told apart


def saturated(values: npt.ArrayLike, most: float) -> Floats:
    """Nearly the values themselves where they are small, never beyond `most` either way.

    >>> saturated([100, 10_000], 1000).round().tolist()
    [100.0, 1000.0]
    """
    return np.asarray(most * np.tanh(np.asarray(values, dtype=np.float64) / most))


def _pawns(cp: Floats) -> Floats:
    return saturated(cp, SATURATION_CP) / 100.0


def _gap(gap: Floats) -> Floats:
    return saturated(gap, SATURATION_GAP) / 400.0


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Expected score of players of a band by evaluation and rating gap."""

    band: str
    source: CurveSource  # engine: the band has too few games, so it is the engine's own expectation
    games: float  # that it rests on, each counted once
    names: tuple[str, ...]  # of the coefficients, of the logarithm of the odds
    coefficients: Floats
    covariance: Floats

    def expected(self, cp: npt.ArrayLike, gap: npt.ArrayLike = 0.0) -> Floats:
        """Expected score (0 to 1), never falling with `cp`.

        `cp` is the evaluation for the player; `gap` his rating less the opponent's, which does not count for
        the unrated.
        """
        return np.asarray(special.expit(self._inputs(cp, gap) @ self.coefficients))

    def interval(
        self, cp: npt.ArrayLike, gap: npt.ArrayLike = 0.0, confidence: float = 0.9
    ) -> tuple[Floats, Floats]:
        """Bounds of the expected score. Where `source` is engine they tell only of the engine's own rows."""
        inputs = self._inputs(cp, gap)
        middle, reach = inputs @ self.coefficients, self._reach(inputs, confidence)
        return np.asarray(special.expit(middle - reach)), np.asarray(special.expit(middle + reach))

    def gain(
        self, better: npt.ArrayLike, worse: npt.ArrayLike, confidence: float = 0.9
    ) -> tuple[Floats, Floats]:
        """The expected score that the way from one evaluation down to another costs, at equal ratings.

        Second comes its lower bound, to first order in the coefficients and never below 0.
        """
        inputs = [self._inputs(cp, 0.0) for cp in (better, worse)]
        scores = [np.asarray(special.expit(values @ self.coefficients)) for values in inputs]
        high, low = (
            values * (score * (1.0 - score))[..., None] for values, score in zip(inputs, scores, strict=True)
        )
        cost = scores[0] - scores[1]
        return cost, np.maximum(cost - self._reach(high - low, confidence), 0.0)

    def _reach(self, slopes: Floats, confidence: float) -> Floats:
        """How far the bounds are from the middle of something with these slopes in the coefficients."""
        variance = np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes)
        reach: Floats = stats.normal_quantile((1.0 + confidence) / 2.0) * np.sqrt(np.maximum(variance, 0.0))
        return reach

    def _inputs(self, cp: npt.ArrayLike, gap: npt.ArrayLike) -> Floats:
        is_unrated = self.band == UNRATED
        cp, gap = np.broadcast_arrays(np.asarray(cp, dtype=np.float64), np.asarray(gap, dtype=np.float64))
        columns = {
            "level": np.ones(cp.shape),
            "advantage": _pawns(cp),
            "pawns": cp / 100.0,
            "gap": np.zeros(cp.shape) if is_unrated else _gap(gap),
            "gap unknown": np.full(cp.shape, float(is_unrated)),
        }
        return np.stack([columns[name] for name in self.names], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """The curves of all bands of a scheme."""

    by_band: Mapping[str, Curve]

    def of(self, band: str) -> Curve:
        """The curve of a band; KeyError for a band that there is none of."""
        return self.by_band[band]

    def __iter__(self) -> Iterator[Curve]:
        return iter(self.by_band.values())

    def to_table(self) -> pa.Table:
        """The table `curves`."""
        rows = [
            {
                "band": curve.band,
                "source": curve.source,
                "games": curve.games,
                "names": list(curve.names),
                "coefficients": curve.coefficients.tolist(),
                "covariance": curve.covariance.ravel().tolist(),
            }
            for curve in self
        ]
        return pa.Table.from_pylist(rows, schema=CURVES)

    @classmethod
    def from_table(cls, table: pa.Table) -> Curves:
        """The curves that `to_table` wrote."""
        curves = {}
        for row in table.to_pylist():
            coefficients, covariance = np.array(row["coefficients"]), np.array(row["covariance"])
            curves[row["band"]] = Curve(
                row["band"],
                row["source"],
                row["games"],
                tuple(row["names"]),
                coefficients,
                covariance.reshape(len(coefficients), -1),
            )
        return cls(curves)


def fit_curves(store: Store, bands: BandScheme) -> Curves:
    """The curves of all bands by the store's games and the judge's evaluations.

    Raises StoreError if the store was not judged yet.
    """
    return curves_of(rows_of(store, bands), engine_rows_of(store), bands.names)


def curves_in(store: Store, bands: BandScheme) -> Curves:
    """The curves of all bands of the tally: those that `rank` wrote while they are up to date, else fitted.

    Raises StoreError if the store was not judged yet.
    """
    ranked = store.manifest("rank")
    if ranked and not store.out_of_date() and store.is_current("rank", ranked.settings, ranked.inputs):
        return Curves.from_table(store.read_table("curves"))
    return fit_curves(store, bands)


def curves_of(rows: CurveRows, engine: EngineRows, names: Sequence[str]) -> Curves:
    """The curves of the bands `names`, whose places `rows.band` holds."""
    fallback = _engine_curve(engine)
    games = np.bincount(rows.band, rows.weight, minlength=len(names))
    fits = _fit_bands(rows) if games.sum() >= ENOUGH_IN_ALL else {}
    curves = {}
    for place, name in enumerate(names):
        if place in fits and games[place] >= BAND_GAMES:
            curves[name] = Curve(name, "fitted", float(games[place]), _NAMES, *fits[place])
        else:
            curves[name] = replace(fallback, band=name, games=float(games[place]))
    return Curves(curves)


@dataclass(frozen=True, slots=True)
class Sums:
    """Results added up over equal evaluations and gaps; (entries, coefficients) and (entries,)."""

    inputs: Floats
    weight: Floats
    score: Floats  # mean


def inputs_of(rows: CurveRows) -> Floats:
    """The numbers that the coefficients of a fitted curve are multiplied by, (entries, coefficients)."""
    gap = _gap(np.round(rows.gap / _GAP_STEP) * _GAP_STEP)
    unknown = (~rows.gap_known).astype(np.float64)
    return np.stack([np.ones(len(rows)), _pawns(rows.cp), gap, unknown], axis=1)


def _summed(rows: CurveRows) -> dict[int, Sums]:
    inputs = inputs_of(rows)
    table = pd.DataFrame(inputs, columns=list(_NAMES)).assign(
        band=rows.band, weight=rows.weight, points=rows.weight * rows.score
    )
    sums = table.groupby(["band", *_NAMES], as_index=False)[["weight", "points"]].sum()
    return {
        int(str(band)): Sums(
            part[list(_NAMES)].to_numpy(),
            part["weight"].to_numpy(),
            (part["points"] / part["weight"]).to_numpy(),
        )
        for band, part in sums.groupby("band")
    }


def _fit_bands(rows: CurveRows) -> dict[int, tuple[Floats, Floats]]:
    summed = _summed(rows)
    together = Sums(*(np.concatenate([getattr(sums, name) for sums in summed.values()]) for name in _PARTS))
    known = np.diag(1.0 / _VAGUE**2)
    centre = logistic(together, _EXPECTED, known)
    spread = _dispersion(rows, together, centre)
    scatter = np.full(len(_NAMES), _SMALL)
    identity = np.eye(len(_NAMES))
    for _ in range(_ROUNDS):
        precision = np.diag(1.0 / scatter)
        found = {band: logistic(sums, centre, precision * spread) for band, sums in summed.items()}
        known_by = {band: information(sums, found[band]) / spread for band, sums in summed.items()}
        # How much each band says of the common centre: its information, less as bands scatter about it.
        share = {band: np.linalg.inv(identity + each * scatter) for band, each in known_by.items()}
        centre_covariance = np.asarray(
            np.linalg.inv(known + sum(share[band] @ known_by[band] for band in known_by))
        )
        pull = sum(precision @ found[band] - share[band] @ precision @ centre for band in known_by)
        centre = centre_covariance @ (known @ _EXPECTED + pull)
        left = sum(np.diag(np.linalg.inv(each + precision)) for each in known_by.values())
        around = sum((each - centre) ** 2 for each in found.values())
        scatter = (around + left + _SMALL**2) / (len(found) + 1)
    fits = {}
    for band, coefficients in found.items():
        meat = game_scatter(rows.where(rows.band == band), coefficients) / spread**2
        covariance = _covariance(meat, known_by[band], np.diag(1.0 / scatter), centre_covariance)
        fits[band] = coefficients, covariance
    return fits


def _covariance(meat: Floats, known: Floats, precision: Floats, centre_covariance: Floats) -> Floats:
    """Of a band's coefficients: by how games really differ, and as far as the common centre is not known."""
    bread = np.linalg.inv(known + precision)
    leaning = bread @ precision
    return np.asarray(bread @ (meat + precision) @ bread + leaning @ centre_covariance @ leaning.T)


def logistic(sums: Sums, centre: Floats, precision: Floats) -> Floats:
    """Coefficients that fit the mean scores best, with a normal prior; the advantage is never below 0."""
    coefficients = likeliest(sums, centre, precision)
    if coefficients[1] >= 0.0:
        return coefficients
    flat = centre.copy()
    flat[1] = 0.0
    held = precision.copy()
    held[1, 1] = 1e12
    coefficients = likeliest(sums, flat, held)
    coefficients[1] = 0.0
    return coefficients


def likeliest(sums: Sums, centre: Floats, precision: Floats) -> Floats:
    """Coefficients that fit the mean scores best, with a normal prior: Newton's method to the end."""
    coefficients = centre.copy()
    for _ in range(50):
        expected = special.expit(sums.inputs @ coefficients)
        slope = sums.inputs.T @ (sums.weight * (sums.score - expected)) - precision @ (coefficients - centre)
        step = np.linalg.solve(information(sums, coefficients) + precision, slope)
        coefficients = coefficients + np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-9:
            break
    return coefficients


def information(sums: Sums, coefficients: Floats) -> Floats:
    """How much the results tell of the coefficients, were each a win or a loss: inverse covariance."""
    expected = special.expit(sums.inputs @ coefficients)
    each = sums.weight * expected * (1.0 - expected)
    return np.asarray((sums.inputs * each[:, None]).T @ sums.inputs)


def _dispersion(rows: CurveRows, sums: Sums, coefficients: Floats) -> float:
    """How much results scatter, where 1 is by win and loss alone: less, since games are drawn.

    Nor are the two players' results of one game two pieces of evidence. Few games stay near 1.
    """
    known = information(sums, coefficients) + np.diag(1.0 / _VAGUE**2)
    seen = np.trace(np.linalg.solve(known, game_scatter(rows, coefficients))) / len(_NAMES)
    games = sums.weight.sum()
    return float((games * seen + _DISPERSION_GAMES) / (games + _DISPERSION_GAMES))


def game_scatter(rows: CurveRows, coefficients: Floats) -> Floats:
    """How much the games' slopes scatter, one game being one piece of evidence."""
    inputs = inputs_of(rows)
    residual = rows.weight * (rows.score - special.expit(inputs @ coefficients))
    firsts = np.flatnonzero(begins_run(rows.game))
    by_game = np.add.reduceat(inputs * residual[:, None], firsts, axis=0)
    return np.asarray(by_game.T @ by_game)


def _engine_curve(engine: EngineRows) -> Curve:
    """The engine's own expectation; of rating gaps it knows nothing: the rating formula stands for them."""
    if not len(engine.cp):
        return Curve("", "engine", 0.0, _FORMULA, np.array([0.0, _ELO / 4.0, _ELO, 0.0]), np.zeros((4, 4)))
    inputs = np.stack([np.ones(len(engine.cp)), _pawns(engine.cp)], axis=1)
    sums = Sums(inputs, np.ones(len(engine.cp)), engine.expected)
    precision = np.eye(2) * 1e-3
    found = logistic(sums, np.array([0.0, 1.0]), precision)
    slopes = inputs * (engine.expected - special.expit(inputs @ found))[:, None]
    bread = np.linalg.inv(information(sums, found) + precision)
    covariance = np.zeros((4, 4))
    covariance[:2, :2] = bread @ (slopes.T @ slopes) @ bread
    return Curve("", "engine", 0.0, _NAMES, np.array([*found, _ELO, 0.0]), covariance)
