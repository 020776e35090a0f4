"""Where the advantage leaks away. Pure functions on the tables."""

from __future__ import annotations

import chess
import pandas as pd

from miner.board.lines import pack

COLUMNS = (
    "key",
    "move",
    "at",
    "fen",
    "plies",
    "path",
    "games",
    "wrong",
    "share_wrong",
    "cost",
    "cost_per_game",
    "best_move",
    "kept_by_best",
    "commonest_wrong",
)
"""Columns of what `leaks` gives."""


def leaks(
    followed: pd.DataFrame, answers: pd.DataFrame, band: str | None = None, *, kept: float = 0.5
) -> pd.DataFrame:
    """The positions in which players go wrong, those that cost most per game first.

    `followed` and `answers`: rows of those tables, of any losing replies; `band` None: all bands together.
    A move goes wrong that leaves no more than the share `kept` of the gain, where the best move would have
    left more, and gives away more than the rest of it at once: what was lost before is not its fault.
    `games`: in which a judged move was played there; `wrong`: those of them in which it went wrong;
    `share_wrong` (0 to 1); `cost`: expected score that a wrong move gives away, mean; `cost_per_game`: the
    same over all the games; `commonest_wrong`: the move, packed. Positions in which nobody went wrong are
    left out.
    """
    point = ["key", "move", "at"]
    chosen = answers if band is None else answers[answers["band"] == band]
    games = chosen.groupby([*point, "answer"])["games"].sum().reset_index()
    best = followed[followed["best_move"] != ""].copy()
    best = best[best["answer"] == best["best_move"].map(_packed)]
    by_best = best[[*point, "kept"]].rename(columns={"kept": "kept_by_best"})
    judged = followed[followed["kept"].notna()].merge(games, on=[*point, "answer"])
    judged = judged.merge(by_best, on=point)
    judged["cost"] = judged["exp_best"] - judged["exp_answer"]
    at_once = judged["kept_by_best"] - judged["kept"] > 1.0 - kept
    is_wrong = (judged["kept"] <= kept) & (judged["kept_by_best"] > kept) & at_once
    judged["wrong"] = judged["games"].where(is_wrong, 0)
    judged["lost"] = judged["cost"] * judged["wrong"]
    rows = [_leak(there) for _, there in judged.groupby(point, sort=False) if there["wrong"].sum() > 0]
    found = pd.DataFrame(rows, columns=list(COLUMNS))
    return found.sort_values(
        ["cost_per_game", "games", "key", "move", "at"], ascending=[False, False, True, True, True]
    ).reset_index(drop=True)


def _leak(there: pd.DataFrame) -> dict[str, object]:
    first = there.iloc[0]
    games, wrong, lost = (there[name].sum() for name in ("games", "wrong", "lost"))
    commonest = there.sort_values(["wrong", "answer"], ascending=[False, True]).iloc[0]
    return {
        **{name: first[name] for name in ("key", "move", "at", "fen", "plies", "path", "best_move")},
        "games": int(games),
        "wrong": int(wrong),
        "share_wrong": wrong / games,
        "cost": lost / wrong,
        "cost_per_game": lost / games,
        "kept_by_best": first["kept_by_best"],
        "commonest_wrong": int(commonest["answer"]),
    }


def _packed(uci: str) -> int:
    return pack(chess.Move.from_uci(uci))
