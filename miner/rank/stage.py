"""The rank stage: what loses enough, why, how often and what it is worth; `findings` and `curves` out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import chess
import numpy as np
import pandas as pd
import pyarrow as pa

from miner.board.moves import after, line_san, parse_uci_line, unpack_move
from miner.curve.fit import fit_curves
from miner.errors import UsageError
from miner.explain.evidence import Evidence
from miner.explain.explanation import ADVANTAGE, GIVES_AWAY, LETS_GO, NO_SIMPLE_REASON, explain
from miner.explain.habit import explain_habit
from miner.finding.finding import is_losing
from miner.finding.openings import Opening, opening_after
from miner.graph.repertoire import repertoire_digest
from miner.means import USUAL, Means
from miner.rank.afterwards import AFTERMATH, told_rates, with_aftermath, with_lasting, with_taught_lines
from miner.rank.groups import REPLY, Group, band_games, is_many_people, pooled_rates, together, weights_of
from miner.rank.results import seen_parts
from miner.rank.worth import reached, with_gain, with_worth, within_price, without_gambits
from miner.schema import FINDINGS
from miner.settings import RankSettings, as_dict
from miner.store import Manifest, Store
from miner.terms import Score, Side

_BEST_LINE_PLIES = 8  # of the best line as it is shown
_NAMED_PLIES = 4  # from which the tags of the games through a position name its opening

EXPLAINED = [
    *("losing_reply", "losing_reply_uci", "best_move", "best_line", "refutation"),
    *("reason", "reason_detail", "pattern", "wins_pawns"),
]
"""Columns of FINDINGS that `explanation` fills."""


def explanation(row: Any, settings: RankSettings) -> tuple[str | bool | int, ...]:
    """The columns EXPLAINED of a losing row of `judged`, and whether it is a mistake.

    Else it may be a missed chance: it gives away as much, and leaves its player no worse.
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
        knows_defences=bool(row.knows_defences),
    )
    found = explain(evidence, forced_loss=settings.loss_threshold)
    is_mistake = found.is_forced or row.exp_reply <= settings.mistake_score - settings.sure_by
    advice = explain_habit(board, reply) if is_mistake and found.detail == NO_SIMPLE_REASON else ""
    return (
        board.san(reply),
        reply.uci(),
        board.san(best_line[0]),
        line_san(board, best_line[:_BEST_LINE_PLIES]),
        line_san(evidence.after_reply(1), found.refutation),
        found.reason,
        advice or found.detail,
        found.pattern or "",
        found.won,
        is_mistake,
    )


def rank(store: Store, settings: RankSettings, means: Means = USUAL) -> Manifest:
    """Turn the losing replies into findings, in the order of what teaching them is worth.

    Does nothing if the store holds that ranking already. Without the stage `follow` it is not known who finds
    the punishment, and all is told but that. Raises StoreError if nothing was judged yet, or only for an
    earlier tally; UsageError for a band that the tally does not have; SourceError for a repertoire that
    cannot be read.
    """
    judged_before = store.require("judge")
    store.require("tally")
    store.require_current("tally", "judge", "follow")
    check_thresholds(settings, judged_before.settings)
    bands = store.bands
    bands.require(settings.bands)
    inputs, asked = _inputs(store, judged_before, settings), as_dict(settings)
    store.begin({"rank": asked})
    if store.is_current("rank", asked, inputs):
        return store.require("rank")
    ranking = ranked(store, settings, means)
    return store.write_stage("rank", asked, inputs, ranking.tables, ranking.facts)


@dataclass(frozen=True, slots=True)
class Ranking:
    """The tables of the stage, and what its manifest tells."""

    tables: dict[str, pa.Table]
    facts: dict[str, Any]


def ranked(store: Store, settings: RankSettings, means: Means = USUAL) -> Ranking:
    """The findings under these settings, whether or not they are what the store holds.

    Raises as `rank` does.
    """
    judged_before, tallied = store.require("judge"), store.require("tally")
    bands = store.bands
    bands.require(settings.bands)
    judged, replies = (store.read_table(name).to_pandas() for name in ("judged", "replies"))
    losing = with_taught_lines(store, judged[is_losing(judged, settings)])
    with means.progress.task("expected scores", total=1, unit="fit") as task:
        curves = fit_curves(store, bands)
        task.advance()
    parts = seen_parts(store, judged, curves, bands)
    confidence = tallied.settings["confidence"]
    group = Group.of(settings.bands, bands)
    losing = losing[_is_supported(replies, losing, group, judged_before)]
    games_of = band_games(tallied.facts.get("games_of_bands", {}))
    met = _met(store, replies, losing, judged, settings, group).join(
        games_of.rename("games_in_all"), on=["band", "white_errs"]
    )
    met = with_gain(met, curves, parts, confidence)
    by_band = met[(met["games"] > 0) & is_many_people(met)]
    grouped = by_band if group.is_one_band else _together(store, met, replies, games_of, group, tallied)
    words = with_lasting(store, _words(losing, settings, means))
    is_mistake = words.pop("is_mistake").astype(bool)
    is_missed = ~is_mistake & (losing["exp_reply"] > settings.mistake_score)  # between them it may be either
    mistakes, missed = words[is_mistake], _as_missed(words[is_missed], losing)

    positions = store.read_table("positions", ["key", "ply", "path", "eco", "opening"]).to_pandas()

    def table(rows: pd.DataFrame, told: pd.DataFrame) -> pa.Table:
        valued = with_worth(without_gambits(rows, confidence), settings, confidence)
        return _findings(valued.merge(told, on=REPLY).merge(positions, on="key", how="left"))

    tables = {
        "findings": table(grouped, mistakes),
        "missed": table(grouped, missed),
        "by_band": table(by_band, mistakes),
        "curves": curves.to_table(),
    }
    facts = {
        "mistakes": tables["findings"].num_rows,
        "missed_chances": tables["missed"].num_rows,
        "judged_replies": len(judged),
        "part_observed": round(parts.gain.mean, 3),
        "part_observed_deviation": round(parts.gain.deviation, 3),
        "part_observed_scatter": round(parts.gain.scatter, 3),
    }
    if parts.punished:
        facts |= {
            "part_punished": round(parts.punished.mean, 3),
            "part_punished_deviation": round(parts.punished.deviation, 3),
        }
    if later := parts.gain.by_later:
        facts |= {
            "part_later": round(later.parts.mean, 3),
            "later_counts": round(later.factor, 3),
            "later_counts_deviation": round(later.deviation, 3),
        }
    return Ranking(tables, facts)


def _words(losing: pd.DataFrame, settings: RankSettings, means: Means) -> pd.DataFrame:
    """By reply: the columns EXPLAINED, and is_mistake."""
    explained = []
    with means.progress.task("explaining", total=len(losing), unit="reply") as task:
        for row in losing.itertuples(index=False):
            explained.append(explanation(row, settings))
            task.advance()
    told = pd.DataFrame(explained, index=losing.index, columns=[*EXPLAINED, "is_mistake"])
    return losing[REPLY].join(told)


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
        inputs["repertoire"] = repertoire_digest(settings.repertoire)
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


def _is_supported(
    replies: pd.DataFrame, losing: pd.DataFrame, group: Group, judge: Manifest
) -> pd.Series[bool]:
    """For each losing reply: whether enough games of the group and the bands beside it stand for it.

    Enough is what the judge asked for; or all the games that there are, since some replies need fewer.
    """
    games = replies.groupby(REPLY)["games"].sum()
    around = replies[replies["band"].isin(group.with_neighbours)].groupby(REPLY)["games"].sum()
    enough = games.clip(upper=judge.facts["min_games"])
    is_enough = around.reindex(games.index, fill_value=0) >= enough
    wanted = is_enough.reindex(pd.MultiIndex.from_frame(losing[REPLY]), fill_value=False)
    return pd.Series(wanted.to_numpy(), index=losing.index, dtype=bool)


def _met(
    store: Store,
    replies: pd.DataFrame,
    losing: pd.DataFrame,
    judged: pd.DataFrame,
    settings: RankSettings,
    group: Group,
) -> pd.DataFrame:
    """One row per losing reply and band that met its position, whether or not any of it chose the reply."""
    there = [
        *("games_at_position", "games_at_position_elsewhere", "score_sum_at_position"),
        *("players_at_position", "games_squared_at_position"),
    ]
    replies = replies[replies["band"].isin(group.bands)]
    unknown = replies.groupby(["key", "band"])["games_unknown"].transform("sum")
    replies = replies.assign(known_games=replies["games_at_position"] - unknown)
    positions = replies.drop_duplicates(["key", "band"])[["key", "band", *there, "known_games"]]
    rows = positions.merge(losing.drop(columns="best_move"), on="key")
    chosen = replies.drop(columns=[*there, "known_games"])
    rows = rows.merge(chosen, on=[*REPLY, "band"], how="left")
    counts = ["games", "games_elsewhere", "players", "games_unknown", "score_sum", "games_squared"]
    rows = rows.fillna(dict.fromkeys([*counts, "pick_rate", "pick_rate_low", "pick_rate_high"], 0))
    rows = rows.astype(dict.fromkeys(counts[:4], np.int64))
    rows = rows.merge(reached(store, settings, list(group.bands)), on=["key", "band"])
    rows = rows.assign(white_errs=rows["fen"].str.contains(" w ", regex=False))
    rows = within_price(rows, judged, settings)
    return with_aftermath(store, rows, store.bands.names)


def _together(
    store: Store,
    met: pd.DataFrame,
    replies: pd.DataFrame,
    games_of: pd.Series[int],
    group: Group,
    tallied: Manifest,
) -> pd.DataFrame:
    """The bands of the group as one, with what is known of their games after the replies."""
    replies = replies[replies["band"].isin(group.bands)]
    games_of = games_of[games_of.index.isin(group.bands, level="band")]
    weights = weights_of(replies, games_of)
    foreseen = store.read_table("foreseen").to_pandas()
    rates = pooled_rates(
        replies,
        foreseen[foreseen["band"].isin(group.bands)],
        weights,
        confidence=tallied.settings["confidence"],
        correlation=tallied.facts.get("player_correlation", 0.0),
    )
    rows = together(met.drop(columns=[*AFTERMATH]), games_of, rates, group.name, weights)
    rows = rows[(rows["games"] > 0) & is_many_people(rows)]
    return with_aftermath(store, rows, store.bands.names, group, weights)


def _findings(ranked: pd.DataFrame) -> pa.Table:
    rows = told_rates(ranked)
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
        games_with_reply_elsewhere=rows["games_elsewhere"],
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
