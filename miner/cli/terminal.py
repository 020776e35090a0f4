"""Lines on the terminal."""

from __future__ import annotations

import json
import os
import sys
from typing import TYPE_CHECKING, Any

import typer

from miner.bars import is_dumb, printable

if TYPE_CHECKING:
    from miner.pipeline import StageDone
    from miner.store import Manifest


def is_coloured() -> bool:
    """Whether colours are wanted: not in a file or pipe, and not where NO_COLOR is set, to whatever."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and not is_dumb()


def print_json(value: Any) -> None:
    """Print a value as JSON in ASCII: whatever stands in it, no terminal takes it for a command."""
    typer.echo(json.dumps(value, indent=1, allow_nan=False))


def say(line: str, *, err: bool = False) -> None:
    """Print one line, whatever stands in it."""
    typer.echo(printable(line), err=err)


def have_letters_for(text: str) -> bool:
    """Whether the output's encoding has all letters of a text."""
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def say_done(done: StageDone) -> None:
    """Print the line about a stage that is finished."""
    say(stage_line(done.manifest, was_current=done.was_current))


def stage_line(manifest: Manifest, *, was_current: bool) -> str:
    """One line about a finished stage."""
    summary = _SUMMARIES[manifest.stage](manifest)
    return f"{manifest.stage:<6} {summary}{' (up to date, nothing to do)' if was_current else ''}"


def ledger_line(ledger: dict[str, int]) -> str:
    """The games in each state of the ledger, largest part first."""
    parts = sorted(ledger.items(), key=lambda part: (-part[1], part[0]))
    return ", ".join(f"{count:,} {state}" for state, count in parts if count)


def _read(manifest: Manifest) -> str:
    ledger: dict[str, int] = manifest.facts.get("ledger", {})
    if not manifest.rows["games"]:
        return "no games are left"
    seen, positions = _counted(manifest.rows["games"], "game"), _counted(manifest.rows["moves"], "position")
    return f"{seen} seen: {ledger_line(ledger)}; {positions}"


def _tally(manifest: Manifest) -> str:
    rows = manifest.rows
    positions, replies = (
        _counted(rows["positions"], "position"),
        _counted(rows["replies"], "reply", "replies"),
    )
    likely = ", or likely to come by the prior's rates" if "prior" in manifest.facts else ""
    return (
        f"{positions} of {_counted(manifest.facts['min_games'], 'game')} or more{likely}, {replies} by band"
    )


def _judge(manifest: Manifest) -> str:
    facts: dict[str, Any] = manifest.facts
    replies, positions = (
        _counted(facts["candidates"], "reply", "replies"),
        _counted(facts["positions"], "position"),
    )
    line = f"{replies} judged in {positions}"
    if left := facts.get("left", 0):
        are, were = ("is", "was") if left == 1 else ("are", "were")
        line += (
            f" by {facts['nodes_asked']:,} nodes; {left:,} that {are} worth less {were} left (--nodes-in-all)"
        )
    if taken_over := facts.get("taken_over", 0):
        line += f", {_counted(taken_over, 'more verdict')} taken over from the prior"
    if facts["inconclusive"]:
        line += f", {facts['inconclusive']:,} inconclusive"
    line += _suspicion(facts)
    # Stores that were judged before this was counted do not say.
    if without := facts.get("without_wdl", 0):
        line += (
            f"; of {without:,} the engine told no win/draw/loss: bands with few games go by centipawns alone"
        )
    return line


def _scan(manifest: Manifest) -> str:
    facts = manifest.facts
    seen = f"{_counted(facts['positions'], 'position')} of {_counted(facts['games'], 'game')}"
    line = f"{seen} scanned: {_counted(manifest.rows['moments'], 'mistake')}"
    if facts["inconclusive"]:
        line += f", {_counted(facts['inconclusive'], 'search', 'searches')} inconclusive"
    return line + _suspicion(facts)


def _follow(manifest: Manifest) -> str:
    facts, rows = manifest.facts, manifest.rows
    line = (
        f"{_counted(facts['losing_replies'], 'losing reply', 'losing replies')} followed through "
        f"{_counted(facts['passages'], 'game')}, {_counted(rows['model_games'], 'model game')}"
    )
    if facts["inconclusive"]:
        line += f", {_counted(facts['inconclusive'], 'position')} inconclusive"
    line += _suspicion(facts)
    if missing := facts["sources_missing"]:
        line += f"; {_counted(len(missing), 'source')} could not be read again"
    return line


def _suspicion(facts: dict[str, Any]) -> str:
    claims = facts.get("false_claims", 0)  # stores from before they were counted do not say
    return f"; false claims of the engine: {claims:,}, which do not count: do not trust it" if claims else ""


def _rank(manifest: Manifest) -> str:
    facts = manifest.facts
    chances = facts["missed_chances"]
    missed = f"; {_counted(chances, 'missed chance')} (miner show --missed)" if chances else ""
    return (
        f"{_counted(facts['mistakes'], 'mistake')}, {_counted(manifest.rows['findings'], 'finding')}{missed}"
    )


def _counted(number: int, name: str, several: str = "") -> str:
    from miner.finding.words import counted  # commands that tell nothing of stages need not load it

    return counted(number, name, several)


_SUMMARIES = {
    "read": _read,
    "tally": _tally,
    "judge": _judge,
    "scan": _scan,
    "follow": _follow,
    "rank": _rank,
}
