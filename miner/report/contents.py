"""All that the page shows, as plain values for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from miner.export.lists import COUNTS, TEACHING, TREND, VERDICT, WORTH
from miner.finding.finding import Finding, Reply
from miner.finding.words import observed_sentence, often_words, price_sentence
from miner.report.mistakes import Details, mistake
from miner.report.opening_map import Replies, opening_map
from miner.report.summary import summaries

COLUMNS = (*COUNTS, *VERDICT, *WORTH, *TEACHING, *TREND)
"""The columns of FINDINGS that are told of each finding, beside what belongs to its losing reply."""

DIGITS = 5


def contents(
    findings: Sequence[Finding],
    details: Details,
    replies: Replies,
    bands: Sequence[str],
    mined: dict[str, Any],
) -> dict[str, Any]:
    """What the page holds: each losing reply once, the findings about them, the map and the summaries.

    `findings` are rows of FINDINGS in the order of the list; `bands` those of the tally, weakest first.
    """
    places: dict[Reply, int] = {}
    mistakes: list[dict[str, Any]] = []
    told: list[list[Any]] = []
    for finding in findings:
        reply = finding.reply
        if reply not in places:
            places[reply] = len(mistakes)
            mistakes.append(mistake(finding, reply, details, bands))
        told.append(_row(finding, places[reply]))
    paths = [f"{one['path']['uci']} {one['reply']['uci']}".split() for one in mistakes]
    return {
        "mined": mined,
        "bands": list(bands),
        "summaries": summaries(findings),
        "mistakes": mistakes,
        "columns": ["mistake", "kind", "side", "taught", "band", "often", "observed", "price", *COLUMNS],
        "findings": told,
        "map": opening_map(replies, paths),
    }


def _row(finding: Finding, place: int) -> list[Any]:
    return [
        place,
        finding.kind,
        finding.side,
        str(finding.taught),
        finding.band,
        often_words(finding),
        observed_sentence(finding),
        price_sentence(finding),
        *(_rounded(getattr(finding, column)) for column in COLUMNS),
    ]


def _rounded(value: Any) -> Any:
    return round(value, DIGITS) if isinstance(value, float) else value
