"""A mistake as a notebook shows it: the diagram, and the few sentences that matter."""

from __future__ import annotations

import html
import re

from miner.draw.diagram import diagram_svg
from miner.finding.finding import Finding
from miner.finding.mistake import Mistake
from miner.finding.moment import Moment
from miner.finding.motif_words import moment_line, played_sentence
from miner.finding.words import (
    best_line_words,
    joined,
    often_words,
    path_words,
    plain,
    reason_sentence,
    refutation_words,
    reply_words,
    title,
    worth_words,
)

_SIDE = 230  # of the diagram, pixels


def card_html(mistake: Mistake) -> str:
    """HTML of a mistake, the taught side at the bottom of its diagram; foreign text is escaped."""
    board = diagram_svg(mistake.board, orientation=mistake.taught.color)
    facts = {
        "Moves": path_words(mistake) if mistake.path or not mistake.ply else "",
        "Losing reply": reply_words(mistake) + mistake.sign,
        "Best move": best_line_words(mistake),
        "Refutation": refutation_words(mistake),
        "Why": joined(reason_sentence(mistake), plain(mistake.pattern or "")),
        **_of_kind(mistake),
    }
    rows = "".join(
        f'<tr><th style="text-align:left;vertical-align:top">{label}</th>'
        f'<td style="text-align:left">{html.escape(fact)}</td></tr>'
        for label, fact in facts.items()
        if fact
    )
    drawing = re.sub(r' width="\d+" height="\d+"', f' width="{_SIDE}"', board, count=1)
    return (
        f'<div style="display:flex;gap:1em;align-items:flex-start">{drawing}'
        f"<div><strong>{html.escape(title(mistake))}</strong><table>{rows}</table></div></div>"
    )


def _of_kind(mistake: Mistake) -> dict[str, str]:
    match mistake:
        case Finding():
            return {"How often": often_words(mistake), "Worth": worth_words(mistake)}
        case Moment():
            return {"Motif": moment_line(mistake), "Game": played_sentence(mistake)}
    return {}
