"""The findings of each side and band in a few sentences, and the games they were mined from."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from miner.finding.finding import Finding
from miner.finding.things import WELL_SEEN, well_seen
from miner.finding.words import band_words, can_steer, joined, numbered_sans, own_opening, plain, reply_words
from miner.schema import LEDGER_STATES
from miner.store import Manifest
from miner.terms import Kind, Side

_DAY = re.compile(r"\d{4}(\.\d{2}){0,2}")


def summaries(findings: Sequence[Finding]) -> dict[str, str]:
    """For each side that is taught and band, by `white 1000-1199`: what 100 games hold."""
    groups: dict[tuple[Side, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.taught, finding.band), []).append(finding)
    return {f"{side} {band}": _summary(side, band, found) for (side, band), found in groups.items()}


def _summary(side: Side, band: str, findings: Sequence[Finding]) -> str:
    traps = [finding for finding in findings if finding.kind is Kind.TRAP]
    pitfalls = [finding for finding in findings if finding.kind is Kind.PITFALL]
    return joined(
        f"In 100 games with {side.capitalize()} against {band_words(band)}, {_often(traps, pitfalls)}.",
        _best_trap(traps, side),
        _worst_pitfall(pitfalls),
    )


def _often(traps: Sequence[Finding], pitfalls: Sequence[Finding]) -> str:
    who, made = ("the opponents", traps) if traps else ("our own players", pitfalls)
    ours = f", our own players {_times(pitfalls)}" if traps and pitfalls else ""
    return f"{who} make {_times(made)} of the mistakes listed here{ours}"


def _times(findings: Iterable[Finding]) -> str:
    """How many of the mistakes 100 games hold as they are played now."""
    count = 100.0 * sum(finding.plain_reach * finding.pick_rate for finding in findings)
    return f"about {count:.0f}" if count >= 0.5 else "hardly any"


def _best_trap(traps: Sequence[Finding], side: Side) -> str:
    if not traps:
        return ""
    best, most = _foremost(traps)
    meets = _games(100.0 * best.steered_reach * best.pick_rate)
    towards = "plays towards it as" if can_steer(best) else "has"
    return (
        f"{most} worth setting up is {_called(best)}: whoever {towards} {side.capitalize()} meets it "
        f"in {meets} of 100, worth up to {best.teaching_value:.2f} points that are not made today."
    )


def _worst_pitfall(pitfalls: Sequence[Finding]) -> str:
    if not pitfalls:
        return ""
    worst, most = _foremost(pitfalls)
    makes = _games(100.0 * worst.plain_reach * worst.pick_rate)
    return (
        f"{most} worth avoiding is {_called(worst)}: it happens in {makes} of 100 and costs "
        f"{worst.teaching_value:.2f} points."
    )


def _foremost(findings: Sequence[Finding]) -> tuple[Finding, str]:
    """What is named before all others, and how: something rarer may stand above it in the list."""
    named = max(well_seen(findings), key=_worth)
    is_first = named is max(findings, key=_worth)
    return named, "Most" if is_first else f"Of those seen in {WELL_SEEN} games or more, most"


def _worth(finding: Finding) -> tuple[float, float]:
    return finding.teaching_value, finding.teaching_value_low


def _called(finding: Finding) -> str:
    opening = own_opening(finding)
    before = numbered_sans(finding.path[-3:], max(finding.ply - 3, 0))
    way = opening or (f"after {before}" if before else "")
    return f"{reply_words(finding)} ({way})" if way else reply_words(finding)


def _games(count: float) -> str:
    if count < 0.95:
        return "fewer than one game"
    return "about 1 game" if count < 1.5 else f"about {count:.0f} games"


def mined(
    manifests: Mapping[str, Manifest | None], dates: Iterable[str], findings: Sequence[Finding]
) -> dict[str, Any]:
    """The mined games, ready for JSON: sources, games and their ledger, dates, bands, engine.

    Sources are counted, not named: the name of a file could be that of a pupil.
    """
    read, tally = manifests.get("read"), manifests.get("tally")
    sources, ledger = (read.inputs.get("sources", []), read.facts.get("ledger", {})) if read else ([], {})
    days = [day for day in map(_known_day, dates) if day]
    return {
        "sources": len(sources),
        "games": read.rows.get("games", 0) if read else 0,
        "ledger": [[state, ledger[state]] for state in LEDGER_STATES if ledger.get(state)],
        "first": min(days, default=""),
        "last": max(days, default=""),
        "positions": tally.rows.get("positions", 0) if tally else 0,
        "engines": sorted({plain(finding.engine, 60) for finding in findings}),
        "nodes": max((finding.nodes for finding in findings), default=0),
    }


def _known_day(date: str) -> str:
    """The known part of a date tag: `2024.09` of `2024.09.??`, nothing of `????.??.??`."""
    known = _DAY.match(date)
    return known[0] if known and known[0] <= "2999" else ""
