"""Whether what was predicted of losing replies agrees with what held-out games show: by results, and by what
the engine says nine plies later.

One result says little; an evaluation a few moves on says much more, so that signs can be counted with some
power: whether the others really did better as often as if every prediction were true. `after` is the part of
the prediction that evaluations are to show, without the factor by which they count in results.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from miner.arrays import Floats
from miner.engine.consult import Engines
from miner.engine.identity import find_engine
from miner.finding.finding import tells
from miner.follow import lasting, passages
from miner.means import Means
from miner.rank.groups import REPLY
from miner.rank.later import valued, with_players
from miner.rank.parts import Parts
from miner.rank.results import chosen_moves, part_observed
from miner.settings import FollowSettings
from miner.store import Store
from miner.store.query import Resources, connected_to_games

if TYPE_CHECKING:
    from benchmarks.mined import Halves
    from benchmarks.replication import Compared

CLAIMS = ("claim", "claim_own", "claim_common")
DRAWS = 2_000
LEVEL = 0.05  # of the test
FEWEST = 10  # games with the reply from which a group is told of: fewer hardly scatter


def games_later(store: Store, replies: pd.DataFrame, split: Halves, asking: Asking) -> pd.DataFrame:
    """A sample of a half's games through the positions of these replies: columns of `with_players`, cp."""
    with (
        store.scratch() as spill,
        connected_to_games(store.path("moves"), store.path("games"), spill, Resources()) as connection,
    ):
        sample = passages.sampled_games(connection, replies[REPLY].drop_duplicates(), asking.games)
        moves = passages.moves_of(connection, sample)
    later = lasting.later_of(sample, moves, store.require("read").settings["plies"])
    means = Means(engine=find_engine(), cache=asking.cache)
    engines = Engines(means, split.mined.require("judge").settings["hash_mb"])
    games, _ = lasting.evaluated(later, engines, FollowSettings().lasting_nodes)
    return with_players(store, games.dropna(subset="cp").drop(columns=["ply", "at"]), split.bands)


@dataclass(frozen=True, slots=True)
class Asking:
    """How many games of each reply are looked at nine plies later, and where the verdicts are kept."""

    cache: Path
    games: int = FollowSettings().lasting_games


def parts_of(split: Halves, asking: Asking) -> Parts:
    """The parts that the mined half shows, as `rank` fits them."""
    judged = split.judged
    losing = judged[tells(judged)][[*REPLY, "cp_best", "cp_reply"]]
    chosen = chosen_moves(split.mined, losing, split.bands)
    games = games_later(split.mined, losing, split, asking)
    return part_observed(chosen, losing, judged, split.curves, games)


def values_later(split: Halves, pairs: pd.DataFrame, asking: Asking) -> pd.DataFrame:
    """Games of the held-out half: pair, game, chosen, and their value nine plies later: score, adjusted."""
    rows = games_later(split.held_out, pairs, split, asking)
    rows = rows.assign(is_better=rows["chosen"] != rows["move"])
    told = valued(rows, split.curves, [*REPLY, "band", "is_better"]).games
    told = told.merge(pairs.reset_index(names="pair")[[*REPLY, "band", "pair"]], on=[*REPLY, "band"])
    values = {"score": told["value"], "adjusted": told["value"]}
    return pd.DataFrame({"pair": told["pair"], "game": told["game"], "chosen": ~told["is_better"]} | values)


def with_claims(pairs: pd.DataFrame, parts: Parts) -> pd.DataFrame:
    """The rows (key, move, whole and step) with CLAIMS: what the parts predict, and its doubts."""
    rows = pairs.rename(columns={"gain": "told", "whole": "gain", "step": "expected"})
    _, deviation = parts.of(rows)
    own = np.sqrt(np.maximum(deviation**2 - parts.deviation**2, 0.0)) * pairs["whole"].to_numpy()
    return pairs.assign(
        claim=parts.foreseen(rows).to_numpy(), claim_own=own, claim_common=parts.deviation * rows["expected"]
    )


@dataclass(frozen=True, slots=True)
class Predicted:
    """Differences that are predicted, one entry per reply and band, and their doubts."""

    value: Floats
    own: Floats  # standard deviations, each for itself
    common: Floats  # the deviation that all have in common

    @classmethod
    def of(cls, pairs: pd.DataFrame) -> Predicted:
        """Those of rows that `with_claims` has made."""
        return cls(*(pairs[name].to_numpy(dtype=np.float64) for name in CLAIMS))

    def take(self, places: Any) -> Predicted:
        """Some of them."""
        return Predicted(self.value[places], self.own[places], self.common[places])

    def error(self, weight: Floats) -> float:
        """Of their weighted sum."""
        return float(np.hypot(np.sqrt(((weight * self.own) ** 2).sum()), weight @ self.common))


def agreement(seen: Compared) -> pd.DataFrame:
    """Predicted and seen, by n m / (n + m) pooled: all, by band, and by thirds of the list in its order."""
    predicted = Predicted.of(seen.pairs)
    n, m = seen.counts()
    known = np.flatnonzero((n > 0) & (m > 0) & np.isfinite(predicted.value))
    groups = {"all": known}
    groups |= {
        f"band {band}": known[(seen.pairs["band"].to_numpy() == band)[known]]
        for band in sorted(seen.pairs["band"].unique(), key=lambda name: (len(name), name))
    }
    thirds = ("first third", "second third", "last third")
    groups |= dict(zip(thirds, np.array_split(known, 3), strict=True))
    rows = []
    differences = seen.differences("adjusted")
    for name, places in groups.items():
        weight = np.zeros(len(n))
        weight[places] = (n * m)[places] / (n + m)[places]
        if weight.sum() <= 0.0 or (name != "all" and n[places].sum() < FEWEST):
            continue
        weight = weight / weight.sum()
        value = float(weight @ np.nan_to_num(predicted.value))
        doubt = predicted.take(places).error(weight[places])
        found, error = float(weight @ np.nan_to_num(differences)), seen.standard_error(weight)
        rows.append(
            {
                "": name,
                "findings": len(places),
                "games": f"{n[places].sum():,.0f}",
                "predicted": f"{value:+.4f} ± {doubt:.4f}",
                "seen": f"{found:+.4f} ± {error:.4f}",
                "off by": f"{(found - value) / np.hypot(doubt, error):+.2f} sd",
            }
        )
    return pd.DataFrame(rows).set_index("")


@dataclass(frozen=True, slots=True)
class Signs:
    """How many differences have the right sign, held against what true predictions would have."""

    findings: int
    right: float  # share
    expected: float  # share, if predictions are true
    low: float  # within which the share then is but for `LEVEL`
    high: float
    power: float  # how likely the test notices if no reply costs anything
    power_half: float  # and if each costs half of what is predicted

    @property
    def holds(self) -> bool:
        """Whether the share is one that true predictions would have."""
        return self.low <= self.right <= self.high

    def words(self) -> str:
        """All of it in a sentence."""
        return (
            f"right sign: {self.right:.1%} of {self.findings}; if predictions are true {self.expected:.1%} "
            f"({1 - LEVEL:.0%}: {self.low:.1%} to {self.high:.1%}). Power of this two-sided test if nothing "
            f"is lost: {self.power:.0%}, if half: {self.power_half:.0%}"
        )


def signs(seen: Compared, seed: int = 1, draws: int = DRAWS) -> Signs:
    """Of the replies with games on either side.

    What predictions would have is drawn: truths by their doubts, and around these what games scatter by, each
    with one lot for all pairs that it is part of.
    """
    predicted = Predicted.of(seen.pairs)
    n, m = seen.counts()
    places = np.flatnonzero((n > 0) & (m > 0) & np.isfinite(predicted.value))
    some, told = seen.where(np.isin(np.arange(len(n)), places)), predicted.take(places)
    random = np.random.default_rng(seed)
    leverage = some.leverage()
    noise = leverage @ random.standard_normal((leverage.shape[1], draws)) * np.sqrt(some.variance())
    doubt = told.own[:, None] * random.standard_normal((len(places), draws))
    doubt += told.common[:, None] * random.standard_normal(draws)
    truth = told.value[:, None] + doubt
    shares, halved, none = ((part * truth + noise > 0.0).mean(axis=0) for part in (1.0, 0.5, 0.0))
    low, high = (float(bound) for bound in np.quantile(shares, [LEVEL / 2, 1.0 - LEVEL / 2]))
    noticed = [float(((share < low) | (share > high)).mean()) for share in (none, halved)]
    right = float((some.differences("adjusted") > 0.0).mean())
    return Signs(len(places), right, float(shares.mean()), low, high, *noticed)
