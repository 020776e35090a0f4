"""The rank stage: `judged`, `replies`, `positions` and `reach` in; `findings` out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import chess
import numpy as np
import pandas as pd
import pyarrow as pa

from miner.board.lines import line_san, parse_uci_line, unpack_move
from miner.errors import Place, StoreError, UsageError
from miner.explain import Evidence, explain
from miner.judge.losing import is_losing
from miner.progress import Progress, Silent
from miner.rank.points import Chances, points
from miner.schema import FINDINGS
from miner.settings import RankSettings, as_dict
from miner.store import Manifest, Store, stage_before
from miner.terms import BandScheme, Kind, Score, Side

_BEST_LINE_PLIES = 8  # of the best line as it is shown


def rank(store: Store, settings: RankSettings, *, progress: Progress | None = None) -> Manifest:
    """Turn the losing replies into findings, in the order of what knowing them is worth at least.

    Does nothing if the store holds that ranking already. Raises StoreError if nothing was judged yet, or only
    for an earlier tally; UsageError for a band that the tally does not have.
    """
    judged_before, tallied = store.require("judge"), store.require("tally")
    stale = store.out_of_date()
    if stale in ("tally", "judge", "follow"):
        raise StoreError(
            f"the stage `{stage_before(stale)}` was run again since `{stale}`",
            where=Place(str(store.root)),
            advice=f"run `miner {stale}` first, or `miner run`",
        )
    check_thresholds(settings, judged_before.settings)
    BandScheme(tuple(tallied.settings["band_edges"])).check(settings.bands)
    inputs, told = _inputs(store, judged_before), as_dict(settings)
    if store.is_current("rank", told, inputs):
        return store.require("rank")
    judged = store.read_table("judged").to_pandas()
    losing = judged[is_losing(judged, settings)]
    support = judged_before.settings | {"min_games": judged_before.facts["min_games"]}
    chances = _chances(store, losing, settings, support, tallied.settings["confidence"])
    store.begin("rank")
    with (progress or Silent()).task("explaining", total=len(losing), unit="reply") as task:
        told_by_reply: dict[tuple[int, int], _Told] = {}
        for row in losing.itertuples(index=False):
            told_by_reply[row.key, row.move] = _tell(row, settings)
            task.advance()
    positions = store.read_table("positions", ["key", "ply", "path", "eco", "opening"])
    findings = _findings(chances, told_by_reply, positions)
    store.write_table("findings", findings)
    manifest = Manifest(
        stage="rank",
        settings=told,
        inputs=inputs,
        rows={"findings": findings.num_rows},
        facts={"losing_replies": len(losing), "judged_replies": len(judged)},
    )
    return store.finish(manifest)


def _inputs(store: Store, judged: Manifest) -> dict[str, str]:
    """What the ranking is made from; without the stage `follow` it is done all the same."""
    followed = store.manifest("follow")
    return {"judge": judged.fingerprint} | ({"follow": followed.fingerprint} if followed else {})


def check_thresholds(settings: RankSettings, judged: dict[str, Any]) -> None:
    """Raise UsageError if smaller losses are wanted than the replies were judged for."""
    for name in ("loss_threshold", "tempo_threshold"):
        wanted = getattr(settings, name)
        if wanted < judged[name]:
            raise UsageError(
                f"[rank] {name} {wanted} is below the {judged[name]} that the replies were judged for",
                advice=f"set {name} = {wanted} under [judge], too, and judge again",
            )


def _chances(
    store: Store, losing: pd.DataFrame, settings: RankSettings, support: dict[str, Any], confidence: float
) -> pd.DataFrame:
    """One row per losing reply, band and kind, best first: what the tally says, and the points."""
    replies = store.read_table("replies").to_pandas()
    reach = store.read_table("reach").to_pandas()
    rows = replies.merge(losing, on=["key", "move"]).merge(reach, on=["key", "band"])
    if settings.bands:
        rows = rows[rows["band"].isin(settings.bands)]
    enough_players = rows["players"] + rows["games_unknown"] >= support["min_players"]
    enough = (rows["games"] >= support["min_games"]) & (rows["pick_rate"] >= support["min_pick_rate"])
    rows = rows[enough & enough_players]
    both = pd.concat([rows.assign(kind=str(kind)) for kind in Kind], ignore_index=True)
    both["white_errs"] = both["fen"].str.contains(" w ", regex=False)
    if settings.side != "both":
        # Taught White: Black errs in a trap, White in a pitfall; and the other way round.
        teaches_white = settings.side == "white"
        both = both[both["white_errs"] == (teaches_white == (both["kind"] == Kind.PITFALL))]
    is_trap = both["kind"] == Kind.TRAP
    # Our own side does not steer towards its mistakes: a pitfall counts as often as the band's games meet it.
    plain_log_variance = (1.0 - both["plain_reach"]) / both["games_at_position"]
    worth = points(
        Chances(
            reach=np.where(is_trap, both["steered_reach"], both["plain_reach"]),
            reach_log_variance=np.where(is_trap, both["steered_log_variance"], plain_log_variance),
            pick_rate=both["pick_rate"].to_numpy(),
            pick_rate_low=both["pick_rate_low"].to_numpy(),
            loss=both["loss"].to_numpy(),
        ),
        confidence=confidence,
    )
    both = both.assign(points_per_100=worth.per_100, points_per_100_low=worth.low)
    ordered: pd.DataFrame = both.sort_values(
        ["points_per_100_low", "key", "move", "band", "kind"], ascending=[False, True, True, True, True]
    )
    return ordered


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What the engine's lines say of a losing reply, in SAN and words."""

    losing_reply: str
    losing_reply_uci: str
    best_move: str
    best_line: str
    reason: str
    reason_detail: str
    pattern: str
    refutation: str


def _tell(row: Any, settings: RankSettings) -> _Told:
    board = chess.Board(row.fen)
    reply = unpack_move(int(row.move))
    best_line = parse_uci_line(board, row.pv_best)
    reply_line = parse_uci_line(board, row.pv_reply)
    assert reply_line[0] == reply, f"the line {row.pv_reply} does not begin with {reply.uci()}"
    after_answer = board.copy(stack=False)
    for move in reply_line[:2]:
        after_answer.push(move)
    explanation = explain(
        Evidence(
            board=board,
            best_line=best_line,
            reply_line=reply_line,
            best=Score.from_cp(Side.of(board.turn), int(row.cp_best)),
            reply=Score.from_cp(Side.of(board.turn), int(row.cp_reply)),
            retreat=after_answer.parse_uci(row.retreat) if row.retreat else None,
            retreat_loss=None if pd.isna(row.retreat_loss) else float(row.retreat_loss),
        ),
        forced_loss=settings.loss_threshold,
    )
    board_after = board.copy(stack=False)
    board_after.push(reply)
    return _Told(
        losing_reply=board.san(reply),
        losing_reply_uci=reply.uci(),
        best_move=board.san(best_line[0]),
        best_line=line_san(board, best_line[:_BEST_LINE_PLIES]),
        reason=str(explanation.reason),
        reason_detail=explanation.detail,
        pattern=str(explanation.pattern or ""),
        refutation=line_san(board_after, explanation.refutation),
    )


def _findings(chances: pd.DataFrame, told: dict[tuple[int, int], _Told], positions: pa.Table) -> pa.Table:
    by_key = {position["key"]: position for position in positions.to_pylist()}
    rows = [_finding(row, told, by_key) for row in chances.itertuples(index=False)]
    return pa.Table.from_pylist(rows, schema=FINDINGS)


def _finding(
    row: Any, told_by_reply: dict[tuple[int, int], _Told], positions: dict[int, dict[str, Any]]
) -> dict[str, Any]:
    told, position = told_by_reply[row.key, row.move], positions[row.key]
    others = row.games_at_position - row.games
    observed_without = (row.score_sum_at_position - row.score_sum) / others if others else None
    return {
        "fen": row.fen,
        "key": row.key,
        "ply": position["ply"],
        "path": _path_san(position["path"]),
        "eco": position["eco"],
        "opening": position["opening"],
        "side": str(Side.BLACK if row.white_errs else Side.WHITE),
        "kind": row.kind,
        "band": row.band,
        "games_at_position": row.games_at_position,
        "games_with_reply": row.games,
        "players_with_reply": row.players,
        "pick_rate": row.pick_rate,
        "pick_rate_low": row.pick_rate_low,
        "pick_rate_high": row.pick_rate_high,
        "losing_reply": told.losing_reply,
        "losing_reply_uci": told.losing_reply_uci,
        "best_move": told.best_move,
        "exp_best": row.exp_best,
        "exp_reply": row.exp_reply,
        "loss": row.loss,
        "cp_best": int(row.cp_best),
        "cp_reply": int(row.cp_reply),
        "reason": told.reason,
        "reason_detail": told.reason_detail,
        "refutation": told.refutation,
        "plain_reach": row.plain_reach,
        "steered_reach": row.steered_reach,
        "points_per_100": row.points_per_100,
        "points_per_100_low": row.points_per_100_low,
        "observed_with_reply": row.score_sum / row.games,
        "observed_without_reply": observed_without,
        "engine": row.engine,
        "nodes": row.nodes,
        "wdl_best": list(row.wdl_best),
        "wdl_reply": list(row.wdl_reply),
        "pattern": told.pattern,
        "best_line": told.best_line,
        "gain_for_band": row.loss,
        "curve": "engine",
        "find_rate": None,
        "find_rate_low": None,
        "find_rate_high": None,
        "teaching_value": row.points_per_100,
        "teaching_value_low": row.points_per_100_low,
        "conversion_expected": None,
        "conversion_observed": None,
        "model_games": [],
        "games_per_player": row.games_at_position / row.players_at_position
        if row.players_at_position
        else None,
        "trend": "",
        "trend_p": None,
    }


def _path_san(path: str) -> str:
    board = chess.Board()
    return line_san(board, parse_uci_line(board, path.split()))
