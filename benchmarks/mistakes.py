"""Whether what a scan tells of mistakes holds for players that it was not made from.

    python -m benchmarks.mistakes STORE

The players of a scanned store are split into halves by a hash. What the games of the first half make is held
against those of the second:

motifs: how many of the intervals of how often players fall for a motif hold, and of how often an answer is
found, as in benchmarks/proofs.py: a count is held against what the rate's distribution predicts for as many
games, with the players' habits. Then the rank correlation of the rates of both halves, and what it would be
if both had the same rates: few games make ranks uncertain.
chances: the log loss of whether an answer was found, by the model of difficulty, by the mean of each motif
(with as many answers of the mean of all as the motif's own are pooled with best) and by the mean of all.
bands: mistakes in a game by band, which should fall from each to the next: A. Anderson, J. Kleinberg and
S. Mullainathan, Proc. KDD 2016, found fewer blunders with every step of skill (from memory).
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats as scipy_stats

from benchmarks.proofs import coverage, half_of, places_among
from miner import pooling
from miner.arrays import Floats
from miner.finding.motifs import TOLD_FROM
from miner.scan.difficulty import fit, rating_of_other, seen_of
from miner.scan.motifs import count_motifs, sides_of, tally_motifs, who_of
from miner.scan.stage import scanned_games
from miner.store import Store
from miner.terms import ALL_BANDS, UNRATED, BandScheme

COMMON = (20, 50, 100)  # games, or chances, of both halves from which rates are ranked
ENOUGH_GAMES = 100  # games of a band's players from which its mistakes are compared
DRAWS = 100  # of both halves, to know what chance does to ranks
_NODE = ["pattern", "piece", "square"]
_LEANS = (1, 2, 5, 10, 20, 50)  # answers of the mean of all that a motif's own may be pooled with


def halves_of_motifs(moments: pd.DataFrame, games: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """A row per band and told motif: games, exposure and chances of both halves (`_first`, `_second`).

    `correlation_first`: how much alike one player's games are, by the first half.
    """
    parts = []
    for name, half in (("first", 0), ("second", 1)):

        def among(who: Any, half: int = half) -> Any:
            return half_of(np.asarray(who)) == half

        counted, correlation = tally_motifs(moments, games, bands, among)
        parts.append(
            counted.assign(correlation=correlation).set_index(["band", *_NODE]).add_suffix(f"_{name}")
        )
    both = parts[0].join(parts[1], how="outer").reset_index()
    # A motif that a half has not met was still possible in all its games.
    for part in ("first", "second"):
        for column in ("games_scanned", "own", "correlation"):
            of_band = both.groupby("band")[f"{column}_{part}"].transform("max")
            both[f"{column}_{part}"] = of_band
    recurs = both["recurs_first"].eq(True) | both["recurs_second"].eq(True)
    told = both[recurs & (both["games_scanned_first"] > 0) & (both["games_scanned_second"] > 0)]
    counts = told.columns[told.dtypes == np.float64]
    filled: pd.DataFrame = told.assign(**{name: told[name].fillna(0.0) for name in counts})
    return filled


def places(both: pd.DataFrame, count: str, of: str, squared: str, seed: int = 1) -> pd.DataFrame:
    """Where each count of the second half stands in what the first predicts; see `proofs.places_of`."""
    both = both[(both[f"{of}_first"] > 0) & (both[f"{of}_second"] > 0)]
    first, second, own_first, own_second, chosen, seen = (
        both[f"{name}_{part}"].to_numpy(float)
        for name in (of, squared, count)
        for part in ("first", "second")
    )
    correlation = float(both["correlation_first"].max())
    worth = pooling.worth_of_games(first, own_first, correlation)
    place = places_among(
        np.random.default_rng(seed),
        chosen * worth + 0.5,
        (first - chosen) * worth + 0.5,
        second.astype(np.int64),
        seen.astype(np.int64),
        pooling.worth_of_games(second, own_second, correlation),
    )
    return pd.DataFrame({"band": both["band"].to_numpy(), "games": first, "place": place})


def rank_correlation(
    both: pd.DataFrame, count: str, of: str, least: int, by: str, seed: int = 1
) -> tuple[float, float, int]:
    """Spearman's of the rates of both halves, all bands together; what it would be by chance; of how many.

    Motifs with `least` of the column `by` in both halves together. By chance: the mean of counts that are
    drawn anew for both halves from the same rates, those of both together.
    """
    common = both[(both["band"] == ALL_BANDS) & (both[f"{by}_first"] + both[f"{by}_second"] >= least)]
    common = common[(common[f"{of}_first"] > 0) & (common[f"{of}_second"] > 0)]
    counts, of_all = (
        common[[f"{name}_first", f"{name}_second"]].to_numpy(float).astype(np.int64) for name in (count, of)
    )
    same = (counts.sum(axis=1) / of_all.sum(axis=1))[:, None]
    random = np.random.default_rng(seed)
    drawn = [_rank_correlation(random.binomial(of_all, same) / of_all) for _ in range(DRAWS)]
    return _rank_correlation(counts / of_all), float(np.mean(drawn)), len(common)


def _rank_correlation(rates: Floats) -> float:
    if len(rates) < 3:
        return float("nan")
    return float(scipy_stats.spearmanr(rates[:, 0], rates[:, 1]).statistic)


def log_losses(moments: pd.DataFrame, games: pd.DataFrame) -> pd.DataFrame:
    """Log loss, in nats, of whether an answer was found, each player's by a model of the other half's.

    Columns: model, motif, mean; a row per answer on record, none where they are too few for a model.
    """
    known = moments[moments["found"].notna()].reset_index(drop=True)
    seen, ratings = seen_of(known), rating_of_other(known, games)
    other = who_of(known["player_other"], known["game"], (known["ply"] + 1) % 2)
    found, half = known["found"].to_numpy(bool), half_of(other)
    chances = {name: np.full(len(known), np.nan) for name in ("model", "motif", "mean")}
    for tested in (0, 1):
        made, told = half != tested, half == tested
        model = fit(seen[made], ratings[made], found[made])
        if model is None:
            return pd.DataFrame(columns=list(chances), dtype=np.float64)
        chances["model"][told] = model.chances(seen[told], ratings[told])
        chances["mean"][told] = found[made].mean()
        chances["motif"][told] = _by_motif(known["motif"], found, made, told)
    return pd.DataFrame({name: _log_loss(foretold, found) for name, foretold in chances.items()})


def _by_motif(motif: pd.Series, found: Any, made: Any, told: Any) -> Floats:
    """The means of motifs, pooled with as many answers of the mean of all as foretells best: his luck."""
    mean = found[made].mean()
    counts = pd.Series(found[made]).groupby(motif[made].to_numpy()).agg(["sum", "size"])

    def chances(lean: int) -> Floats:
        shares = (counts["sum"] + lean * mean) / (counts["size"] + lean)
        return np.asarray(motif[told].map(shares).fillna(mean), dtype=np.float64)

    return min((chances(lean) for lean in _LEANS), key=lambda some: float(_log_loss(some, found[told]).sum()))


def _log_loss(chances: Floats, found: Any) -> Floats:
    sure = np.clip(chances, 1e-6, 1.0 - 1e-6)
    return np.asarray(-np.log(np.where(found, sure, 1.0 - sure)))


def mistakes_by_band(moments: pd.DataFrame, games: pd.DataFrame, bands: BandScheme) -> pd.DataFrame:
    """Mistakes in a game of a player, by band, with a standard error that takes players as the unit.

    Columns: band, games, players, mistakes, error, found (share of the chances that players of the band had).
    """
    sides = sides_of(games, bands).assign(
        game=np.tile(games["game"].to_numpy(), 2), side=np.repeat([0, 1], len(games))
    )
    made = moments.groupby(["game", moments["ply"] % 2]).size().rename("made")
    sides = sides.merge(made.rename_axis(["game", "side"]).reset_index(), how="left", on=["game", "side"])
    of_player = sides.fillna({"made": 0}).groupby(["band", "who"])["made"].agg(["sum", "size"]).reset_index()
    found = moments[moments["found"].notna()].groupby("band_other")["found"].apply(lambda some: some.mean())
    rows = []
    for band in bands.names:
        some = of_player[of_player["band"] == band]
        if some.empty:
            continue
        played, rate = some["size"].sum(), some["sum"].sum() / some["size"].sum()
        error = np.sqrt(np.sum((some["sum"] - rate * some["size"]) ** 2)) / played
        row = {"band": band, "games": played, "players": len(some), "mistakes": rate, "error": error}
        rows.append(row | {"found": found.get(band, np.nan)})
    return pd.DataFrame(rows)


def tell(store: Store) -> None:
    """Print what the second half says."""
    games = scanned_games(store)
    moments = store.read_table("moments").to_pandas()
    both = halves_of_motifs(moments, games, store.bands)
    print(f"{len(games):,} games, {len(moments):,} mistakes", end="; ")
    print(f"correlation of one player's games {both['correlation_first'].max():.3f}")
    _tell_rates("how often they fall for a motif", both, "games", "games_scanned", "own", "games")
    several = both[both["chance_players_first"] >= TOLD_FROM]
    _tell_rates("how often an answer is found", several, "found", "chances", "squared_faced", "chances")
    losses = log_losses(moments, games)
    told = ", ".join(f"{name} {losses[name].mean():.4f}" for name in losses)
    less = losses["motif"] - losses["model"]
    error = less.std() / np.sqrt(max(len(less), 1))
    print(f"log loss of {len(less):,} answers: {told}", end="; ")
    print(f"model less than motif by {less.mean():.4f} +- {error:.4f}")
    by_band = mistakes_by_band(moments, games, store.bands)
    print(by_band.round(3).to_string(index=False))
    enough = by_band[(by_band["games"] >= ENOUGH_GAMES) & (by_band["band"] != UNRATED)]
    rate, error = enough["mistakes"].to_numpy(float), enough["error"].to_numpy(float)
    steps = np.diff(rate) / np.hypot(error[1:], error[:-1])
    print(f"from band to band, with {ENOUGH_GAMES} games or more, mistakes in a game", end=" ")
    print(f"fall in {(steps < 0).sum()} of {len(steps)} steps", end="; ")
    print(f"the one that falls least is {steps.max(initial=-np.inf):+.1f} standard errors")
    motifs = count_motifs(moments, games, store.bands, 0.9)
    common = motifs[(motifs["band"] == ALL_BANDS) & motifs["recurs"]].nlargest(12, "games")
    columns = ["motif", "games", "per_100", "per_100_low", "per_100_high", "find_rate"]
    print(common[columns].round(2).to_string(index=False))


def _tell_rates(what: str, both: pd.DataFrame, count: str, of: str, squared: str, by: str) -> None:
    held = places(both, count, of, squared)
    is_band = held["band"] != ALL_BANDS
    print(f"{what}: intervals of 90 % that hold", end=" ")
    print(f"{coverage(held[is_band], 0.9):.1%} of {is_band.sum():,} by band", end=", ")
    print(f"{coverage(held[~is_band], 0.9):.1%} of {(~is_band).sum():,} of all together", end="; ")
    ranked = (rank_correlation(both, count, of, least, by) for least in COMMON)
    told = (
        f"{value:.2f} ({by_chance:.2f} if the rates are equal) of {number} with {least}"
        for least, (value, by_chance, number) in zip(COMMON, ranked, strict=True)
    )
    print(f"rank correlation {', '.join(told)} {by} or more")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("store", type=Path)
    tell(Store.open(parser.parse_args().store))


if __name__ == "__main__":
    main()
