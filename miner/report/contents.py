"""All that the page shows, as plain values for JSON."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any

from miner.finding.finding import Finding, Reply
from miner.finding.words import observed_sentence, often_words, price_sentence
from miner.report.mistakes import Details, mistake
from miner.report.opening_map import Replies, opening_map
from miner.report.summary import summaries

WORDS: dict[str, Callable[[Finding], str]] = {
    "kind": attrgetter("kind"),
    "side": attrgetter("side"),
    "taught": lambda finding: str(finding.taught),
    "band": attrgetter("band"),
    "often": often_words,
    "observed": observed_sentence,
    "price": price_sentence,
}
"""The words about each finding, by the name that the page's scripts have for it."""

COLUMNS = (
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
    "curve",
    "find_rate",
    "find_rate_low",
    "find_rate_high",
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


def contents(
    findings: Sequence[Finding],
    details: Details,
    replies: Replies,
    bands: Sequence[str],
    mined: dict[str, Any],
) -> dict[str, Any]:
    """All of the page: each losing reply once, the findings about them, the map and the summaries.

    `findings` come in the order of the list, `bands` are those of the tally, weakest first.
    """
    places: dict[Reply, int] = {}
    mistakes: list[dict[str, Any]] = []
    rows: list[list[Any]] = []
    for finding in findings:
        reply = finding.reply
        if reply not in places:
            places[reply] = len(mistakes)
            mistakes.append(mistake(finding, reply, details, bands))
        rows.append(_row(finding, places[reply]))
    paths = [f"{line['path']['uci']} {line['reply']['uci']}".split() for line in mistakes]
    return {
        "mined": mined,
        "bands": list(bands),
        "summaries": summaries(findings),
        "mistakes": mistakes,
        "columns": ["mistake", *WORDS, *COLUMNS],
        "findings": rows,
        "map": opening_map(replies, paths),
    }


def _row(finding: Finding, place: int) -> list[Any]:
    words = [say(finding) for say in WORDS.values()]
    return [place, *words, *(_rounded(getattr(finding, column)) for column in COLUMNS)]


def _rounded(value: Any) -> Any:
    return round(value, DIGITS) if isinstance(value, float) else value
