"""How players went on after a losing reply, as far as games were followed, beside its other numbers."""

from __future__ import annotations

from typing import Any

import chess
import numpy as np
import pandas as pd

from miner import pooling, stats
from miner.arrays import Floats
from miner.board.moves import after, line_san, parse_uci_line, unpack_move
from miner.finding import aftermath
from miner.rank.groups import REPLY, Group, weighted
from miner.store import Store
from miner.terms import UNRATED

_EVEN_GAMES = 10.0  # that half the players find it, before any game is seen
_RATES = ("find_rate", "find_rate_low", "find_rate_high", "best_rate")
_UNKNOWN = (*_RATES, "after_games", "after_score", "after_gap", "trend_p")
_SEEN = {"games": "find_games", "players": "find_players", "found": "found_games", "taught": "taught_games"}
_NONE = dict.fromkeys((*_SEEN.values(), "usual_games", "usual_of"), 0)
_EMPTY = {"answers": "", "usual_line": "", "trend": ""}
AFTERMATH = (*_RATES, "after_score", "after_gap", "trend_p", *_NONE, *_EMPTY, "model_games")
"""Columns of `with_aftermath` that are not added up over bands, but counted anew for them together."""
FEWEST_PLAYERS = 5
"""Players behind a find rate below which it is not told. Source: common practice, no source."""


def with_aftermath(
    store: Store,
    rows: pd.DataFrame,
    bands: tuple[str, ...],
    group: Group | None = None,
    weights: pd.Series[float] | None = None,
) -> pd.DataFrame:
    """The rows (of columns key, move, fen, band) with more columns, empty where nothing is known.

    With a `group` the rows are of that, under its name, not of one of the `bands`, whose games count by their
    `weights` where there is a prior.

    Those of `find_rates_of`; after_games, after_score (sum) and after_gap (mean rating gap) of the band's
    players who profited; those of `punishments_of`; model_games, a list of numbers; trend and trend_p.
    """
    if store.manifest("follow") is None:
        return rows.assign(**dict.fromkeys(_UNKNOWN, np.nan), **_NONE, **_EMPTY, model_games=None)
    punished = store.read_table("punishments").to_pandas()
    several = punished.loc[punished["answers"].map(len) > 1, REPLY]
    tally = store.require("tally")
    counted, after = aftermath.find_rates(store), store.read_table("afterwards").to_pandas()
    alike = counted
    if group is not None:
        alike = _of_group(counted, group, weights)
        counted, after = _of_group(counted, group), _of_group(after, group)
        bands = (group.name, UNRATED)
    found = find_rates_of(
        alike,
        several,
        bands,
        confidence=tally.settings["confidence"],
        correlation=tally.facts.get("player_correlation", 0.0),
    )
    names = {"games": "after_games", "score_sum": "after_score", "mean_rating_gap": "after_gap"}
    seen = counted.rename(columns=_SEEN)
    found = found.merge(seen[[*REPLY, "band", *_SEEN.values()]], on=[*REPLY, "band"], how="left")
    models = model_games(store.read_table("model_games", [*REPLY, "place", "game"]).to_pandas())
    trends = aftermath.trends(store).rename(columns={"p": "trend_p"})[[*REPLY, "trend", "trend_p"]]
    for by_band in (found, after.rename(columns=names)):
        rows = rows.merge(by_band, on=[*REPLY, "band"], how="left")
    fens = rows[[*REPLY, "fen"]].drop_duplicates(REPLY)
    for by_reply in (models, trends, punishments_of(punished.merge(fens, on=REPLY))):
        rows = rows.merge(by_reply, on=REPLY, how="left")
    return rows.fillna(_NONE | _EMPTY).astype(dict.fromkeys(_NONE, np.int64))


def with_taught_lines(store: Store, losing: pd.DataFrame) -> pd.DataFrame:
    """The rows of `judged` with the line of the taught answer, where the engine's line has another one.

    A retreat that hangs on the engine's answer goes with it, and so do the defences against that; the column
    `knows_defences` says so.
    """
    if store.manifest("follow") is None:
        return losing.assign(knows_defences=True)
    columns = [*REPLY, "taught", "line"]
    lines = losing[REPLY].merge(store.read_table("punishments", columns).to_pandas(), on=REPLY, how="left")
    shown: Any = zip(losing["pv_reply"], lines["taught"], lines["line"], strict=True)
    pvs, is_other = [], []
    for pv, taught, line in shown:
        is_other.append(isinstance(taught, str) and taught != "" and [taught] != list(pv[1:2]))
        pvs.append([pv[0], *line] if is_other[-1] else pv)
    changed = np.array(is_other, dtype=bool)
    return losing.assign(
        pv_reply=pd.Series(pvs, index=losing.index, dtype=object),
        defences=losing["defences"].where(~changed, None).map(lambda lines: [] if lines is None else lines),
        knows_defences=~changed,
        retreat=losing["retreat"].mask(changed, ""),
        retreat_loss=losing["retreat_loss"].mask(changed),
    )


def with_lasting(store: Store, words: pd.DataFrame) -> pd.DataFrame:
    """The rows (key, move, wins_pawns) with lasted_games and lasted_kept, 0 where no material is won.

    Of the games with the taught answer that were looked at nine plies later, of all bands: how many, and in
    how many as much or more was won then.
    """
    if store.manifest("follow") is None:
        return words.assign(lasted_games=0, lasted_kept=0)
    games = store.read_table("lasted", [*REPLY, "won"]).to_pandas().dropna()
    games = games.merge(words.loc[words["wins_pawns"] > 0, [*REPLY, "wins_pawns"]], on=REPLY)
    kept = games.assign(lasted_games=1, lasted_kept=(games["won"] >= games["wins_pawns"]).astype(np.int64))
    counts = kept.groupby(REPLY)[["lasted_games", "lasted_kept"]].sum()
    told = words.join(counts, on=REPLY).fillna({"lasted_games": 0, "lasted_kept": 0})
    return told.astype({"lasted_games": np.int64, "lasted_kept": np.int64})


def told_rates(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows without the find rates that fewer than `FEWEST_PLAYERS` players stand behind."""
    few = rows["find_players"] < FEWEST_PLAYERS
    return rows.assign(**{name: rows[name].mask(few) for name in _RATES})


def punishments_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of `punishments` (and fen) as FINDINGS has them: answers, usual_line, usual_games, usual_of."""
    told = []
    row: Any
    for row in rows.itertuples(index=False):
        board = after(chess.Board(row.fen), [unpack_move(row.move)])
        answers = " ".join(board.san(chess.Move.from_uci(uci)) for uci in row.answers)
        told.append(
            (row.key, row.move, answers, _usual_line(board, row), row.defence_games, row.games_taught)
        )
    columns = [*REPLY, "answers", "usual_line", "usual_games", "usual_of"]
    return pd.DataFrame(told, columns=columns).astype({"key": np.uint64, "move": np.uint16})


def _usual_line(board: chess.Board, row: Any) -> str:
    if not row.defence or not len(row.against_defence):
        return ""
    return line_san(board, parse_uci_line(board, [row.taught, row.defence, row.against_defence[0]]))


def find_rates_of(
    counted: pd.DataFrame,
    several: pd.DataFrame,
    bands: tuple[str, ...],
    *,
    confidence: float,
    correlation: float = 0.0,
) -> pd.DataFrame:
    """Find rates as from `pooled_find_rates`, with best_rate.

    `several`: the losing replies (key, move) with more than one answer. Of the players who find one of these
    a share plays the taught one, which is pooled likewise; best_rate is that share of the find rate.
    """
    rates = pooled_find_rates(counted, bands, confidence=confidence, correlation=correlation)
    among = counted.merge(several, on=REPLY)
    among = among.assign(
        games=among["found"], found=among["taught"], players=np.minimum(among["players"], among["found"])
    )
    taught = pooled_find_rates(among, bands, confidence=confidence, correlation=correlation)
    by_band = [*REPLY, "band"]
    rates = rates.merge(
        taught[[*by_band, "find_rate"]].rename(columns={"find_rate": "best_rate"}), on=by_band, how="left"
    )
    return rates.assign(best_rate=rates["find_rate"] * rates["best_rate"].fillna(1.0))


def _of_group(by_band: pd.DataFrame, group: Group, weights: pd.Series[float] | None = None) -> pd.DataFrame:
    """Counts by losing reply and band, added up for the bands of a group, by their weights if there are such.

    Rating gaps are averaged.
    """
    rows = by_band[by_band["band"].isin(group.bands)]
    if weights is not None:
        counts = ["games", "found", "taught", "players"]
        return weighted(rows, weights, REPLY, counts, "games").reset_index().assign(band=group.name)
    if "mean_rating_gap" in rows:
        rows = rows.assign(gaps=rows["games"] * rows["mean_rating_gap"])
    sums: pd.DataFrame = rows.groupby(REPLY)[
        [column for column in rows.select_dtypes("number") if column not in REPLY]
    ].sum()
    if "gaps" in rows:
        sums = sums.assign(mean_rating_gap=sums["gaps"] / sums["games"])
    return sums.reset_index().assign(band=group.name)


def pooled_find_rates(
    counted: pd.DataFrame, bands: tuple[str, ...], *, confidence: float, correlation: float = 0.0
) -> pd.DataFrame:
    """Who finds the punishment: a row per losing reply and band, for every band as soon as one was there.

    `counted` has the columns key, move, band, games, players (0: not known), and found, the games with the
    punishment. Bands lean on each other as far as the data warrant (see `miner.pooling`), and games of one
    player count for less, as the tally's `correlation` of players with themselves has it. Columns key, move,
    band, find_rate and its bounds find_rate_low and find_rate_high.
    """
    replies = counted[REPLY].drop_duplicates().sort_values(REPLY, ignore_index=True)
    place = counted[REPLY].merge(replies.reset_index(), on=REPLY, how="left")["index"].to_numpy()
    band = pd.Index(bands).get_indexer(pd.Index(counted["band"]))
    found, missed = np.zeros((2, len(replies), len(bands)))
    found[place, band] = counted["found"]
    missed[place, band] = counted["games"] - counted["found"]
    players = np.zeros(found.shape)
    players[place, band] = counted["players"]
    games = found + missed
    squared = np.divide(games * games, players, out=games.copy(), where=players > 0)
    worth = pooling.worth_of_games(games, squared, correlation)
    successes, failures = _pooled(found, missed, worth)
    low, high = stats.beta_interval(successes, failures, confidence=confidence)
    row, column = (numbers.ravel() for numbers in np.indices(found.shape))
    rates: pd.DataFrame = replies.loc[row].reset_index(drop=True)
    return rates.assign(
        band=np.array(bands)[column],
        find_rate=(successes / (successes + failures)).ravel(),
        find_rate_low=low.ravel(),
        find_rate_high=high.ravel(),
    )


def _pooled(found: Floats, missed: Floats, worth: Floats) -> tuple[Floats, Floats]:
    """Beta distributions of the find rates, (replies, bands) each; `worth`: see `pooling.Games`.

    Before its own games are seen, a reply is expected to be punished as often as all of them together are:
    three of three found is no certainty.
    """
    replies, bands = found.shape
    usual = (found.sum() + _EVEN_GAMES / 2.0) / (found.sum() + missed.sum() + _EVEN_GAMES)
    counted = pooling.ReplyCounts(
        chosen=np.stack([found, missed], axis=1).reshape(2 * replies, bands),
        position=np.repeat(np.arange(replies), 2),
        worth=worth,
        base=np.tile([[usual], [1.0 - usual]], (replies, bands)),
    )
    pooled = pooling.pool(counted, pooling.fit_resemblance(counted))
    both = pooled.successes.astype(np.float64).reshape(replies, 2, bands)
    return both[:, 0], both[:, 1]


def model_games(table: pd.DataFrame) -> pd.DataFrame:
    """The numbers of each losing reply's model games, the best first: columns key, move, model_games."""
    ordered = table.sort_values([*REPLY, "place"])
    return ordered.groupby(REPLY)["game"].agg(list).rename("model_games").reset_index()
