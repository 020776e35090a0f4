"""How often a losing reply arises and what teaching it is worth, with lower bounds.

Sources (from memory): G. Zou, A. Donner, Statistics in Medicine 27 (2008) 1693-1702, for bounds of what is
made of several numbers by the squared distances of their own bounds; G. Zou, J. Taleban, C. Huo, Comput.
Statist. Data Anal. 53 (2009) 3755-3764, for the same of products.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from miner import stats
from miner.arrays import Floats
from miner.curve.fit import Curves
from miner.graph.repertoire import reach_in_repertoire, read_repertoire
from miner.graph.sound import sound_reach
from miner.graph.walk import START_KEY
from miner.rank.parts import Parts
from miner.rank.results import SeenParts
from miner.settings import RankSettings
from miner.store import Store
from miner.terms import Kind, Side

_EVEN = 0.5  # expected score at the start of the game, where the judge did not look at it
_PLAIN = ["key", "band", "plain_reach", "reach_games"]
REACH_COLUMNS = [*_PLAIN, "steered_reach", "steered_log_variance"]
_NOTHING = 1e-12  # stands for 0 where a logarithm is taken
_FEWEST = 10  # players who must have chosen a reply for its results to say anything against the engine
_RESULT_VARIANCE = 0.25  # of a result between 0 and 1 at the most


def reached(store: Store, settings: RankSettings, bands: list[str]) -> pd.DataFrame:
    """Reach of the positions in some bands: the rows of the table `reach`, soundly steered.

    With a repertoire only the positions that arise in it are left; the steered reach is then that of our side
    playing the repertoire.
    Raises SourceError for a repertoire that cannot be read.
    """
    plain = store.read_table("reach", _PLAIN).to_pandas()
    plain = plain[plain["band"].isin(bands)]
    if settings.repertoire:
        repertoire = read_repertoire(Path(settings.repertoire), Side(settings.side))
        names = {"reach": "steered_reach", "log_variance": "steered_log_variance"}
        steered = reach_in_repertoire(store, repertoire, bands).rename(columns=names)
    else:
        steered = sound_reach(store, settings.soundness, bands)
    both: pd.DataFrame = plain.merge(steered, on=["key", "band"], validate="one_to_one")[REACH_COLUMNS]
    return both


def within_price(rows: pd.DataFrame, judged: pd.DataFrame, settings: RankSettings) -> pd.DataFrame:
    """The rows (with fen and exp_best, too), none steered to where our side stands unsoundly.

    If the opponent finds the best move, the side that profits must not stand worse than at the start of the
    game by more than `soundness`: its moves on the way, judged or not, have then lost more. Such positions
    arise by themselves only, so that their steered reach is the plain one. In a repertoire they are our
    choice.
    """
    if settings.repertoire:
        return rows
    of_start = judged.loc[judged["key"] == START_KEY, "exp_best"].dropna()
    white_at_start = float(of_start.iloc[0]) if len(of_start) else _EVEN
    white_errs = rows["fen"].str.contains(" w ", regex=False)
    at_start = np.where(white_errs, 1.0 - white_at_start, white_at_start)
    is_unsound = 1.0 - rows["exp_best"] < at_start - settings.soundness
    return rows.assign(
        steered_reach=rows["steered_reach"].mask(is_unsound, rows["plain_reach"]),
        steered_log_variance=rows["steered_log_variance"].mask(is_unsound, plain_log_variance(rows)),
    )


def plain_log_variance(rows: pd.DataFrame) -> pd.Series[float]:
    """The variance of the logarithm of each plain reach: that of a count, `reach_games`."""
    variance: pd.Series[float] = (1.0 - rows["plain_reach"]).clip(lower=0.0) / rows["reach_games"]
    return variance


GAINS = ("gain_for_band", "gain_low", "punish_gain", "punish_gain_low")


def with_gain(rows: pd.DataFrame, curves: Curves, parts: SeenParts, confidence: float) -> pd.DataFrame:
    """The rows (losing reply and band) with what the reply costs players of the band.

    More columns: gain_for_band (the part of the curve's gain that is seen of this reply) and punish_gain (the
    part that those score more who punish it than those who do not; where nobody was followed, the same), both
    with lower bounds, which may be below 0: gain_low, punish_gain_low; gain_usual (the part that is common to
    all replies), curve (its source) and expected_after (score of the side that profits, as the curve has it).
    """
    curved = _by_curve(rows, curves, confidence)
    whole = BoundedShare(curved["gain"].to_numpy(), curved["gain_low"].to_numpy())
    gain = _part_of(whole, rows, parts.gain, confidence)
    punished = _part_of(whole, rows, parts.punished, confidence) if parts.punished else gain
    return rows.assign(
        gain_for_band=gain.value,
        gain_low=gain.low,
        punish_gain=punished.value,
        punish_gain_low=punished.low,
        gain_usual=parts.gain.mean * whole.value,
        curve=curved["curve"],
        expected_after=curved["expected_after"],
    )


def without_gambits(rows: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """The rows with a column `gambit`; what a gambit costs is nothing that the games would bear out.

    A gambit is a reply whose players scored at least as well as the others there, in so many games that the
    interval of the difference leaves out the gain that is usual for what the engine says. Each player counts
    once, who is not known as another one, with the largest variance that a result can have.
    """
    others = rows["games_at_position"] - rows["games"]
    people = (rows["players"] + rows["games_unknown"]).clip(lower=1)
    without = (rows["score_sum_at_position"] - rows["score_sum"]) / others.clip(lower=1)
    more = rows["score_sum"] / rows["games"].clip(lower=1) - without
    z = stats.normal_quantile((1.0 + confidence) / 2.0)
    low = more - z * np.sqrt(_RESULT_VARIANCE / people + _RESULT_VARIANCE / others.clip(lower=1))
    is_gambit = (people >= _FEWEST) & (others > 0) & (more >= 0.0) & (low > -rows["gain_usual"])
    nothing = {gain: rows[gain].mask(is_gambit, rows[gain].clip(upper=0.0)) for gain in GAINS}
    return rows.assign(gambit=is_gambit, **nothing)


VIEWS = {Kind.TRAP: "punish_value", Kind.PITFALL: "avoid_value"}
"""What teaching is worth to each side: the column of the value, whose lower bound is that with `_low`."""


def with_worth(rows: pd.DataFrame, settings: RankSettings, confidence: float) -> pd.DataFrame:
    """The rows (with gains) with points and teaching value, what is worth most first.

    To the side that profits a reply is a trap worth punish_value, to the one that errs a pitfall worth
    avoid_value; both with lower bounds (null: not for the side that is taught). Teaching a trap turns those
    who would miss the punishment into some who find it; teaching a pitfall spares all of the gain. `kind` is
    what it is worth more as; points_per_100 and teaching_value with their bounds are of that kind.
    punish_points are the points as a trap.
    """
    pick_rate = BoundedShare(rows["pick_rate"].to_numpy(), rows["pick_rate_low"].to_numpy())
    gain = BoundedShare(rows["gain_for_band"].to_numpy(), rows["gain_low"].to_numpy())
    punished = BoundedShare(rows["punish_gain"].to_numpy(), rows["punish_gain_low"].to_numpy())
    reach, plain_reach, variance = (
        rows[name].to_numpy(dtype=np.float64)
        for name in ("steered_reach", "plain_reach", "steered_log_variance")
    )
    steered = reach_share(reach, variance, confidence=confidence)
    counted = np.asarray(plain_log_variance(rows), dtype=np.float64)
    plain = reach_share(plain_reach, counted, confidence=confidence)
    found, found_high = (rows[rate].fillna(0.0).to_numpy() for rate in ("find_rate", "find_rate_high"))
    missed = BoundedShare(1.0 - found, 1.0 - found_high)
    # Our own side does not steer towards its mistakes: a pitfall counts as often as the band's games meet it.
    # But in a repertoire both arise as the repertoire has it.
    own = steered if settings.repertoire else plain
    as_trap = _points(product(gain, steered, pick_rate), product(punished, steered, pick_rate, missed))
    spared = product(gain, own, pick_rate)
    as_pitfall = _points(spared, spared)
    is_trap = as_trap["teaching_value"] >= as_pitfall["teaching_value"]
    if settings.side != "both":
        is_trap = rows["white_errs"].to_numpy() != (settings.side == "white")
    values = {name: np.where(is_trap, as_trap[name], as_pitfall[name]) for name in as_trap}
    for kind, points, is_told in ((Kind.TRAP, as_trap, is_trap), (Kind.PITFALL, as_pitfall, ~is_trap)):
        for bound in ("", "_low"):
            told = points[f"teaching_value{bound}"]
            values[f"{VIEWS[kind]}{bound}"] = (
                told if settings.side == "both" else np.where(is_told, told, np.nan)
            )
    ordered: pd.DataFrame = rows.assign(
        kind=np.where(is_trap, str(Kind.TRAP), str(Kind.PITFALL)),
        punish_points=as_trap["points_per_100"],
        punish_points_low=as_trap["points_per_100_low"],
        **values,
    ).sort_values(["teaching_value", "key", "move", "band"], ascending=[False, True, True, True])
    return ordered


def _part_of(gain: BoundedShare, rows: pd.DataFrame, parts: Parts, confidence: float) -> BoundedShare:
    """The part of each gain that is seen of the row's reply; its bound has both doubts."""
    part, deviation = parts.of(rows)
    z = stats.normal_quantile((1.0 + confidence) / 2.0)
    distance = np.hypot(part * (gain.value - gain.low), gain.value * z * deviation)
    return BoundedShare(part * gain.value, part * gain.value - distance)


def _by_curve(rows: pd.DataFrame, curves: Curves, confidence: float) -> pd.DataFrame:
    """By the curve of each row's band: gain, gain_low, expected_after and curve, the source."""
    curved = pd.DataFrame(
        0.0, index=rows.index, columns=["gain", "gain_low", "expected_after"], dtype=np.float64
    ).assign(curve="")
    for band, of_band in rows.groupby("band"):
        curve = curves.of(str(band))
        best, reply = (of_band[name].to_numpy(dtype=np.float64) for name in ("cp_best", "cp_reply"))
        gain, low = curve.gain(best, reply, confidence)
        after = 1.0 - curve.expected(reply, -of_band["after_gap"].fillna(0.0).to_numpy(dtype=np.float64))
        curved.loc[of_band.index, ["gain", "gain_low", "expected_after"]] = np.stack(
            [gain, low, after], axis=1
        )
        curved.loc[of_band.index, "curve"] = curve.source
    return curved


@dataclass(frozen=True, slots=True)
class BoundedShare:
    """Shares, or gains of expected score, with lower bounds, one entry per losing reply and band."""

    value: Floats
    low: Floats

    @property
    def log_spread(self) -> Floats:
        """How far the lower bound is below the value, on a logarithmic scale."""
        spread: Floats = np.log(np.maximum(self.value, _NOTHING) / np.maximum(self.low, _NOTHING))
        return spread


def reach_share(reach: Floats, log_variance: Floats, *, confidence: float) -> BoundedShare:
    """A reach with the lower bound that the variance of its logarithm makes."""
    z = stats.normal_quantile((1.0 + confidence) / 2.0)
    return BoundedShare(reach, reach * np.exp(-z * np.sqrt(log_variance)))


def product(gain: BoundedShare, *shares: BoundedShare) -> BoundedShare:
    """The gain times shares that are independent of it and of each other.

    Shares are above 0: their doubts add up in squares on a logarithmic scale. A gain may be next to nothing,
    or less: its doubt and theirs are added up as they are, in squares, less the product of these squares,
    since neither can take away what the other has taken. Where all but one are certain the bound is that
    one's.
    """
    share = np.prod([one.value for one in shares], axis=0)
    spread = np.sqrt(np.sum([one.log_spread**2 for one in shares], axis=0))
    points, by_gain = gain.value * share, share * (gain.value - gain.low)
    both = by_gain**2 + np.expm1(-spread) ** 2 * np.maximum(points**2 - by_gain**2, 0.0)
    return BoundedShare(points, points - np.sqrt(both))


def _points(points: BoundedShare, teaching: BoundedShare) -> dict[str, Floats]:
    """Both per 100 games, with lower bounds, by the columns of findings."""
    return {
        "points_per_100": 100.0 * points.value,
        "points_per_100_low": 100.0 * points.low,
        "teaching_value": 100.0 * teaching.value,
        "teaching_value_low": 100.0 * teaching.low,
    }
