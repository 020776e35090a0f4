"""What losing replies are worth: reach, pick rates, curves and find rates put together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from miner import stats
from miner.curve.fit import Curves
from miner.rank.observed import Part
from miner.rank.points import Chances, Share, points, reach_share
from miner.rank.reached import plain_log_variance
from miner.settings import RankSettings
from miner.terms import Kind

Floats = npt.NDArray[np.float64]


def worth_of(
    rows: pd.DataFrame, curves: Curves, part: Part, settings: RankSettings, confidence: float
) -> pd.DataFrame:
    """The rows (losing reply, band and kind) with points and teaching value, what is worth most first.

    The gain is the part of the curve's that is seen on the board.

    More columns: gain, curve (its source), expected_after (score of the side that profits, as the curve has
    it), points_per_100, points_per_100_low, teaching_value, teaching_value_low.
    """
    is_trap = (rows["kind"] == Kind.TRAP).to_numpy()
    curved = _by_curve(rows, curves, confidence)
    gain = _part_of(Share(curved["gain"].to_numpy(), curved["gain_low"].to_numpy()), part, confidence)
    # Who falls into a pitfall loses what the band's curve says, whether or not the others find it.
    is_known = is_trap & rows["find_rate"].notna().to_numpy()
    worth = points(
        Chances(
            reach=_reach_of(rows, is_trap, settings, confidence),
            pick_rate=Share(rows["pick_rate"].to_numpy(), rows["pick_rate_low"].to_numpy()),
            gain=gain,
            missed=Share(
                np.where(is_known, 1.0 - rows["find_rate"], 1.0),
                np.where(is_known, 1.0 - rows["find_rate_high"], 1.0),
            ),
        )
    )
    told = rows.assign(
        gain=gain.value,
        curve=curved["curve"],
        expected_after=curved["expected_after"],
        points_per_100=worth.per_100,
        points_per_100_low=worth.low,
        teaching_value=worth.teaching,
        teaching_value_low=worth.teaching_low,
    )
    ordered: pd.DataFrame = told.sort_values(
        ["teaching_value_low", "key", "move", "band", "kind"], ascending=[False, True, True, True, True]
    )
    return ordered


def _part_of(gain: Share, part: Part, confidence: float) -> Share:
    """A part of each gain; the bound widens by the part's own doubt, on a logarithmic scale."""
    z = stats.normal_quantile((1.0 + confidence) / 2.0)
    spread = np.sqrt(gain.log_spread**2 + (z * part.deviation / part.mean) ** 2)
    value = part.mean * gain.value
    return Share(value, value * np.exp(-spread))


def _reach_of(
    rows: pd.DataFrame, is_trap: npt.NDArray[np.bool_], settings: RankSettings, confidence: float
) -> Share:
    """How often the position arises: as a rule steered for a trap and plain for a pitfall.

    Our own side does not steer towards its mistakes: a pitfall counts as often as the band's games meet it.
    But in a repertoire both arise as the repertoire has it.
    """
    is_steered = is_trap | bool(settings.repertoire)
    return reach_share(
        np.where(is_steered, rows["steered_reach"], rows["plain_reach"]),
        np.where(is_steered, rows["steered_log_variance"], plain_log_variance(rows)),
        confidence=confidence,
    )


def _by_curve(rows: pd.DataFrame, curves: Curves, confidence: float) -> pd.DataFrame:
    """By the curve of each row's band: gain, gain_low, expected_after and curve, the source."""
    told = pd.DataFrame(
        0.0, index=rows.index, columns=["gain", "gain_low", "expected_after"], dtype=np.float64
    ).assign(curve="")
    for band, of_band in rows.groupby("band"):
        curve = curves.of(str(band))
        best, reply = (of_band[name].to_numpy(dtype=np.float64) for name in ("cp_best", "cp_reply"))
        gain, low = curve.gain(best, reply, confidence)
        after = 1.0 - curve.expected(reply, -of_band["after_gap"].fillna(0.0).to_numpy(dtype=np.float64))
        told.loc[of_band.index, ["gain", "gain_low", "expected_after"]] = np.stack([gain, low, after], axis=1)
        told.loc[of_band.index, "curve"] = curve.source
    return told
