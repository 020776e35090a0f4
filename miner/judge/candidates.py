"""Which replies are worth an engine's time, and in which order. Columns in, columns out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import chess
import numpy as np
import pandas as pd
import pyarrow as pa

from miner.board.checks import checks_of
from miner.board.moves import after, unpack_move
from miner.board.settle import MATED, settled_balance
from miner.settings import JudgeSettings
from miner.terms import UNRATED

MOST_LOST = 0.5
"""Expected score that a reply is assumed to lose at the most when its worth is estimated."""
CLEARLY_LESS = 2.0
"""Standard errors by which players of a reply score less than the others, to be evidence against it."""
MOST_VARIANCE = 0.25
"""Variance of a result between 0 and 1 cannot be greater."""
OBVIOUS_GAMES = 2
"""Games that are enough for a reply which everybody can see to be a mistake."""
OBVIOUS_PAWNS = 3
"""Material that such a reply hangs, in pawns: a piece."""
USUAL_SHARE = 0.02
"""A reply that so many choose is twice as likely to be a mistake as one of twice the share, and so on up.

Of 1,120 replies of amateurs that were judged, mistakes were 20% of those that up to 4% chose, 8% of those
that 4 to 8% chose, 4% up to 30%, and 1% of the commoner ones.
"""
LIKELIER = (1.0, 4.0, 4.0, 15.0)
"""How many times likelier a mistake is by the pawns that it hangs: 4% of those that hang nothing were one,
19% of those that hang a pawn, 8 of 11 of those that hang a piece."""
LIKELIER_IF_LESS = 3.0
"""How many times likelier a mistake is if its players score less than the others: 1.6% against 0.5% of 1,500
replies of masters."""
ALL_LOOKS = 15
"""Times the nodes of the first look that judging a reply takes on average: 7 times among masters, where
mistakes are rare, and 13 times among amateurs, in 4,510 and 2,762 replies; of fewer games it is more."""
UNPLAYED_SHARE = 0.1
"""Share of the nodes, about, for likely replies that too few have played yet."""
_APART = 4.0  # by how much worth must differ for candidates of one position to be judged apart, at the least
MOST_LOOKED_AT = 20_000
"""Replies that are looked at on the board, the most promising first: the budget reaches hardly more."""
MOST_RARE = 10_000
"""The same of replies of so few games that only an obvious mistake counts."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A reply to be judged."""

    move: chess.Move
    packed: int  # the move as in the tables
    worth: float  # points per 100 games if it lost `MOST_LOST`, in the band where that is most
    promoted: bool  # its players score clearly less than the others at the position


@dataclass(frozen=True, slots=True)
class Position:
    """A position with its candidates, the most valuable first."""

    key: int
    fen: str
    candidates: tuple[Candidate, ...]


def find_candidates(
    replies: pa.Table,
    reach: pa.Table,
    positions: pa.Table,
    foreseen: pa.Table,
    bands: tuple[str, ...],
    settings: JudgeSettings,
) -> pd.DataFrame:
    """The replies that enough games of neighbouring bands stand for, and what each could be worth.

    Some more are likely, by the table `foreseen`, though too few have played them yet.

    Columns key, move, worth, promoted and sooner, the worth by which they are in order: those to be judged
    first come first, equals by key and move. That is not by worth alone, but by worth times how likely a
    mistake is: what most choose hardly ever is one. A distinct player who is not known counts as another one.
    Two games are enough for a reply that allows mate in one or two, or hangs a piece.
    """
    tallied = replies.to_pandas().merge(
        reach.to_pandas(), on=["key", "band"], how="left", validate="many_to_one"
    )
    most_reach = tallied[["steered_reach", "plain_reach"]].max(axis=1).fillna(0.0)
    tallied["worth"] = 100.0 * most_reach * tallied["pick_rate"] * MOST_LOST
    around = with_neighbours(tallied, bands)
    people = around["players"] + around["games_unknown"]
    is_enough = (around["games"] >= settings.min_games) & (people >= settings.min_players)
    is_rare = (around["games"] >= OBVIOUS_GAMES) & (people >= min(OBVIOUS_GAMES, settings.min_players))
    by_reply = tallied.assign(enough=is_enough, rare=is_rare).groupby(["key", "move"], as_index=False)
    found = by_reply.agg({"worth": "max", "enough": "max", "rare": "max", "games": "sum"})
    there = tallied.drop_duplicates(["key", "band"]).groupby("key")["games_at_position"].sum()
    found = found.assign(share=found.pop("games") / found["key"].map(there))
    found = found[(found["worth"] > 0.0) & (found["enough"] | found["rare"])]
    found = found.merge(scoring_less(tallied), on=["key", "move"], validate="one_to_one")
    likely = np.where(found["less"] > 0.0, LIKELIER_IF_LESS, 1.0) / (1.0 + found["share"] / USUAL_SHARE)
    found = found.assign(sooner=found["worth"] * likely)
    found = _in_order(found, "sooner")
    often, rare = found[found["enough"]], found[~found["enough"]]
    unplayed = unplayed_candidates(foreseen, reach, often, settings)
    looked_at = with_hung(pd.concat([unplayed, often[:MOST_LOOKED_AT], rare[:MOST_RARE]]), positions)
    looked_at = looked_at.drop_duplicates(["key", "move"])  # some of the rare ones are likely, too
    found = pd.concat([looked_at, often[MOST_LOOKED_AT:].assign(hung=0)])
    found = found[found["enough"] | (found["hung"] >= OBVIOUS_PAWNS)]
    found = found.assign(sooner=found["sooner"] * np.array(LIKELIER)[found["hung"]])
    return _in_order(found, "sooner")[["key", "move", "worth", "promoted", "sooner"]]


def unplayed_candidates(
    foreseen: pa.Table, reach: pa.Table, often: pd.DataFrame, settings: JudgeSettings
) -> pd.DataFrame:
    """The likely replies that are worth most and are not among those played `often`, with its columns.

    They are as many as their share of the nodes is for.
    """
    rows = foreseen.to_pandas().merge(reach.to_pandas(), on=["key", "band"], validate="many_to_one")
    most_reach = rows[["steered_reach", "plain_reach"]].max(axis=1)
    rows["worth"] = 100.0 * most_reach * rows["pick_rate"] * MOST_LOST
    rows = rows.groupby(["key", "move"], as_index=False).agg({"worth": "max", "pick_rate": "max"})
    rows = rows.merge(often[["key", "move"]], on=["key", "move"], how="left", indicator=True)
    rows = rows[rows.pop("_merge") == "left_only"]
    rows = rows.rename(columns={"pick_rate": "share"})
    sooner = rows["worth"] / (1.0 + rows["share"] / USUAL_SHARE)
    found = rows.assign(sooner=sooner, enough=True, rare=False, less=0.0, promoted=False)
    most = UNPLAYED_SHARE * settings.nodes_in_all / (ALL_LOOKS * settings.nodes[0])
    return _in_order(found, "sooner")[often.columns][: int(most) if settings.nodes_in_all else None]


def _in_order(found: pd.DataFrame, by: str) -> pd.DataFrame:
    ordered: pd.DataFrame = found.sort_values(
        [by, "key", "move"], ascending=[False, True, True], ignore_index=True
    )
    return ordered


def with_neighbours(tallied: pd.DataFrame, bands: tuple[str, ...]) -> pd.DataFrame:
    """Games and players of each row's band and the bands beside it together, index as in `tallied`.

    `bands` in the order of ratings. Unrated players have no neighbours. A player whose rating has crossed
    the edge of a band counts in both.
    """
    counted = ["games", "players", "games_unknown"]
    place = pd.Index(bands).get_indexer(pd.Index(tallied["band"]))
    rows = tallied[["key", "move", *counted]].assign(band=place)
    around = rows[counted].copy()
    for step in (-1, 1):
        beside = rows.assign(band=rows["band"] + step)
        if UNRATED in bands:
            unrated = bands.index(UNRATED)
            beside = beside[(rows["band"] != unrated) & (beside["band"] != unrated)]
        together = rows.merge(beside, on=["key", "move", "band"], how="left", suffixes=("", "_beside"))
        for name in counted:
            around[name] += together[f"{name}_beside"].fillna(0).to_numpy(dtype=np.int64)
    return around


def with_hung(found: pd.DataFrame, positions: pa.Table) -> pd.DataFrame:
    """The rows with a column `hung`: see `pawns_hung`."""
    fens = dict(zip(*(positions[name].to_pylist() for name in ("key", "fen")), strict=True))
    hung, moves = np.zeros(len(found), dtype=np.int64), found["move"].tolist()
    for key, rows in found.groupby("key", sort=False).indices.items():
        board = chess.Board(fens[key])
        had = settled_balance(board, board.turn)
        for row in rows:
            hung[row] = pawns_hung(board, unpack_move(moves[row]), had)
    return found.assign(hung=hung)


def pawns_hung(board: chess.Board, reply: chess.Move, had: int) -> int:
    """Pawns that a reply gives away for everybody to see, up to `OBVIOUS_PAWNS`, which is mate, too.

    It gives away what its side has less when all captures are settled than captures alone would have left
    it, `had`. Mate counts in one move, or in two by checks alone.
    """
    if not board.is_legal(reply):
        return 0
    now = after(board, (reply,))
    has = settled_balance(now, board.turn)
    if has == -MATED or _mates_by_checks(now, moves=2):
        return OBVIOUS_PAWNS
    return 0 if abs(had) == MATED else max(0, min(OBVIOUS_PAWNS, had - has))


def _mates_by_checks(board: chess.Board, moves: int) -> bool:
    """Whether the side to move can mate within so many moves, each of them a check."""
    for move in checks_of(board):
        checked = after(board, (move,))
        answers = list(checked.generate_legal_moves())
        if not answers or (
            moves > 1 and all(_mates_by_checks(after(checked, (answer,)), moves - 1) for answer in answers)
        ):
            return True
    return False


def scoring_less(tallied: pd.DataFrame) -> pd.DataFrame:
    """By how much those who chose a reply score less than the others: a row per key and move.

    Over the bands in which it was chosen, pooled; columns key, move, less (null where there are no others)
    and promoted, whether that is clearly more than chance.
    """
    counted = ["games", "score_sum", "games_at_position", "score_sum_at_position"]
    pooled = tallied.groupby(["key", "move"], as_index=False)[counted].sum()
    games, rest = pooled["games"], pooled["games_at_position"] - pooled["games"]
    rest_sum = pooled["score_sum_at_position"] - pooled["score_sum"]
    with np.errstate(divide="ignore", invalid="ignore"):
        pooled["less"] = (rest_sum / rest - pooled["score_sum"] / games).where(rest > 0)
        error = np.sqrt(MOST_VARIANCE / games + MOST_VARIANCE / rest)
        pooled["promoted"] = (rest > 0) & (pooled["less"] >= CLEARLY_LESS * error)
    return pooled[["key", "move", "less", "promoted"]]


def tier(worth: float) -> int:
    """The number of the steps of worth in which candidates of one position are judged together."""
    return math.floor(math.log(worth, _APART))


def positions_of(found: pd.DataFrame, positions: pa.Table) -> list[Position]:
    """The candidates gathered by position; the position of the first candidate comes first.

    Those of a position that come much later are gathered apart: a rare first move of the game is not judged
    before what is common a few moves later.
    """
    fens = positions.select(["key", "fen"]).to_pandas()
    placed = found.merge(fens, on="key", how="inner", validate="many_to_one")
    assert len(placed) == len(found), "every reply's position is in the table of positions"
    candidates: dict[tuple[int, int, str], list[Candidate]] = {}
    columns = ["sooner", "key", "fen", "move", "worth", "promoted"]
    for sooner, key, fen, move, worth, promoted in placed[columns].itertuples(index=False, name=None):
        candidates.setdefault((tier(sooner), key, fen), []).append(
            Candidate(unpack_move(move), move, worth, promoted)
        )
    return [Position(key, fen, tuple(some)) for (_, key, fen), some in candidates.items()]
