"""How findings, exercises, sessions and advice are told in words: what lists, sheets and plans say."""

from __future__ import annotations

from miner.finding.words import (
    band_words,
    best_line_words,
    conversion_sentence,
    found_sentence,
    numbered_sans,
    often_words,
    path_words,
    percent,
    refutation_words,
    reply_words,
    shares_words,
    summary,
    title,
    worth_words,
)
from miner.lesson.sentences import solution_words, task_words
from miner.lesson.term import aim_words
from miner.steer.written import headline

__all__ = [
    "aim_words",
    "band_words",
    "best_line_words",
    "conversion_sentence",
    "found_sentence",
    "headline",
    "numbered_sans",
    "often_words",
    "path_words",
    "percent",
    "refutation_words",
    "reply_words",
    "shares_words",
    "solution_words",
    "summary",
    "task_words",
    "title",
    "worth_words",
]
