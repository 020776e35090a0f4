"""Whether findings replicate on games they were not mined from, and whether errors fall with rating.

    python -m benchmarks.replication GAMES.pgn[.zst] --cache FILE [--folder DIR] [--both] [--nodes N,N,...]
        [--min-games-at-position N] [--min-games N] [--min-players N] [--min-pick-rate SHARE]
        [--min-points POINTS] [--loss SCORE] [--top 100] [--least 20]

The games are split in two by a hash of their text. Of the second half those games are left out whose moves
are in the first, too: the same game recorded twice. The first half is read, tallied, judged and ranked;
with --both, where games are few, then the second, and each is asked of the other. A finding here is a
losing reply in one band: the trap and the pitfall are the same players' games. On the other half the band's
players who chose the reply are compared with those who did not, in the same position.

The mined half's own difference is told beside it. It is biased: players' results had a hand in which
replies were looked at closely. The held-out half had none. Those who err may be weaker in a way that has
nothing to do with the reply: `adjusted` takes off what the curve lets expect of the rating gap, where both
ratings are known. And the placebo asks the same of sound replies: in each finding's position the one that
is judged to lose next to nothing and was chosen about as often as the losing reply (in the mined half),
against the other replies there that lose next to nothing.

predicted: the curve's step from the best move down to the reply times the part of such steps that the mined
half's own games show, of all replies together. The others did not all play the best move: `to others` is the
same from what they chose in the mined half, as far as that was judged. mean: each finding counts alike.
pooled: by n m / (n + m), n games with the reply and m without it (Cochran-Mantel-Haenszel). Standard errors
take a game for one piece of evidence, however many findings' positions it went through. `could be right`:
share of right signs if every prediction were true. Intervals: 90%. `slope`: of the differences against the
predictions, through zero: large losses count for more.

The second table, where players have ratings, and its source: see `error_rates.py`. Figures go to --folder
(they need matplotlib), and so do the stores.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse, special

from benchmarks.agreement import Asking, agreement, parts_of, signs, values_later, with_claims
from benchmarks.error_rates import ENOUGH, draw_errors, errors, replies_made, slope, told_errors
from benchmarks.mined import CONFIDENCE, Halves, draw, leave_out_copies, mine, moves_in
from benchmarks.steering import halves
from miner import stats
from miner.arrays import Floats
from miner.board.moves import pack
from miner.curve.fit import Curves
from miner.settings import FollowSettings, JudgeSettings, TallySettings

SOUND = 0.02  # expected score that a sound reply loses at the most
PAIR = ["key", "move", "band"]
COLUMNS = [*PAIR, "cp_best", "cp_reply", "games"]  # games: of the mined half, with the reply
VALUED = [*COLUMNS, "pick_rate", "plain_reach"]


@dataclass(frozen=True, slots=True)
class Compared:
    """Replies, and what the second half's games say of each, one entry per reply and band."""

    pairs: pd.DataFrame  # key, move, band, gain, to_others, and mined, the first half's own difference
    games: pd.DataFrame  # pair (place), game, chosen (the reply or another), score, adjusted

    def where(self, chosen: npt.NDArray[np.bool_]) -> Compared:
        """Some of the replies, and their games."""
        places = np.flatnonzero(chosen)
        games = self.games[self.games["pair"].isin(places)]
        pairs = self.pairs.iloc[places].reset_index(drop=True)
        return Compared(pairs, games.assign(pair=np.searchsorted(places, games["pair"])))

    def first(self, top: int, least: int) -> Compared:
        """The first `top` replies that `least` games or more chose, and some did not."""
        n, m = self.counts()
        enough = np.flatnonzero((n >= max(least, 1)) & (m >= 1))[:top]
        return self.where(np.isin(np.arange(len(self.pairs)), enough))

    def counts(self) -> tuple[Floats, Floats]:
        """Games with each reply, and with another."""
        chosen = self.games["chosen"].to_numpy()
        pair, most = self.games["pair"].to_numpy(), len(self.pairs)
        n, m = (np.bincount(pair[which], minlength=most).astype(float) for which in (chosen, ~chosen))
        return n, m

    def differences(self, column: str) -> Floats:
        """What the others scored more than those who chose each reply."""
        means = self.games.groupby(["pair", "chosen"])[column].mean().unstack()
        told = means.reindex(index=range(len(self.pairs)), columns=[False, True])
        return np.asarray(told[False] - told[True], dtype=np.float64)

    def standard_error(self, weight: Floats) -> float:
        """Of the weighted sum of the differences, one game being one piece of evidence."""
        by_game = weight @ self.influence()
        return float(np.sqrt((by_game**2).sum()))

    def influence(self) -> Any:
        """By how much each game (columns) is off in each difference (rows): a sparse array."""
        groups = self.games.groupby(["pair", "chosen"])["score"]
        size = groups.transform("size").to_numpy()
        left = (self.games["score"] - groups.transform("mean")).to_numpy()
        # Around their own mean few results scatter too little: as in a sample's variance.
        left = left * np.sqrt(size / np.maximum(size - 1.0, 1.0))
        return self._by_game(left / size)

    def leverage(self) -> Any:
        """By how much a game is off in each difference that is off by one standard deviation of a game."""
        size = self.games.groupby(["pair", "chosen"])["score"].transform("size").to_numpy()
        return self._by_game(1.0 / size)

    def _by_game(self, values: Floats) -> Any:
        sign = np.where(self.games["chosen"], -1.0, 1.0)
        _, game = np.unique(self.games["game"], return_inverse=True)
        shape = (len(self.pairs), int(game.max(initial=-1)) + 1)
        return sparse.csr_array((sign * values, (self.games["pair"], game)), shape=shape)

    def variance(self) -> float:
        """Of a game among those of one reply and band, or of the others there; alike everywhere."""
        groups = self.games.groupby(["pair", "chosen"])["score"]
        left = self.games["score"] - groups.transform("mean")
        return float((left**2).sum()) / max(len(left) - groups.ngroups, 1)

    def standard_errors(self) -> Floats:
        """Of each difference, results scattering alike everywhere."""
        n, m = self.counts()
        return np.asarray(np.sqrt(self.variance() * (1.0 / n + 1.0 / m)), dtype=np.float64)


def joined(parts: Sequence[Compared]) -> Compared:
    """Several as one: the first replies of each, then the second ones."""
    places = [np.arange(len(one.pairs)) * len(parts) + part for part, one in enumerate(parts)]
    order = np.argsort(np.concatenate(places))
    new = np.split(np.argsort(order), np.cumsum([len(one) for one in places])[:-1])
    pairs = pd.concat([one.pairs for one in parts], ignore_index=True).iloc[order]
    games = [
        one.games.assign(pair=place[one.games["pair"]], game=one.games["game"] * len(parts) + part)
        for part, (one, place) in enumerate(zip(parts, new, strict=True))
    ]
    return Compared(pairs.reset_index(drop=True), pd.concat(games, ignore_index=True))


def losing_replies(split: Halves) -> pd.DataFrame:
    """The findings in their order, each reply and band once: VALUED."""
    found = split.mined.read_table("by_band").to_pandas()
    moves = [pack(chess.Move.from_uci(uci)) for uci in found["losing_reply_uci"]]
    found = found.assign(move=np.array(moves, dtype=np.uint16), games=found["games_with_reply"])
    return pd.DataFrame(found.drop_duplicates(PAIR, ignore_index=True)[VALUED])


def is_sound(judged: pd.DataFrame) -> pd.Series[bool]:
    """For each row of `judged`, with `losing`, whether the reply loses next to nothing."""
    return (judged["state"] == "judged") & (judged["loss"] <= SOUND) & ~judged["losing"]


def sound_replies(split: Halves, losing: pd.DataFrame) -> pd.DataFrame:
    """For each finding, if there is one, the sound reply there that was chosen about as often: COLUMNS."""
    sound = split.judged[is_sound(split.judged)][["key", "move", "cp_best", "cp_reply"]]
    replies = split.mined.read_table("replies", [*PAIR, "games"]).to_pandas()
    there = losing[["key", "band", "games"]].rename(columns={"games": "wanted"}).reset_index(names="place")
    rows = replies.merge(sound, on=["key", "move"]).merge(there, on=["key", "band"])
    rows["far"] = np.abs(np.log(rows["games"] / rows["wanted"]))
    nearest = rows.sort_values(["place", "far", "move"]).drop_duplicates("place")
    return pd.DataFrame(nearest.drop_duplicates(PAIR, ignore_index=True)[COLUMNS])


def compared(split: Halves, replies: pd.DataFrame, *, to_sound: bool = False) -> Compared:
    """The replies with what was predicted of them and what the held-out games say.

    With `to_sound` the others are only those who chose a sound reply.
    """
    replies = replies.reset_index(drop=True)
    known = split.judged[split.judged["state"] == "judged"]
    known = known[is_sound(known)] if to_sound else known
    ranked = split.mined.manifest("rank")
    part: float = ranked.facts["part_observed"] if ranked else 1.0
    pairs = replies.assign(whole=0.0, step=_step_to_others(split, replies, known))
    for band, of_band in replies.groupby("band"):
        gain, _ = split.curves.of(str(band)).gain(of_band["cp_best"], of_band["cp_reply"])
        pairs.loc[of_band.index, "whole"] = gain
    pairs = pairs.assign(gain=part * pairs["whole"], to_others=part * pairs["step"])
    parts = []
    for store in (split.mined, split.held_out):
        games = moves_in(store, replies["key"], split.bands)
        games = games.merge(replies.reset_index(names="pair"), on=["key", "band"], suffixes=("", "_asked"))
        games["chosen"] = games["move"] == games["move_asked"]
        if to_sound:
            sound = games[["key", "move"]].merge(known[["key", "move"]], how="left", indicator=True)
            games = games[games["chosen"] | (sound["_merge"] == "both")]
        parts.append(adjusted(games, split.curves)[["pair", "game", "chosen", "score", "adjusted"]])
    mined, held_out = parts
    return Compared(pairs.assign(mined=Compared(pairs, mined).differences("score")), held_out)


def adjusted(games: pd.DataFrame, curves: Curves) -> pd.DataFrame:
    """The games with `adjusted`: the score less what the rating gap is worth after what was chosen.

    They have band, gap, score, cp_best and cp_reply, and chosen: which of these counts.
    """
    gap = games["gap"].astype(float).fillna(0.0).to_numpy()
    cp = games["cp_reply"].where(games["chosen"], games["cp_best"]).to_numpy(dtype=np.float64)
    worth = np.zeros(len(games))
    for band in games["band"].unique():
        curve, rows = curves.of(band), (games["band"] == band).to_numpy()
        worth[rows] = curve.expected(cp[rows], gap[rows]) - curve.expected(cp[rows])
    return games.assign(adjusted=games["score"] - worth)


def _step_to_others(split: Halves, replies: pd.DataFrame, judged: pd.DataFrame) -> Floats:
    """What the curve gives those who chose another judged reply, in the mined half, above the reply."""
    played = split.mined.read_table("replies", [*PAIR, "games"]).to_pandas()
    others = played.merge(judged[["key", "move", "cp_reply"]], on=["key", "move"])
    told = np.full(len(replies), np.nan)
    for place, row in enumerate(replies.itertuples(index=False)):
        there = others[
            (others["key"] == row.key) & (others["band"] == row.band) & (others["move"] != row.move)
        ]
        if len(there):
            curve = split.curves.of(str(row.band))
            mean = np.average(curve.expected(there["cp_reply"]), weights=there["games"])
            told[place] = mean - curve.expected(float(str(row.cp_reply)))
    return told


def summary(name: str, some: Compared, *, pooled: bool = False) -> dict[str, Any]:
    """A column of the first table."""
    n, m = some.counts()
    told: dict[str, Any] = {"": name, "findings": len(n), "games": f"{n.sum():,.0f}"}
    if not len(n):
        return told
    weight = n * m / (n + m) if pooled else np.ones(len(n))
    weight = weight / weight.sum()
    differences, gain = some.differences("score"), some.pairs["gain"].to_numpy()
    could_be = special.ndtr(gain / np.maximum(some.standard_errors(), 1e-9)).mean()
    mean, error, predicted = weight @ differences, some.standard_error(weight), weight @ gain
    reach = stats.normal_quantile((1.0 + CONFIDENCE) / 2.0) * error
    told |= {
        "right sign": share_in_words(int((differences > 0).sum()), len(n)),
        "could be right": f"{could_be:.1%}",
        "mined": f"{_mean_of_known(some.pairs['mined'], weight):+.3f}",
        "held out": f"{mean:+.3f} ± {error:.3f}",
        "adjusted": f"{weight @ some.differences('adjusted'):+.3f}",
        "predicted": f"{predicted:+.3f}",
        "to others": f"{_mean_of_known(some.pairs['to_others'], weight):+.3f}",
    }
    if predicted > SOUND:
        low, high = (mean - reach) / predicted, (mean + reach) / predicted
        told["ratio"] = f"{mean / predicted:.2f} ({low:.2f} to {high:.2f})"
        by_gain = weight * gain / (weight @ gain**2)
        told["slope"] = f"{by_gain @ differences:.2f} ± {some.standard_error(by_gain):.2f}"
    return told


def share_in_words(successes: int, trials: int) -> str:
    """A share with its binomial interval (Jeffreys; none and all are their own bounds)."""
    counts = np.array([successes + 0.5]), np.array([trials - successes + 0.5])
    [low], [high] = stats.beta_interval(*counts, confidence=CONFIDENCE)
    low, high = low if successes else 0.0, high if successes < trials else 1.0
    return f"{successes / trials:.1%} ({low:.1%} to {high:.1%})"


def _mean_of_known(values: pd.Series[float], weight: Floats) -> float:
    known = values.notna().to_numpy()
    return float(np.average(values[known], weights=weight[known])) if known.any() else np.nan


def replicated(losing: Compared, sound: Compared, top: int, least: int) -> pd.DataFrame:
    """The first table: findings, then the placebo; a row each."""
    every = max(len(losing.pairs), len(sound.pairs))
    rows = [
        summary(f"first {top}, mean", losing.first(top, least)),
        summary("all, mean", losing.first(every, least)),
        summary("all, pooled", losing.first(every, 1), pooled=True),
        summary("sound, mean", sound.first(every, least)),
        summary("sound, pooled", sound.first(every, 1), pooled=True),
    ]
    return pd.DataFrame(rows).fillna("").set_index("")


def scatter(axes: Any, losing: Compared, sound: Compared, least: int) -> None:
    """Predicted and observed difference of each finding with enough games, and of the placebo."""
    for some, label, marker in ((sound, "sound replies", "s"), (losing, "losing replies", "o")):
        shown = some.first(len(some.pairs), least)
        if len(shown.pairs):
            axes.errorbar(
                shown.pairs["gain"],
                shown.differences("score"),
                shown.standard_errors(),
                fmt=marker,
                markersize=3,
                linewidth=0.6,
                alpha=0.7,
                label=label,
            )
    most = float(axes.get_xlim()[1])
    axes.plot([0.0, most], [0.0, most], color="grey", linewidth=1, label="as predicted")
    axes.axhline(0.0, color="grey", linewidth=0.6, linestyle=":")
    axes.set_title(f"Score that the others made more, {least} held-out games or more")
    axes.set(xlabel="predicted (gain for the band)", ylabel="held-out games, with standard errors")
    axes.legend()


def by_claims(split: Halves, some: Compared, asking: Asking) -> tuple[Compared, Compared | None]:
    """The replies in the order of what is claimed of them, and the same by evaluations nine plies later."""
    parts = parts_of(split, asking)
    pairs = with_claims(some.pairs, parts)
    value = pairs["pick_rate"] * pairs["plain_reach"] * parts.of(pairs)[0] * pairs["whole"]
    order = np.argsort(-value.to_numpy(), kind="stable")
    places = np.argsort(order)
    pairs = pairs.iloc[order].reset_index(drop=True)
    results = Compared(pairs, some.games.assign(pair=places[some.games["pair"]]))
    if parts.by_later is None:
        return results, None
    return results, Compared(with_claims(pairs, parts.by_later.parts), values_later(split, pairs, asking))


def told_agreement(ways: Sequence[Compared], lasts: Sequence[Compared | None]) -> str:
    """Predicted and seen by results and by evaluations later on, in groups, and the signs."""
    parts = {"by results, at equal ratings": joined(ways)}
    known = [one for one in lasts if one is not None]
    if known:
        parts["by evaluations nine plies later"] = joined(known)
    return "\n\n".join(
        f"{name}\n{agreement(some).to_string()}\n{signs(some).words()}" for name, some in parts.items()
    )


def report(mined: Sequence[Halves], top: int, least: int, folder: Path | None, asking: Asking) -> None:
    """Print the tables; draw both figures if there is a folder."""
    found = [losing_replies(one) for one in mined]
    ways = [compared(one, replies) for one, replies in zip(mined, found, strict=True)]
    losing = joined(ways)
    sound = joined(
        [
            compared(one, sound_replies(one, replies), to_sound=True)
            for one, replies in zip(mined, found, strict=True)
        ]
    )
    judged = pd.concat([one.judged for one in mined])
    print(f"{len(judged):,} replies judged, {judged['losing'].sum():,} losing", end="; ")
    print(f"{len(losing.pairs):,} findings (reply and band)")
    print(f"\nmeans: of those with {least} held-out games or more")
    print(replicated(losing, sound, top, least).T.to_string())
    if all(len(one.pairs) for one in ways):
        both = [by_claims(one, way, asking) for one, way in zip(mined, ways, strict=True)]
        print(f"\n{told_agreement([one for one, _ in both], [last for _, last in both])}")
    if folder:
        draw(folder / "replication.png", lambda axes: scatter(axes, losing, sound, least))
    made = replies_made(mined)
    if len(made) >= ENOUGH:
        table = errors(made, mined[0].bands)
        print(f"\n{told_errors(table)}")
        for name, in_place in (("all", False), ("in the same positions", True)):
            steepness, error = slope(made, in_place=in_place)
            print(f"per 200 rating points, {name}: {steepness:+.3%} ± {error:.3%}")
        if folder:
            draw(folder / "errors.png", lambda axes: draw_errors(axes, table))


def main() -> None:
    """Split, mine one half or both, and ask the other."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    usual = JudgeSettings()
    parser.add_argument("games", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--both", action="store_true")
    parser.add_argument("--nodes", default=",".join(map(str, usual.nodes)))
    parser.add_argument("--min-games-at-position", type=int, default=10, help="for both halves alike")
    parser.add_argument("--min-games", type=int, default=usual.min_games)
    parser.add_argument("--min-players", type=int, default=usual.min_players)
    parser.add_argument("--nodes-in-all", type=int, default=usual.nodes_in_all)
    parser.add_argument("--loss", type=float, default=usual.loss_threshold, help="that makes a reply losing")
    parser.add_argument("--later", type=int, default=FollowSettings().lasting_games, help="games of a reply")
    parser.add_argument("--top", type=int, default=100)
    parser.add_argument("--least", type=int, default=20)
    asked = parser.parse_args()
    settings = JudgeSettings(
        nodes=tuple(map(int, asked.nodes.split(","))),
        min_games=asked.min_games,
        min_players=asked.min_players,
        nodes_in_all=asked.nodes_in_all,
        loss_threshold=asked.loss,
        tempo_threshold=min(asked.loss, usual.tempo_threshold),
    )
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        files = halves(asked.games, Path(scratch))
        print(f"games of the second half left out, recorded in the first: {leave_out_copies(*files):,}")
        tallying = TallySettings(min_games=asked.min_games_at_position)
        stores = mine(files, folder, tallying, settings, asked.cache, both=asked.both)
        report(stores, asked.top, asked.least, asked.folder, Asking(asked.cache, asked.later))


if __name__ == "__main__":
    main()
