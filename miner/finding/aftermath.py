"""The aftermath of a losing reply, from the tables: answers, leaks, seasons, plans, model games."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import chess.pgn
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from miner import stats
from miner.board.moves import line_san, pack, parse_uci_line, unpack_move
from miner.errors import UsageError
from miner.finding.finding import Trend
from miner.finding.mistake import Reply
from miner.store import Store
from miner.terms import BLUNDER_LOSS

ENOUGH_GAMES = 20
"""Games at the position from which a season is compared with another."""
CHANCE = 0.05
"""How likely chance alone may make a change that is still called one."""
LEAST_COST = 0.05
"""Expected score that a move in a later position must give away to go wrong: less is mostly noise there."""
_REPLY = ["key", "move"]
_MOMENTS = {True: "every other move is clearly worse", False: "gives away more"}
LEAK_COLUMNS = (
    *("key", "move", "at", "fen", "plies", "path", "games", "wrong", "share_wrong", "cost", "cost_per_game"),
    *("best_move", "kept_by_best", "commonest_wrong", "by_commonest", "as_common"),
)
"""Columns of what `leaks_in` gives."""


def season_of(year: int, month: int, starts: int) -> str:
    """The season of a month (0: not known) where seasons begin in month `starts`; empty: not known.

    Only where seasons are calendar years is the year alone enough.

    >>> season_of(2025, 3, 8), season_of(2025, 8, 8), season_of(2025, 0, 8), season_of(2025, 0, 1)
    ('2024/25', '2025/26', '', '2025')
    """
    if starts == 1:
        return str(year)
    if not 1 <= month <= 12:
        return ""
    first = year if month >= starts else year - 1
    return f"{first}/{(first + 1) % 100:02d}"


def seasons_of(by_month: pd.DataFrame, starts: int, confidence: float) -> pd.DataFrame:
    """The rows of `seasons`; `by_month` has the columns key, move, year, month (0: none), games, with_reply.

    Intervals are those of Beta(with + 1/2, without + 1/2).
    Source: H. Jeffreys, Theory of Probability, 3rd ed., section 3.1 (from memory), for the prior.
    """
    seasons = [
        season_of(int(year), int(month), starts)
        for year, month in zip(by_month["year"], by_month["month"], strict=True)
    ]
    known = by_month.assign(season=seasons)
    by_season = known[known["season"] != ""].groupby(["key", "move", "season"])[["games", "with_reply"]]
    counted = by_season.sum().astype(np.int64).reset_index()
    chosen, there = counted["with_reply"].to_numpy(), counted["games"].to_numpy()
    low, high = stats.share_interval(chosen, there, confidence=confidence)
    rows: pd.DataFrame = counted.rename(
        columns={"games": "games_at_position", "with_reply": "games_with_reply"}
    ).assign(share=chosen / there, share_low=low, share_high=high)
    return rows


@dataclass(frozen=True, slots=True)
class Change:
    """A share's change from one season to the next; empty if there are no two to be compared."""

    trend: Trend = ""
    p: float | None = None  # how likely chance alone makes such a change
    before: str = ""  # the seasons that are compared
    last: str = ""


def change_between(seasons: Sequence[tuple[str, int, int]], *, enough: int = ENOUGH_GAMES) -> Change:
    """The change between the last two seasons with enough games at the position.

    Each season is its name, the games at the position and those of them with the reply.
    Source: R. A. Fisher's exact test, two-sided, as in scipy.

    >>> change_between([("2023/24", 40, 20), ("2024/25", 40, 4)]).trend
    'falling'
    """
    usable = sorted(season for season in seasons if season[1] >= enough)[-2:]
    if len(usable) < 2:
        return Change()
    # It takes half as long to import as all the rest, and every command would wait for it.
    from scipy.stats import fisher_exact

    (before, there_before, chosen_before), (last, there, chosen) = usable
    table = np.array([[chosen, there - chosen], [chosen_before, there_before - chosen_before]])
    p = float(fisher_exact(table).pvalue)
    if p >= CHANCE:
        return Change("steady", p, before, last)
    rises = chosen / there > chosen_before / there_before
    return Change("rising" if rises else "falling", p, before, last)


Row = Mapping[str, Any]


def rows_by_reply(store: Store, name: str, wanted: Collection[Reply]) -> dict[Reply, list[Row]]:
    """The rows of a table about each of the losing replies, in their order; none if it was not written."""
    return by_reply(store.read_table(name), wanted) if store.path(name).exists() else {}


def by_reply(table: pa.Table, wanted: Collection[Reply]) -> dict[Reply, list[Row]]:
    """The rows about each of the losing replies, in their order."""
    keys = pa.array(sorted({key for key, _ in wanted}), type=pa.uint64())
    found: dict[Reply, list[Row]] = {}
    for row in table.filter(pc.is_in(table["key"], value_set=keys)).to_pylist():
        reply = row["key"], row["move"]
        if reply in wanted:
            found.setdefault(reply, []).append(row)
    return found


def find_rates(store: Store) -> pd.DataFrame:
    """Who finds the punishment: one row per losing reply and band of the player who profits.

    Columns: key, move, band; games in which an answer was played that was judged, and players, by how many
    (each who is not known is another); found, the games in which it was one of the good answers, and taught,
    those of the taught one; find_rate (0 to 1), not pooled, with the bounds low and high of
    Beta(found + 1/2, rest + 1/2); score_found and score_missed, what was scored in either case (null: there
    was none).
    Raises StoreError if the stage has not been run.
    """
    settings = store.require("follow").settings
    confidence = store.require("tally").settings["confidence"]
    columns = [*_REPLY, "at", "plies", "answer", "best_move", "kept"]
    followed = store.read_table("followed", columns).to_pandas()
    first = followed[(followed["plies"] == 0) & followed["kept"].notna()]
    answers = store.read_table("answers").to_pandas().merge(first, on=[*_REPLY, "at", "answer"])
    is_found = answers["kept"] >= settings["kept"]
    answers = answers.assign(
        found=answers["games"].where(is_found, 0),
        taught=answers["games"].where(answers["answer"] == packed_moves(answers["best_move"]), 0),
        points_found=answers["score_sum"].where(is_found, 0.0),
        points_missed=answers["score_sum"].where(~is_found, 0.0),
    )
    sums = ["games", "found", "taught", "points_found", "points_missed"]
    rates: pd.DataFrame = answers.groupby([*_REPLY, "band"])[sums].sum().reset_index()
    after = store.read_table("afterwards", [*_REPLY, "band", "players_answering"]).to_pandas()
    players = after.rename(columns={"players_answering": "players"})
    rates = rates.merge(players, on=[*_REPLY, "band"], how="left")
    found, games = (rates[name].to_numpy(dtype=np.float64) for name in ("found", "games"))
    low, high = stats.share_interval(found, games, confidence=confidence)
    missed = rates["games"] - rates["found"]
    rates = rates.assign(
        find_rate=found / games,
        low=low,
        high=high,
        score_found=rates["points_found"] / rates["found"].where(rates["found"] > 0),
        score_missed=rates["points_missed"] / missed.where(missed > 0),
    )
    return rates.drop(columns=["points_found", "points_missed"])


def leaks(store: Store, reply: Reply | None = None) -> pd.DataFrame:
    """Where the gain leaks away, for one losing reply or all, worst first: see `leaks_in`.

    Also best_san, wrong_san and path_san.
    Raises StoreError if the stage has not been run.
    """
    kept = store.require("follow").settings["kept"]
    followed, answers = (_rows(store, name, reply) for name in ("followed", "answers"))
    found = leaks_in(followed, answers, kept)
    fens = store.read_table("judged", [*_REPLY, "fen"]).to_pandas().set_index(_REPLY)["fen"]
    sans = [_in_san(row, fens[row["key"], row["move"]]) for row in found.to_dict("records")]
    return found.join(pd.DataFrame(sans, index=found.index, columns=["best_san", "wrong_san", "path_san"]))


def _in_san(leak: dict[Any, Any], fen: str) -> tuple[str, str, str]:
    board, there = chess.Board(fen), chess.Board(leak["fen"])
    board.push(unpack_move(leak["move"]))
    return (
        there.san(chess.Move.from_uci(leak["best_move"])),
        there.san(unpack_move(leak["commonest_wrong"])),
        line_san(board, parse_uci_line(board, leak["path"].split())),
    )


def trends(store: Store) -> pd.DataFrame:
    """How each losing reply's share changed between the last two seasons with enough games.

    Columns: key, move, trend (falling, rising, steady, or empty), p, before and last (the two seasons).
    Raises StoreError if the stage has not been run.
    """
    store.require("follow")
    seasons = store.read_table("seasons").to_pandas()
    rows = []
    by_reply: Any = seasons.groupby(_REPLY, sort=True)[["season", "games_at_position", "games_with_reply"]]
    for reply, counts in by_reply:
        change = change_between(list(counts.itertuples(index=False, name=None)))
        rows.append((*reply, change.trend, change.p, change.before, change.last))
    return pd.DataFrame(rows, columns=[*_REPLY, "trend", "p", "before", "last"])


def model_game_pgn(store: Store, reply: Reply, place: int = 1) -> chess.pgn.Game:
    """A model game with its moments as NAGs and comments; without names.

    `place` from 1: the best model first. Raises StoreError if the stage has not been run, UsageError if there
    is no such model game.
    """
    store.require("follow")
    rows = _rows(store, "model_games", reply)
    rows = rows[rows["place"] == place]
    if rows.empty:
        raise UsageError(f"there is no model game {place} of this losing reply", advice="see `model_games`")
    loss = _rows(store, "judged", reply)["loss"].iloc[0]
    answers = _rows(store, "punishments", reply)["answers"].iloc[0]
    return annotated(rows.iloc[0].to_dict(), float(loss), answers)


def annotated(model: dict[Any, Any], loss: float, answers: Collection[str]) -> chess.pgn.Game:
    """A row of `model_games` as a game with NAGs and comments.

    `loss` is what the losing reply gives away, `answers` are the moves (UCI) that punish it.
    """
    game = chess.pgn.Game()
    game.headers.update({"Event": "Model game", "Date": model["date"], "Result": model["result"]})
    white_won = model["result"] == "1-0"
    for name, rating in (
        ("WhiteElo", model["winner_rating" if white_won else "loser_rating"]),
        ("BlackElo", model["loser_rating" if white_won else "winner_rating"]),
    ):
        if rating:
            game.headers[name] = str(rating)
    reply_ply, moments = int(model["reply_ply"]), {int(ply) for ply in model["moments"]}
    node: chess.pgn.GameNode = game
    for ply, uci in enumerate(model["moves"].split()):
        node = node.add_variation(chess.Move.from_uci(uci))
        if ply == reply_ply:
            node.nags.add(chess.pgn.NAG_BLUNDER if loss >= BLUNDER_LOSS else chess.pgn.NAG_MISTAKE)
            node.comment = "the losing reply"
        elif ply in moments:
            is_winners = (ply - reply_ply) % 2 == 1
            node.nags.add(chess.pgn.NAG_GOOD_MOVE if is_winners else chess.pgn.NAG_MISTAKE)
            node.comment = _MOMENTS[is_winners]
        elif ply == reply_ply + 1 and uci in answers:
            node.comment = "the punishment"
    return game


def _rows(store: Store, table: str, reply: Reply | None) -> pd.DataFrame:
    rows = store.read_table(table)
    if reply is not None:
        key, move = pa.scalar(reply[0], pa.uint64()), pa.scalar(reply[1], pa.uint16())
        rows = rows.filter((pc.field("key") == key) & (pc.field("move") == move))
    found: pd.DataFrame = rows.to_pandas()
    return found


def packed_moves(ucis: pd.Series[str]) -> pd.Series[int]:
    """Moves in UCI, packed."""
    return ucis.map(lambda uci: pack(chess.Move.from_uci(uci))).astype(np.uint16)


def leaks_in(followed: pd.DataFrame, answers: pd.DataFrame, kept: float) -> pd.DataFrame:
    """The positions in which players go wrong, those that cost most per game first.

    `followed` and `answers`: rows of those tables, of any losing replies and bands.
    A move goes wrong that leaves less than the share `kept` of the gain, where the best move would have left
    as much, and gives away more than the rest of it at once: what was lost before is not its fault. In a
    later position that must be `LEAST_COST` or more.
    `games`: in which a judged move was played there; `wrong`: those of them in which it went wrong;
    `share_wrong` (0 to 1); `cost`: expected score that a wrong move gives away, mean; `cost_per_game`: the
    same over all the games; `commonest_wrong`: the move, packed; `by_commonest`: games with it; `as_common`:
    moves that went wrong in as many, itself included. Positions in which nobody went wrong are left out.
    """
    point = [*_REPLY, "at"]
    games = answers.groupby([*point, "answer"])["games"].sum().reset_index()
    best = followed[followed["best_move"] != ""]
    best = best[best["answer"] == packed_moves(best["best_move"])]
    by_best = best[[*point, "kept"]].rename(columns={"kept": "kept_by_best"})
    judged = followed[followed["kept"].notna()].merge(games, on=[*point, "answer"]).merge(by_best, on=point)
    at_once = judged["kept_by_best"] - judged["kept"] > 1.0 - kept
    cost = judged["exp_best"] - judged["exp_answer"]
    costs = (judged["plies"] == 0) | (cost >= LEAST_COST)
    is_wrong = (judged["kept"] < kept) & (judged["kept_by_best"] >= kept) & at_once & costs
    judged["wrong"] = judged["games"].where(is_wrong, 0)
    judged["lost"] = cost * judged["wrong"]
    sums = judged.groupby(point)[["games", "wrong", "lost"]].sum()
    judged["as_common"] = judged.groupby([*point, "wrong"])["answer"].transform("size")
    commonest = judged.sort_values(["wrong", "answer"], ascending=[False, True]).drop_duplicates(point)
    names = {"answer": "commonest_wrong", "wrong": "by_commonest"}
    commonest = commonest.rename(columns=names).drop(columns=["games", "lost"])
    found = sums[sums["wrong"] > 0].reset_index().merge(commonest, on=point)
    found = found.assign(
        share_wrong=found["wrong"] / found["games"],
        cost=found["lost"] / found["wrong"],
        cost_per_game=found["lost"] / found["games"],
    )
    return found[list(LEAK_COLUMNS)].sort_values(
        ["cost_per_game", "games", *point], ascending=[False, False, True, True, True], ignore_index=True
    )
