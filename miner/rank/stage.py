"""The rank stage: what `judge` and `follow` found, and how often it happens, in; `findings` out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess
import pandas as pd
import pyarrow as pa

from miner.board.moves import parse_uci_line, sans_of
from miner.curve.fit import fit_curves
from miner.errors import Place, SourceError, StoreError, UsageError
from miner.finding.finding import Finding, table_of
from miner.finding.losing import is_losing
from miner.means import USUAL, Means
from miner.rank.afterwards import REPLY, with_aftermath
from miner.rank.reached import reached, within_price
from miner.rank.tell import Told, tell
from miner.rank.worth import part_observed, worth_of
from miner.settings import RankSettings, as_dict
from miner.store import Manifest, Store, digest_of, stage_before
from miner.terms import BandScheme, Kind, Side


def rank(store: Store, settings: RankSettings, means: Means = USUAL) -> Manifest:
    """Turn the losing replies into findings, in the order of what teaching them is worth at least.

    Does nothing if the store holds that ranking already. Without the stage `follow` it is not known who finds
    the punishment, and all is told but that. Raises StoreError if nothing was judged yet, or only for an
    earlier tally; UsageError for a band that the tally does not have; SourceError for a repertoire that
    cannot be read.
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
    bands = store.bands
    bands.require(settings.bands)
    inputs, told = _inputs(store, judged_before, settings), as_dict(settings)
    if store.is_current("rank", told, inputs):
        return store.require("rank")
    judged, replies = (store.read_table(name).to_pandas() for name in ("judged", "replies"))
    losing = judged[is_losing(judged, settings)]
    with means.progress.task("expected scores", total=1, unit="fit") as task:
        curves = fit_curves(store, bands)
        task.advance()
    part = part_observed(replies, judged, curves)
    supported = _supported(store, replies, losing, settings, bands)
    supported = within_price(supported, judged, settings)
    chances = worth_of(supported, curves, part, settings, tallied.settings["confidence"])
    with means.progress.task("explaining", total=len(losing), unit="reply") as task:
        told_by_reply: dict[tuple[int, int], Told] = {}
        for row in losing.itertuples(index=False):
            told_by_reply[row.key, row.move] = tell(row, settings)
            task.advance()
    positions = store.read_table("positions", ["key", "ply", "path", "eco", "opening"])
    tables = {"findings": _findings(chances, told_by_reply, positions), "curves": curves.to_table()}
    store.begin("rank")
    for name, table in tables.items():
        store.write_table(name, table)
    manifest = Manifest(
        stage="rank",
        settings=told,
        inputs=inputs,
        rows={name: table.num_rows for name, table in tables.items()},
        facts={
            "losing_replies": len(losing),
            "judged_replies": len(judged),
            "part_observed": round(part.mean, 3),
            "part_observed_deviation": round(part.deviation, 3),
        },
    )
    return store.finish(manifest)


def _inputs(store: Store, judged: Manifest, settings: RankSettings) -> dict[str, str]:
    """What the ranking is made from."""
    inputs = {"judge": judged.fingerprint}
    if followed := store.manifest("follow"):
        inputs["follow"] = followed.fingerprint
    if settings.repertoire:
        inputs["repertoire"] = _digest_of_repertoire(settings.repertoire)
    return inputs


def _digest_of_repertoire(file: str) -> str:
    try:
        return digest_of(Path(file))
    except OSError as error:
        raise SourceError(
            f"the repertoire cannot be read: {error.strerror}",
            where=Place(file),
            advice="give a PGN file with what is played",
        ) from error


def check_thresholds(settings: RankSettings, judged: dict[str, Any]) -> None:
    """Raise UsageError if smaller losses are wanted than the replies were judged for."""
    for name in ("loss_threshold", "tempo_threshold"):
        wanted = getattr(settings, name)
        if wanted < judged[name]:
            raise UsageError(
                f"[rank] {name} {wanted} is below the {judged[name]} that the replies were judged for",
                advice=f"set {name} = {wanted} under [judge], too, and judge again",
            )


def _supported(
    store: Store, replies: pd.DataFrame, losing: pd.DataFrame, settings: RankSettings, bands: BandScheme
) -> pd.DataFrame:
    """One row per losing reply, band and kind that enough games stand for: all that is known of it."""
    judge = store.require("judge")
    wanted = list(settings.bands or bands.names)
    replies = _with_known_games(replies[replies["band"].isin(wanted)])
    rows = replies.merge(losing, on=REPLY)
    enough_players = rows["players"] + rows["games_unknown"] >= judge.settings["min_players"]
    enough = rows["games"] >= judge.facts["min_games"]
    rows = rows[enough & enough_players & (rows["pick_rate"] >= judge.settings["min_pick_rate"])]
    rows = rows.merge(reached(store, settings, wanted), on=["key", "band"])
    rows = with_aftermath(store, rows, bands.names)
    both = pd.concat([rows.assign(kind=str(kind)) for kind in Kind], ignore_index=True)
    both["white_errs"] = both["fen"].str.contains(" w ", regex=False)
    if settings.side == "both":
        return both
    # Taught White: Black errs in a trap, White in a pitfall; and the other way round.
    teaches_white = settings.side == "white"
    return both[both["white_errs"] == (teaches_white == (both["kind"] == Kind.PITFALL))]


def _with_known_games(replies: pd.DataFrame) -> pd.DataFrame:
    """The table `replies` with the band's games at the position whose player is known."""
    unknown = replies.groupby(["key", "band"])["games_unknown"].transform("sum")
    return replies.assign(known_games=replies["games_at_position"] - unknown)


def _findings(chances: pd.DataFrame, told: dict[tuple[int, int], Told], positions: pa.Table) -> pa.Table:
    by_key = {position["key"]: position for position in positions.to_pylist()}
    return table_of(_finding(row, told, by_key) for row in chances.itertuples(index=False))


def _finding(
    row: Any, told_by_reply: dict[tuple[int, int], Told], positions: dict[int, dict[str, Any]]
) -> Finding:
    told, position = told_by_reply[row.key, row.move], positions[row.key]
    others = row.games_at_position - row.games
    observed_without = (row.score_sum_at_position - row.score_sum) / others if others else None
    return Finding(
        fen=row.fen,
        key=row.key,
        ply=position["ply"],
        path=_path_san(position["path"]),
        eco=position["eco"],
        opening=position["opening"],
        side=Side.BLACK if row.white_errs else Side.WHITE,
        kind=Kind(row.kind),
        band=row.band,
        games_at_position=row.games_at_position,
        games_with_reply=row.games,
        players_with_reply=row.players,
        pick_rate=row.pick_rate,
        pick_rate_low=row.pick_rate_low,
        pick_rate_high=row.pick_rate_high,
        losing_reply=told.losing_reply,
        losing_reply_uci=told.losing_reply_uci,
        best_move=told.best_move,
        exp_best=row.exp_best,
        exp_reply=row.exp_reply,
        loss=row.loss,
        cp_best=int(row.cp_best),
        cp_reply=int(row.cp_reply),
        reason=told.reason,
        reason_detail=told.reason_detail,
        refutation=told.refutation,
        plain_reach=row.plain_reach,
        steered_reach=row.steered_reach,
        points_per_100=row.points_per_100,
        points_per_100_low=row.points_per_100_low,
        observed_with_reply=row.score_sum / row.games,
        observed_without_reply=observed_without,
        engine=row.engine,
        nodes=row.nodes,
        wdl_best=tuple(row.wdl_best),
        wdl_reply=tuple(row.wdl_reply),
        pattern=told.pattern,
        best_line=told.best_line,
        gain_for_band=row.gain,
        curve=row.curve,
        find_rate=_known(row.find_rate),
        find_rate_low=_known(row.find_rate_low),
        find_rate_high=_known(row.find_rate_high),
        teaching_value=row.teaching_value,
        teaching_value_low=row.teaching_value_low,
        conversion_expected=row.expected_after if row.after_games > 0 else None,
        conversion_observed=row.after_score / row.after_games if row.after_games > 0 else None,
        conversion_games=int(row.after_games) if row.after_games > 0 else 0,
        model_games=tuple(row.model_games) if isinstance(row.model_games, list) else (),
        games_per_player=row.known_games / row.players_at_position if row.players_at_position else None,
        trend=row.trend,
        trend_p=_known(row.trend_p),
    )


def _known(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def _path_san(path: str) -> tuple[str, ...]:
    board = chess.Board()
    return sans_of(board, parse_uci_line(board, path.split()))
