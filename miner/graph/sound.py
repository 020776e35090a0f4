"""How often positions arise if one side always plays towards them, by any or only by sound moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from miner import stats
from miner.arrays import Flags, Floats, Ints
from miner.graph.walk import Edges, edges_of, spans
from miner.store import Store


@dataclass(frozen=True, slots=True)
class Steered:
    """Per position: steered reach (0 to 1; 0: no tallied way) and the variance of its logarithm."""

    reach: Floats
    log_variance: Floats


@dataclass(frozen=True, slots=True)
class Steps:
    """The replies that lead from one tallied position to another."""

    replies: Ints  # their numbers
    parents: Ints  # places of positions, rising
    children: Ints
    begins: Ints  # (positions + 1,): the first of those from each position, and the end

    @classmethod
    def between(cls, parents: Ints, children: Ints, positions: int) -> Steps:
        """The steps among replies, given by the places of the positions before and after (-1: none) each."""
        leads = np.flatnonzero(children >= 0)
        leads = leads[np.argsort(parents[leads], kind="stable")]
        begins = np.searchsorted(parents[leads], np.arange(positions + 1))
        return cls(leads, parents[leads], children[leads], begins)


def steered_reach(steps: Steps, rates: Floats, log_variances: Floats, *, start: int) -> Steered:
    """The best product of rates over all ways from the place `start`, transpositions merged.

    `rates` (0 to 1; 1 for moves that our own side chooses) and `log_variances` have one entry for each step.
    It takes as many rounds as the longest chain has steps: about as many as plies are kept.
    """
    positions = len(steps.begins) - 1
    reach, variance = np.zeros(positions), np.zeros(positions)
    best_step, is_risen = np.zeros(positions, dtype=np.int64), np.zeros(positions, dtype=np.bool_)
    reach[start] = 1.0
    risen = np.array([start], dtype=np.int64)
    for _ in range(positions):
        # Only from where the reach has just risen can it rise elsewhere.
        via, _ = spans(steps.begins, risen)
        offered = reach[steps.parents[via]] * rates[via]
        is_better = offered > reach[steps.children[via]]
        via, offered = via[is_better], offered[is_better]
        if not len(via):
            break
        children = steps.children[via]
        # A strictly better way replaces the old one, so ways never run in a circle.
        onward = variance[steps.parents[via]] + log_variances[via]
        np.maximum.at(reach, children, offered)
        is_best = offered == reach[children]
        # Of equally good steps the first is taken: written last, it stays.
        best_step[children[is_best][::-1]] = np.flatnonzero(is_best)[::-1]
        is_risen[:] = False
        is_risen[children] = True
        risen = np.flatnonzero(is_risen)
        variance[risen] = onward[best_step[risen]]
    return Steered(reach, variance)


def steer_for_both(
    steps: Steps,
    rates: Floats,
    log_variances: Floats,
    white_to_move: Flags,
    *,
    start: int,
    own_rates: Floats | float = 1.0,
) -> Steered:
    """Steered reach of each position for the side that is not to move there.

    `rates` (0 to 1) and `log_variances` of the other side's moves, and `own_rates` of that side's (0: it is
    not to play this one), have one entry for each step.
    """
    reach, log_variance = np.zeros(len(white_to_move)), np.zeros(len(white_to_move))
    for white_steers in (True, False):
        own = white_to_move[steps.parents] == white_steers
        steered = steered_reach(
            steps, np.where(own, own_rates, rates), np.where(own, 0.0, log_variances), start=start
        )
        theirs = white_to_move != white_steers
        reach[theirs], log_variance[theirs] = steered.reach[theirs], steered.log_variance[theirs]
    return Steered(reach, log_variance)


def sound_reach(store: Store, soundness: float, bands: Sequence[str] = ()) -> pd.DataFrame:
    """Steered reach of every position and band, our side losing at most `soundness` with any of its moves.

    Columns key, band, steered_reach, steered_log_variance, for the rows of the table `reach` (of `bands`, or
    of all if empty), in their order. A move of ours is forbidden if the judge found that it loses more than
    `soundness` of expected score; moves that were not judged are allowed. Where the best way is allowed the
    numbers are those of `reach`. As there, a position is reached at least as often as the band's games
    came to it, here without those that came by a forbidden move.
    Raises StoreError without tally or verdicts.
    """
    store.require("judge")
    confidence = store.require("tally").settings["confidence"]
    replies, reach = store.read_table("replies"), store.read_table("reach").to_pandas()
    edges = edges_of(store.read_table("positions", ["key", "ply"]), replies, store.read_table("edges"))
    judged = store.read_table("judged", ["key", "move", "loss", "state"]).to_pandas()
    losing = judged[(judged["state"] == "judged") & (judged["loss"] > soundness)]
    rows = edges.rows(losing["key"].to_numpy(), losing["move"].to_numpy())
    forbidden = np.isin(np.arange(len(edges.key)), rows)
    of_band = dict(tuple(replies.to_pandas().groupby("band")))
    wanted = reach[reach["band"].isin(bands)] if bands else reach
    parts = [
        _of_band(edges, forbidden, of_band[band], of_reach, confidence)
        for band, of_reach in wanted.groupby("band")
    ]
    found = pd.concat(parts) if parts else wanted
    columns = ["key", "band", "steered_reach", "steered_log_variance"]
    return found.sort_values(["key", "band"], ignore_index=True)[columns]


def _of_band(
    edges: Edges, forbidden: Flags, replies: pd.DataFrame, reach: pd.DataFrame, confidence: float
) -> pd.DataFrame:
    """The rows of `reach`, all of one band, with the sound numbers in place of the others."""
    rates, variances = band_rates(edges, replies, confidence)
    steps = Steps.between(edges.parent, edges.child, len(edges.keys))
    by_steps = steps, rates[steps.replies], variances[steps.replies], edges.white_to_move
    free = steer_for_both(*by_steps, start=edges.start)
    sound = steer_for_both(
        *by_steps, start=edges.start, own_rates=np.where(forbidden[steps.replies], 0.0, 1.0)
    )
    whites = edges.white_to_move[edges.parent]
    share = np.where(
        edges.white_to_move,
        share_of_games(edges, forbidden & ~whites),
        share_of_games(edges, forbidden & whites),
    )
    place = np.searchsorted(edges.keys, reach["key"].to_numpy())
    table, plain, games = (reach[name].to_numpy() for name in ("steered_reach", "plain_reach", "reach_games"))
    of_ways, least = sound.reach[place], plain * share[place]
    # The table knows the rates of replies that the band never chose, too; it stands where it may.
    stands = (table > plain) & (of_ways >= free.reach[place])
    reached = np.where(stands, table, of_ways)
    counted = (1.0 - least) / np.maximum(games * share[place], 1.0)
    of_way = np.where(stands, reach["steered_log_variance"].to_numpy(), sound.log_variance[place])
    return reach.assign(
        steered_reach=np.maximum(reached, least),
        steered_log_variance=np.where(reached >= least, of_way, counted),
    )


def band_rates(edges: Edges, replies: pd.DataFrame, confidence: float) -> tuple[Floats, Floats]:
    """Pick rate of every edge by one band's rows of `replies`, and the variance of its logarithm; both 0
    where the band never chose it.
    """
    rates, variances = np.zeros(len(edges.key)), np.zeros(len(edges.key))
    rows = edges.rows(replies["key"].to_numpy(), replies["move"].to_numpy())
    rate = replies["pick_rate"].to_numpy()
    low, high = (replies[name].to_numpy() for name in ("pick_rate_low", "pick_rate_high"))
    deviation = stats.deviation_of(low, high, confidence=confidence)
    known = rows >= 0
    rates[rows[known]] = rate[known]
    variances[rows[known]] = np.square(deviation[known] / np.maximum(rate[known], 1e-12))
    return rates, variances


def share_of_games(edges: Edges, forbidden: Flags) -> Floats:
    """Share (0 to 1) of each position's games that came without a forbidden reply, all bands together.

    Games that came by replies that are not tallied count as having come without one.
    """
    leads = edges.child >= 0
    parent, child, games = edges.parent[leads], edges.child[leads], edges.games[leads].astype(np.float64)
    passes = ~forbidden[leads]
    size = len(edges.keys)
    through = np.bincount(edges.parent, edges.games, minlength=size)
    through = np.maximum(through, np.bincount(child, games, minlength=size))
    share = np.ones(size)
    for _ in range(size):
        kept_out = np.bincount(child, games * (1.0 - passes * share[parent]), minlength=size)
        now = 1.0 - kept_out / np.maximum(through, 1.0)
        now[edges.start] = 1.0
        if np.allclose(now, share, rtol=0.0, atol=1e-9):
            break
        share = now
    return share
