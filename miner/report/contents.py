"""All that the page shows of findings and their losing replies, as plain values for JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from operator import attrgetter
from typing import Any

import chess

from miner.board.moves import line_san, parse_uci_line, unpack_move
from miner.finding.aftermath import Row
from miner.finding.finding import Finding
from miner.finding.mistake import Reply
from miner.finding.why import why
from miner.finding.words import (
    capital,
    found_sentence,
    joined,
    lasting_sentence,
    leak_sentence,
    observed_sentence,
    often_words,
    opening_words,
    own_eco,
    own_opening,
    plain,
    plan_words,
    price_sentence,
    usual_sentence,
)
from miner.report.comments import Comments
from miner.report.lines import line_of
from miner.report.motifs import Scanned, boxes, motif_contents
from miner.report.opening_map import RepliesByPosition, opening_map
from miner.report.summary import summaries
from miner.terms import ALL_BANDS

RowsOf = Mapping[Reply, Sequence[Row]]
CommentsOn = Mapping[tuple[Reply, int], Comments]
"""What is said of model games, by the losing reply that they show and their number in the store."""

_NAME_LENGTH = 90
_LEAKS = 2
_LEAK_GAMES = 5
_LEAK_SHARE = 0.2
WORDS: dict[str, Callable[[Finding], str]] = {
    "kind": attrgetter("kind"),
    "side": attrgetter("side"),
    "taught": lambda finding: str(finding.taught),
    "band": attrgetter("band"),
    "often": often_words,
    "observed": observed_sentence,
    "price": price_sentence,
    "found": lambda finding: joined(
        found_sentence(finding), usual_sentence(finding), lasting_sentence(finding)
    ),
}
"""The words about each finding, by the name that the page's scripts have for it."""
FINDING_COLUMNS = (
    "games_at_position",
    "games_with_reply",
    "players_with_reply",
    "pick_rate",
    "pick_rate_low",
    "pick_rate_high",
    "loss",
    "cp_best",
    "cp_reply",
    "plain_reach",
    "steered_reach",
    "points_per_100",
    "points_per_100_low",
    "gain_for_band",
    "punish_gain",
    "curve",
    "find_rate",
    "teaching_value",
    "teaching_value_low",
    "conversion_expected",
    "conversion_observed",
    "games_per_player",
    "trend",
    "trend_p",
)
"""The columns of FINDINGS that are told of each finding, beside what belongs to its losing reply.

The scripts know each by the same name and with the type that the schema gives it.
"""
DIGITS = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class Details:
    """Rows of the tables that say more about each losing reply; a table that is not there gives none."""

    picks: RowsOf = field(default_factory=dict)  # of `replies`
    answers: RowsOf = field(default_factory=dict)  # of `followed`, with their games
    models: RowsOf = field(default_factory=dict)  # of `model_games`
    comments: CommentsOn = field(default_factory=dict)
    leaks: RowsOf = field(default_factory=dict)  # as `aftermath.leaks` gives them
    plans: RowsOf = field(default_factory=dict)
    seasons: RowsOf = field(default_factory=dict)
    motifs: Mapping[int, str] = field(default_factory=dict)  # by position: which its games bring, in words


def mistake(finding: Finding, reply: Reply, details: Details, bands: Sequence[str]) -> dict[str, Any]:
    """The losing reply of a finding, ready for JSON: board, lines, reasons and what else is known of it."""
    board, after = finding.board, finding.board_after
    return {
        "key": f"{finding.key:016x}",
        "fen": finding.fen,
        "ply": finding.ply,
        "path": line_of(chess.Board(), finding.path),
        "name": capital(opening_words(finding)),
        "eco": own_eco(finding),
        "opening": own_opening(finding),
        "reply": line_of(board, [finding.losing_reply]),
        "refutation": line_of(after, finding.refutation),
        "better": line_of(board, finding.better),
        "sign": finding.sign,
        "reason": finding.reason,
        "pattern": finding.pattern or "",
        "detail": plain(finding.reason_detail),
        "why": why(finding),
        "engine": plain(finding.engine, _NAME_LENGTH),
        "nodes": finding.nodes,
        "picks": _picks(details.picks.get(reply, ()), bands),
        "answers": _answers(details.answers.get(reply, ()), after),
        "leaks": _leaks(details.leaks.get(reply, ()), finding),
        "models": [
            _model(row, details.comments.get((reply, row["game"]))) for row in details.models.get(reply, ())
        ],
        "plans": [_plan(row) for row in details.plans.get(reply, ())],
        "seasons": [_season(row) for row in details.seasons.get(reply, ())],
        "motifs": details.motifs.get(finding.key, ""),
    }


def _picks(rows: Iterable[Row], bands: Sequence[str]) -> list[list[Any]]:
    """Per band in the order of the scheme: name, games with the reply, games there, rate, low, high."""
    in_order = sorted(rows, key=lambda row: bands.index(row["band"]))
    return [
        [row["band"], row["games"], row["games_at_position"], *_shares(row, "pick_rate")] for row in in_order
    ]


def _answers(rows: Iterable[Row], after: chess.Board) -> list[dict[str, Any]]:
    """The moves played right after the losing reply, commonest first, and the share of the gain they keep."""
    answers = [
        {
            "san": after.san(unpack_move(row["answer"])),
            "games": row["games"],
            "kept": None if row["kept"] is None else round(row["kept"], 3),
        }
        for row in rows
    ]
    return sorted(answers, key=lambda answer: (-answer["games"], answer["san"]))


def _leaks(rows: Sequence[Row], finding: Finding) -> list[str]:
    """The costliest positions after the reply in which enough players go wrong, a sentence each."""
    frequent = [row for row in rows if row["games"] >= _LEAK_GAMES and row["share_wrong"] >= _LEAK_SHARE]
    return [leak_sentence(finding, row) for row in frequent[:_LEAKS]]


def _model(row: Row, comments: Comments | None) -> dict[str, Any]:
    moves = parse_uci_line(chess.Board(), row["moves"].split())
    return {
        "line": {"san": line_san(chess.Board(), moves), "uci": row["moves"]},
        "at": row["reply_ply"],
        "result": row["result"],
        "date": plain(row["date"], 10),
        "winner": row["winner_rating"],
        "loser": row["loser_rating"],
        "moments": list(row["moments"]),
        "comments": asdict(comments) if comments else None,
    }


def _plan(row: Row) -> list[Any]:
    """Players, won games, what they do in words, in which share of them, and from and to which square."""
    squares = row["from_square"], row["to_square"]
    return [row["players"], row["games"], plan_words(row), round(row["share"], 4), *squares]


def _season(row: Row) -> list[Any]:
    return [row["season"], row["games_with_reply"], row["games_at_position"], *_shares(row, "share")]


def _shares(row: Row, name: str) -> list[float]:
    return [round(row[column], 4) for column in (name, f"{name}_low", f"{name}_high")]


def contents(
    findings: Sequence[Finding],
    by_band: Sequence[Finding],
    details: Details,
    replies: RepliesByPosition,
    bands: Sequence[str],
    mined: dict[str, Any],
    scanned: Scanned | None = None,
) -> dict[str, Any]:
    """All of the page: motifs, each losing reply once, the findings about them, the map and the summaries.

    `findings` come in the order of the list, `by_band` are the same in each band, `bands` are those of the
    tally, weakest first; `scanned` is what the scan found, if there was one.
    """
    places: dict[Reply, int] = {}
    group = findings[0].band if findings else ALL_BANDS
    mistakes: list[dict[str, Any]] = []
    rows: list[list[Any]] = []
    for finding in findings:
        reply = finding.reply
        if reply not in places:
            places[reply] = len(mistakes)
            mistakes.append(mistake(finding, reply, details, bands))
        rows += [_row(view, places[reply]) for view in finding.views]
    apart = [finding for finding in by_band if finding.reply in places and finding.band != group]
    rows += [_row(view, places[finding.reply]) for finding in apart for view in finding.views]
    told = motif_contents(scanned, bands) if scanned else None
    names = [one["name"] for one in told["list"]] if told else []
    paths = [f"{line['path']['uci']} {line['reply']['uci']}".split() for line in mistakes]
    return {
        "mined": mined,
        "bands": list(bands),
        "group": group,
        "summaries": summaries([view for finding in (*findings, *apart) for view in finding.views]),
        "mistakes": mistakes,
        "columns": ["mistake", *WORDS, *FINDING_COLUMNS],
        "findings": rows,
        "motifs": told,
        "map": opening_map(replies, paths, partial(boxes, scanned, names) if scanned else None),
    }


def _row(finding: Finding, place: int) -> list[Any]:
    words = [say(finding) for say in WORDS.values()]
    values = (getattr(finding, column) for column in FINDING_COLUMNS)
    return [place, *words, *(round(value, DIGITS) if isinstance(value, float) else value for value in values)]
