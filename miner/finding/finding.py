"""A finding as a typed value; and which of the judged replies are losing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import pandas as pd
import pyarrow as pa

from miner.finding.mistake import Mistake
from miner.reasons import Pattern, Reason
from miner.settings import RankSettings
from miner.terms import MOST_CP, Kind, Side


def is_losing(judged: pd.DataFrame, settings: RankSettings) -> pd.Series[bool]:
    """For each row of `judged`: whether its reply is losing.

    It loses the threshold or more of expected score, or walks into a mate, or loses a tempo by force and the
    tempo threshold. What only one search says is not shown: the last budget but one must have seen at least
    `hold_share` of that threshold, or for a mate some loss; and where it is the score alone that counts, the
    last and the mean of both must be beyond it by half of `sure_by`, or by `overrated`.
    """
    was_judged_before = judged["nodes_before"] > 0

    def loses(threshold: float) -> pd.Series[bool]:
        held = judged["loss_before"] >= settings.hold_share * threshold
        return (judged["loss"] >= threshold) & held & was_judged_before

    seen_before = was_judged_before & (judged["loss_before"] > 0.0)
    into_mate = (judged["cp_reply"] < -MOST_CP) & (judged["cp_best"] >= -MOST_CP) & seen_before
    forced_home = judged["retreat_loss"].fillna(0.0) >= settings.loss_threshold
    by_tempo = forced_home & loses(settings.tempo_threshold)
    surely = settings.loss_threshold + max(0.5 * settings.sure_by, overrated(judged, settings))
    mean = 0.5 * (judged["loss"] + judged["loss_before"])
    by_score = loses(surely) & (mean >= surely)
    losing = (by_score | into_mate | by_tempo) & (judged["state"] == "judged")
    return losing.astype(bool)


ENOUGH_LOSING = 20
"""Replies beyond the threshold from which their losses tell how fast they become rarer."""
NOISE = 0.025
"""Standard deviation of a loss by the judge's last budgets against one by four times the nodes, or a little
less: of 40 replies of masters and amateurs near the threshold."""


def overrated(judged: pd.DataFrame, settings: RankSettings) -> float:
    """By how much losses near the threshold are lower than they seem, expected score.

    The rarer larger losses are, the likelier it is that one just beyond the threshold has come there by
    chance: among masters such losses were 0.018 lower by four times the nodes, among amateurs not at all. For
    a normal error and losses that become rarer exponentially it is the variance of the error through the mean
    excess over the threshold. Source: M. Tweedie's formula, B. Efron, J. Am. Stat. Assoc. 106 (2011)
    1602-1614 (from memory). Of few replies nothing can be told: 0.
    """
    mean = 0.5 * (judged["loss"] + judged["loss_before"])
    excess = mean[mean >= settings.loss_threshold] - settings.loss_threshold
    return float(NOISE**2 / excess.mean()) if len(excess) >= ENOUGH_LOSING else 0.0


LEAST_LOSS = 0.05
"""Expected score that a reply must lose for its games to say what losses cost: less is mostly noise."""


def tells(judged: pd.DataFrame) -> pd.Series[bool]:
    """For each row of `judged`: whether its games say something of what losing replies cost."""
    loses: pd.Series[bool] = (judged["state"] == "judged") & (judged["loss"] >= LEAST_LOSS)
    return loses


Trend = Literal["falling", "rising", "steady", ""]


@dataclass(frozen=True, kw_only=True, slots=True, repr=False)
class Finding(Mistake):
    """A row of FINDINGS, which says what each field is and in which unit; lines are moves in SAN.

    Flat like the table: its readers pick single numbers, and nobody passes a part of it on.
    """

    fen: str
    key: int
    ply: int
    path: tuple[str, ...]
    eco: str
    opening: str
    side: Side
    kind: Kind
    band: str
    games_at_position: int
    games_with_reply: int
    games_at_position_elsewhere: int
    games_with_reply_elsewhere: int
    games_in_all: int
    players_with_reply: int
    pick_rate: float
    pick_rate_low: float
    pick_rate_high: float
    losing_reply: str
    losing_reply_uci: str
    best_move: str
    exp_best: float
    exp_reply: float
    loss: float
    cp_best: int
    cp_reply: int
    reason: Reason
    reason_detail: str
    refutation: tuple[str, ...]
    plain_reach: float
    steered_reach: float
    points_per_100: float
    points_per_100_low: float
    observed_with_reply: float
    observed_without_reply: float | None
    engine: str
    nodes: int
    wdl_best: tuple[int, ...]
    wdl_reply: tuple[int, ...]
    pattern: Pattern | None
    best_line: tuple[str, ...]
    gain_for_band: float
    curve: str
    find_rate: float | None
    find_rate_low: float | None
    find_rate_high: float | None
    teaching_value: float
    teaching_value_low: float
    conversion_expected: float | None
    conversion_observed: float | None
    conversion_games: int
    model_games: tuple[int, ...]
    games_per_player: float | None
    trend: Trend
    trend_p: float | None
    punish_value: float | None
    punish_value_low: float | None
    punish_points: float
    punish_points_low: float
    punish_gain: float
    avoid_value: float | None
    avoid_value_low: float | None
    gambit: bool
    answers: tuple[str, ...]
    best_rate: float | None
    find_games: int
    find_players: int
    found_games: int
    taught_games: int
    usual_line: tuple[str, ...]
    usual_games: int
    usual_of: int
    wins_pawns: int
    lasted_games: int
    lasted_kept: int

    def as_kind(self, kind: Kind) -> Finding:
        """The finding with the numbers of one of its two views; itself where that side is not taught."""
        is_trap = kind is Kind.TRAP
        value, low = (
            (self.punish_value, self.punish_value_low)
            if is_trap
            else (self.avoid_value, self.avoid_value_low)
        )
        if kind is self.kind or value is None or low is None:
            return self
        points, points_low = (self.punish_points, self.punish_points_low) if is_trap else (value, low)
        return replace(
            self,
            kind=kind,
            points_per_100=points,
            points_per_100_low=points_low,
            teaching_value=value,
            teaching_value_low=low,
        )

    @property
    def rests_on_others(self) -> bool:
        """Whether games of a prior are among those that it is told by."""
        return self.games_at_position_elsewhere > 0

    @property
    def own_games_at_position(self) -> int:
        """The store's own games of the band through the position."""
        return self.games_at_position - self.games_at_position_elsewhere

    @property
    def views(self) -> list[Finding]:
        """The finding as a trap and as a pitfall, as far as pupils of that side are taught."""
        return [seen for kind in Kind if (seen := self.as_kind(kind)).kind is kind]

    @property
    def what(self) -> str:
        """What it is called, at the beginning of a title."""
        return "Missed chance" if self.is_missed else self.kind.capitalize()


class MissedChance(Finding):
    """A row of the table of missed chances: as much given away, but nobody is clearly worse."""

    __slots__ = ()
    is_missed = True


def findings_of(table: pa.Table, *, missed: bool = False) -> list[Finding]:
    """The rows of a table of the schema FINDINGS, in their order; `missed`: that of missed chances."""
    kind = MissedChance if missed else Finding
    return [kind(**_fields(row)) for row in table.to_pylist()]


def _fields(row: dict[str, Any]) -> dict[str, Any]:
    values = {
        "side": Side(row["side"]),
        "kind": Kind(row["kind"]),
        "reason": Reason(row["reason"]),
        "pattern": Pattern(row["pattern"]) if row["pattern"] else None,
        **{
            name: tuple(row[name].split())
            for name in ("path", "refutation", "best_line", "answers", "usual_line")
        },
        **{name: tuple(row[name]) for name in ("wdl_best", "wdl_reply", "model_games")},
    }
    return row | values
