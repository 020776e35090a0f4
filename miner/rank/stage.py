"""The rank stage: what loses enough, why, how often and what it is worth; `findings` and `curves` out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import chess
import numpy as np
import pandas as pd
import pyarrow as pa

from miner.board.moves import after, line_san, parse_uci_line, unpack_move
from miner.curve.fit import fit_curves
from miner.errors import Place, SourceError, UsageError
from miner.explain.evidence import Evidence
from miner.explain.explanation import ADVANTAGE, GIVES_AWAY, LETS_GO, NO_SIMPLE_REASON, explain
from miner.finding.finding import is_losing
from miner.finding.openings import Opening, opening_after
from miner.means import USUAL, Means
from miner.rank.afterwards import REPLY, with_aftermath
from miner.rank.worth import part_observed, reached, within_price, worth_of
from miner.schema import FINDINGS
from miner.settings import RankSettings, as_dict
from miner.store import Manifest, Store, digest_of
from miner.terms import BandScheme, Kind, Score, Side

_BEST_LINE_PLIES = 8  # of the best line as it is shown
_NAMED_PLIES = 4  # from which the tags of the games through a position name its opening

EXPLAINED = [
    *("losing_reply", "losing_reply_uci", "best_move", "best_line", "refutation"),
    *("reason", "reason_detail", "pattern"),
]
"""Columns of FINDINGS that `explanation` fills."""


def explanation(row: Any, settings: RankSettings) -> tuple[str | bool, ...]:
    """The columns EXPLAINED of a losing row of `judged`, and whether it is a mistake.

    Else it is a missed chance: it gives away as much, and leaves its player no worse than `mistake_score`.
    """
    board = chess.Board(row.fen)
    reply = unpack_move(int(row.move))
    best_line = parse_uci_line(board, row.pv_best)
    reply_line = parse_uci_line(board, row.pv_reply)
    assert reply_line[0] == reply, f"the line {row.pv_reply} does not begin with {reply.uci()}"
    evidence = Evidence(
        board=board,
        best_line=best_line,
        reply_line=reply_line,
        best=Score.from_cp(Side.of(board.turn), int(row.cp_best)),
        reply=Score.from_cp(Side.of(board.turn), int(row.cp_reply)),
        retreat=after(board, reply_line[:2]).parse_uci(row.retreat) if row.retreat else None,
        retreat_loss=None if pd.isna(row.retreat_loss) else float(row.retreat_loss),
        defences=tuple(parse_uci_line(board, line.split()) for line in row.defences),
    )
    found = explain(evidence, forced_loss=settings.loss_threshold)
    return (
        board.san(reply),
        reply.uci(),
        board.san(best_line[0]),
        line_san(board, best_line[:_BEST_LINE_PLIES]),
        line_san(evidence.after_reply(1), found.refutation),
        found.reason,
        found.detail,
        found.pattern or "",
        found.is_forced or row.exp_reply <= settings.mistake_score,
    )


def rank(store: Store, settings: RankSettings, means: Means = USUAL) -> Manifest:
    """Turn the losing replies into findings, in the order of what teaching them is worth at least.

    Does nothing if the store holds that ranking already. Without the stage `follow` it is not known who finds
    the punishment, and all is told but that. Raises StoreError if nothing was judged yet, or only for an
    earlier tally; UsageError for a band that the tally does not have; SourceError for a repertoire that
    cannot be read.
    """
    judged_before, tallied = store.require("judge"), store.require("tally")
    store.require_current("tally", "judge", "follow")
    check_thresholds(settings, judged_before.settings)
    bands = store.bands
    bands.require(settings.bands)
    inputs, asked = _inputs(store, judged_before, settings), as_dict(settings)
    store.begin({"rank": asked})
    if store.is_current("rank", asked, inputs):
        return store.require("rank")
    judged, replies = (store.read_table(name).to_pandas() for name in ("judged", "replies"))
    losing = judged[is_losing(judged, settings)]
    with means.progress.task("expected scores", total=1, unit="fit") as task:
        curves = fit_curves(store, bands)
        task.advance()
    part = part_observed(replies, judged, curves)
    supported = within_price(_supported(store, replies, losing, settings, bands), judged, settings)
    ranked = worth_of(supported, curves, part, settings, tallied.settings["confidence"])
    explained = []
    with means.progress.task("explaining", total=len(losing), unit="reply") as task:
        for row in losing.itertuples(index=False):
            explained.append(explanation(row, settings))
            task.advance()
    words = losing[REPLY].join(
        pd.DataFrame(explained, index=losing.index, columns=[*EXPLAINED, "is_mistake"])
    )
    is_mistake = words.pop("is_mistake").astype(bool)
    tables = {
        "findings": _findings(store, ranked.merge(words[is_mistake], on=REPLY)),
        "missed": _findings(store, ranked.merge(_as_missed(words[~is_mistake], losing), on=REPLY)),
        "curves": curves.to_table(),
    }
    facts = {
        "mistakes": int(is_mistake.sum()),
        "missed_chances": int((~is_mistake).sum()),
        "judged_replies": len(judged),
        "part_observed": round(part.mean, 3),
        "part_observed_deviation": round(part.deviation, 3),
    }
    return store.write_stage("rank", asked, inputs, tables, facts)


def _as_missed(words: pd.DataFrame, losing: pd.DataFrame) -> pd.DataFrame:
    """The words of missed chances: nobody is worse after them."""
    had_advantage = losing.loc[words.index, "exp_best"] >= ADVANTAGE
    instead = had_advantage.map({True: LETS_GO, False: GIVES_AWAY})
    is_told = words["reason_detail"] != NO_SIMPLE_REASON
    return words.assign(reason_detail=words["reason_detail"].where(is_told, instead))


def _inputs(store: Store, judged: Manifest, settings: RankSettings) -> dict[str, str]:
    inputs = {"judge": judged.fingerprint}
    if followed := store.manifest("follow"):
        inputs["follow"] = followed.fingerprint
    if settings.repertoire:
        try:
            inputs["repertoire"] = digest_of(Path(settings.repertoire))
        except OSError as error:
            raise SourceError(
                f"the repertoire cannot be read: {error.strerror}",
                where=Place(settings.repertoire),
                advice="give a PGN file with what is played",
            ) from error
    return inputs


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
    replies = replies[replies["band"].isin(wanted)]
    unknown = replies.groupby(["key", "band"])["games_unknown"].transform("sum")
    replies = replies.assign(known_games=replies["games_at_position"] - unknown)
    rows = replies.merge(losing.drop(columns="best_move"), on=REPLY)
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


def _findings(store: Store, ranked: pd.DataFrame) -> pa.Table:
    positions = store.read_table("positions", ["key", "ply", "path", "eco", "opening"]).to_pandas()
    rows = ranked.merge(positions, on="key", how="left")
    others = rows["games_at_position"] - rows["games"]
    score_of_others = rows["score_sum_at_position"] - rows["score_sum"]
    is_followed = rows["after_games"] > 0
    paths = rows["path"].map(_path_san)
    openings = [_opening(*row) for row in zip(paths, rows["eco"], rows["opening"], strict=True)]
    rows = rows.assign(
        path=paths,
        eco=[opening.eco for opening in openings],
        opening=[opening.name for opening in openings],
        side=np.where(rows["white_errs"], Side.BLACK, Side.WHITE),
        games_with_reply=rows["games"],
        players_with_reply=rows["players"],
        observed_with_reply=rows["score_sum"] / rows["games"],
        observed_without_reply=(score_of_others / others).where(others > 0),
        conversion_expected=rows["expected_after"].where(is_followed),
        conversion_observed=(rows["after_score"] / rows["after_games"]).where(is_followed),
        conversion_games=rows["after_games"].where(is_followed, 0),
        model_games=rows["model_games"]
        .astype(object)
        .map(lambda games: games if isinstance(games, list) else []),
        games_per_player=(rows["known_games"] / rows["players_at_position"]).where(
            rows["players_at_position"] > 0
        ),
    )
    table = pa.Table.from_pandas(rows[FINDINGS.names], FINDINGS, preserve_index=False)
    return table.replace_schema_metadata()


def _path_san(path: str) -> str:
    board = chess.Board()
    return line_san(board, parse_uci_line(board, path.split()))


def _opening(path: str, eco: str, name: str) -> Opening:
    """The opening of a position: by the table of names, or by the tags of the games through it.

    These are asked where the table knows the first move alone; of a position common to many openings their
    commonest name would mislead.
    """
    moves = path.split()
    found = opening_after(moves)
    if name and len(moves) >= _NAMED_PLIES and found == opening_after(moves[:1]):
        return Opening(eco, name)
    return found or Opening("", "")
