"""`miner show`: the ranked list on the terminal, and one finding with its diagram."""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from typing import Annotated

import typer

from miner.cli import options
from miner.cli.diagram import FULL_WIDTH, finding_card, findings_table
from miner.cli.findings import open_findings
from miner.errors import UsageError
from miner.finding import aftermath
from miner.finding.finding import Finding, Reply, findings_of
from miner.finding.words import leak_sentence, plain
from miner.lesson.backing import read_backing
from miner.store import Store
from miner.terms import Kind

NARROWEST = 72
_ENOUGH_GAMES, _LEAKS_TOLD = 5, 3

_HEADINGS = {
    Kind.TRAP: "Traps: mistakes of the opponents, worth setting up",
    Kind.PITFALL: "Pitfalls: mistakes of our own side, worth avoiding",
}


def show(
    store: options.StoreDir,
    number: Annotated[
        int | None, typer.Argument(metavar="NUMBER", help="Show this finding of the list with its diagram.")
    ] = None,
    top: Annotated[int, typer.Option(min=1, help="How many of each kind to list.")] = 10,
    kind: Annotated[Kind | None, typer.Option(help="Only traps (they err) or pitfalls (we err).")] = None,
    side: options.Side = None,
    bands: options.Bands = None,
    diagrams: Annotated[bool, typer.Option("--diagrams", help="Each finding with its diagram.")] = False,
    letters: Annotated[
        bool, typer.Option("--letters", help="Letters on the board instead of figurines.")
    ] = False,
) -> None:
    """Show the top of the ranked list; with a NUMBER, that finding on a board and how it is punished."""
    opened = Store.open(store)
    findings = list(enumerate(findings_of(open_findings(opened)), start=1))
    if number is not None:
        typer.echo(_card(findings, number, letters=letters))
        for line in _afterwards(opened, findings[number - 1][1]):
            typer.echo(line)
        return
    if bands:
        opened.bands.require(bands)
    wanted = [one for one in findings if _is_wanted(one[1], side, bands)]
    kinds = [one for one in Kind if kind in (None, one)]
    shown = [(one, _one_per_reply([row for row in wanted if row[1].kind is one])[:top]) for one in kinds]
    if not any(rows for _, rows in shown):
        typer.echo(_nothing(opened, findings))
        return
    typer.echo("\n\n".join(_section(one, rows, diagrams, letters) for one, rows in shown if rows))
    if not diagrams:
        first = next(rows for _, rows in shown if rows)[0].number
        typer.echo(f"\nOne of them on a board: miner show --store {store} {first}")


def _nothing(store: Store, findings: list[tuple[int, Finding]]) -> str:
    if findings:
        return "No findings of that kind here."
    if not store.require("read").rows["moves"]:
        return f"No findings, as no game was kept: miner status --store {store.root} tells why."
    return (
        "No findings. Perhaps there are too few games: add more, or have rarer replies judged "
        "(--min-points, --min-games and --min-pick-rate of `miner run`)."
    )


def _card(findings: list[tuple[int, Finding]], number: int, *, letters: bool) -> str:
    if not 1 <= number <= len(findings):
        raise UsageError(f"there is no finding {number}", advice=f"the list has {len(findings):,}")
    return finding_card(
        findings[number - 1][1], rank=number, width=_width(), color=sys.stdout.isatty(), unicode=not letters
    )


def _afterwards(store: Store, finding: Finding) -> list[str]:
    """Where the advantage leaks away, and what the winners did, as far as the games were followed."""
    if store.manifest("follow") is None:
        return []
    leaks = aftermath.leaks(store, finding.reply)
    leaks = leaks[leaks["games"] >= _ENOUGH_GAMES].head(_LEAKS_TOLD)
    told = {
        "Where it leaks away": [leak_sentence(finding, one) for one in leaks.to_dict("records")],
        "What the winners did": list(read_backing(store).plan(finding)),
    }
    return [
        line
        for heading, lines in told.items()
        if lines
        for line in ("", heading, *(f"  {plain(one)}" for one in lines))
    ]


def _is_wanted(finding: Finding, side: str | None, bands: list[str] | None) -> bool:
    return side in (None, "both", finding.taught) and (not bands or finding.band in bands)


@dataclass(frozen=True, slots=True)
class _Shown:
    """A finding as it is listed: for the band where it is worth most, the others being named."""

    number: int
    finding: Finding
    also: list[str]


def _one_per_reply(findings: list[tuple[int, Finding]]) -> list[_Shown]:
    """The findings, best first, with those of one reply in several bands told as one."""
    shown: dict[Reply, _Shown] = {}
    for number, finding in findings:
        reply = finding.reply
        if reply in shown:
            shown[reply].also.append(finding.band)
        else:
            shown[reply] = _Shown(number, finding, [])
    return list(shown.values())


def _section(kind: Kind, rows: list[_Shown], diagrams: bool, letters: bool) -> str:
    if diagrams:
        cards = [
            finding_card(
                row.finding, rank=row.number, width=_width(), color=sys.stdout.isatty(), unicode=not letters
            )
            for row in rows
        ]
        return "\n\n".join([_HEADINGS[kind], *cards])
    table = findings_table(
        [row.finding for row in rows],
        _width(),
        ranks=[row.number for row in rows],
        also=[row.also for row in rows],
    )
    return f"{_HEADINGS[kind]}\n{table}"


def _width() -> int:
    return max(NARROWEST, min(FULL_WIDTH, shutil.get_terminal_size((FULL_WIDTH, 24)).columns))
