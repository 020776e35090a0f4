"""`miner show`: the ranked list on the terminal, or one finding as a card with its board."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Annotated

import chess
import typer

from miner.cli import options
from miner.cli.boards import (
    BOARD_WIDTH,
    FIGURINES,
    FULL_WIDTH,
    GAP,
    board_diagram,
    columns_of,
    cut,
    width_of_terminal,
    wrapped,
)
from miner.cli.findings import few_words, open_findings
from miner.cli.motifs import in_short
from miner.cli.terminal import have_letters_for, printable
from miner.errors import UsageError
from miner.export.scanned import read_through
from miner.finding import aftermath
from miner.finding.finding import Finding, findings_of
from miner.finding.motifs import group_of, read_motifs
from miner.finding.words import (
    band_line,
    band_words,
    best_line_words,
    conversion_sentence,
    cost_sentence,
    counted,
    familiar_sentence,
    found_sentence,
    joined,
    leak_sentence,
    models_sentence,
    numbered_sans,
    observed_sentence,
    often_words,
    path_words,
    percent,
    plain,
    points_words,
    price_sentence,
    reason_sentence,
    refutation_words,
    reply_words,
    shares_words,
    title,
    trend_sentence,
    usual_sentence,
    worth_words,
)
from miner.lesson.backing import read_backing
from miner.store import Store
from miner.terms import Kind

LABEL_WIDTH = 13
BESIDE_FROM = 72
"""The narrowest terminal on which the text of a card stands beside its board; else it stands below."""
_ENOUGH_GAMES, _LEAKS_TOLD = 5, 3

_WORTH = "points in 100 games to punish and to avoid"
COLUMNS = {
    "No": 3,
    "Punish": 6,
    "Avoid": 6,
    "Errs": 5,
    "Yours": 5,
    "Often": 5,
    "Games": 6,
    "Losing reply": 12,
    "Reason": 8,
}
"""The list's headings, with the widths of the columns."""
TO_THE_RIGHT = ("No", "Punish", "Avoid", "Yours", "Often", "Games")


def show(
    store: options.StoreDir,
    number: Annotated[
        int | None, typer.Argument(metavar="NUMBER", help="Show this finding of the list with its diagram.")
    ] = None,
    top: Annotated[int, typer.Option(min=1, help="How many to list.")] = 20,
    kind: Annotated[
        Kind | None, typer.Option(help="As traps, to be punished, or as pitfalls, to be avoided.")
    ] = None,
    side: options.SideOption = None,
    bands: options.Bands = None,
    missed: options.Missed = False,
    diagrams: Annotated[bool, typer.Option("--diagrams", help="Each finding with its diagram.")] = False,
    letters: Annotated[
        bool, typer.Option("--letters", help="Letters on the board instead of figurines.")
    ] = False,
) -> None:
    """Show by what the band's mistakes are punished, and the top of the ranked list of positions.

    With a NUMBER, that finding on a board and how it is punished.
    """
    opened = Store.open(store)
    table = open_findings(opened, side=side, bands=bands or (), missed=missed)
    findings = list(enumerate(findings_of(table, missed=missed), start=1))
    if number is not None:
        if not 1 <= number <= len(findings):
            raise UsageError(f"there is no finding {number}", advice=f"the list has {len(findings):,}")
        finding = findings[number - 1][1]
        typer.echo("\n".join([_card(finding, number, letters), *_afterwards(opened, finding)]))
        return
    shown = _by_worth(findings, kind)[:top]
    if kind is None and not missed:
        asked_for = bands or opened.require("rank").settings["bands"]
        if motifs := in_short(opened, group_of(asked_for), letters=letters):
            typer.echo("\n".join([*motifs, ""]))
    if not shown:
        typer.echo("\n".join(wrapped(_nothing(opened, bands or (), missed), width_of_terminal())))
        return
    if diagrams:
        typer.echo("\n\n".join(_card(finding, number, letters) for number, finding in shown))
        return
    typer.echo("\n".join(wrapped(_heading_of_list(shown[0][1]), width_of_terminal())))
    typer.echo(
        findings_table(
            [finding for _, finding in shown], width_of_terminal(), ranks=[rank for rank, _ in shown]
        )
    )
    asked = "".join(f" --band {band}" for band in bands or ()) + (f" --side {side}" if side else "")
    words, command = (
        "One of them on a board:",
        f"miner show --store {printable(store)}{asked} {'--missed ' if missed else ''}{shown[0][0]}",
    )
    if few := "" if missed else few_words(opened, len(findings), bands or ()):
        typer.echo("\n" + "\n".join(wrapped(few, width_of_terminal())))
    # On a narrow terminal it stands alone, since it is to be copied whole.
    typer.echo(f"\n{words}{' ' if width_of_terminal() >= BESIDE_FROM else chr(10)}{command}")


def _by_worth(findings: list[tuple[int, Finding]], kind: Kind | None) -> list[tuple[int, Finding]]:
    """The numbered findings in their order; by what they are worth as one `kind`, where that is asked for."""
    if kind is None:
        return findings
    seen = [(number, finding.as_kind(kind)) for number, finding in findings]
    wanted = [(number, finding) for number, finding in seen if finding.kind is kind]
    return sorted(wanted, key=lambda pair: -pair[1].teaching_value)


def _heading_of_list(finding: Finding) -> str:
    whom = band_words(finding.band)
    heading = f"Mistakes of {whom}; {_WORTH}"
    if finding.is_missed:
        heading = f"Missed chances of {whom}: as much given away, but not clearly worse; {_WORTH}"
    if finding.rests_on_others:
        heading += (
            ". Yours: in how many of your games the position came up; how often the reply is chosen, and in "
            "how many games, is told by the prior's games and yours together"
        )
    return heading


def _nothing(store: Store, bands: Sequence[str], missed: bool) -> str:
    if missed:
        return "No missed chances here."
    if not store.require("read").rows["moves"]:
        return f"No findings, as no game was kept: miner status --store {store.root} tells why."
    return few_words(store, 0, bands)


def _card(finding: Finding, number: int, letters: bool) -> str:
    unicode = not letters and have_letters_for(FIGURINES)
    return finding_card(
        finding, rank=number, width=width_of_terminal(), color=sys.stdout.isatty(), unicode=unicode
    )


def _afterwards(store: Store, finding: Finding) -> list[str]:
    """Where the advantage leaks away, and what the winners did, as far as the games were followed."""
    if store.manifest("follow") is None:
        return []
    motifs = read_motifs(store)
    brought = read_through(store, motifs).sentence_at(finding.key) if motifs and motifs.counts else ""
    leaks = aftermath.leaks(store, finding.reply)
    leaks = leaks[leaks["games"] >= _ENOUGH_GAMES].head(_LEAKS_TOLD)
    bands = [row for row in findings_of(store.read_table("by_band")) if row.reply == finding.reply]
    in_order = sorted(bands, key=lambda row: store.bands.names.index(row.band))
    sections = {
        "By band": [band_line(row) for row in in_order] if len(bands) > 1 else [],
        "Where it leaks away": [leak_sentence(finding, leak) for leak in leaks.to_dict("records")],
        "Motifs": [brought] if brought else [],
        "What the winners did": list(read_backing(store).plan(finding)),
    }
    return [
        line
        for heading, lines in sections.items()
        if lines
        for line in (
            "",
            heading,
            *(part for said in lines for part in wrapped(plain(said), width_of_terminal(), "  ")),
        )
    ]


def finding_card(
    finding: Finding, *, rank: int, width: int = 80, color: bool = False, unicode: bool = True
) -> str:
    """One finding in full: the diagram on the left, what there is to say about it on the right.

    On a narrow terminal it stands below.
    The side that is taught sits at the bottom; the losing reply's squares are marked.
    """
    move = chess.Move.from_uci(finding.losing_reply_uci)
    board = board_diagram(
        finding.board,
        orientation=finding.taught.color,
        marks=(move.from_square, move.to_square),
        color=color,
        unicode=unicode,
    ).splitlines()
    width = min(width, FULL_WIDTH)
    if width < BESIDE_FROM:
        return "\n".join([*_heading(finding, rank, width), "", *board, "", *_facts(finding, width)])
    text = _facts(finding, width - BOARD_WIDTH - len(GAP))
    rows = max(len(board), len(text))
    left = [line + " " * (BOARD_WIDTH - columns_of(line)) for line in board] + [" " * BOARD_WIDTH] * (
        rows - len(board)
    )
    right = text + [""] * (rows - len(text))
    body = [f"{cell}{GAP}{other}".rstrip() for cell, other in zip(left, right, strict=True)]
    return "\n".join([*_heading(finding, rank, width), "", *body])


def _heading(finding: Finding, rank: int, width: int) -> list[str]:
    eco = plain(finding.eco, 8)
    name = f"{rank}. {title(finding)}" + (f" ({eco})" if eco else "")
    errs, profits = finding.mover.capitalize(), finding.side.capitalize()
    does = "lets a chance go" if finding.is_missed else "errs"
    who = f"{errs} {does} ({band_words(finding.band)}), {profits} profits."
    return [cut(line, width) for text in (name, who) for line in wrapped(text, width)]


def _facts(finding: Finding, width: int) -> list[str]:
    players = finding.players_with_reply
    by = f", by {counted(players, 'player')}" if players else ""
    facts = {
        "Moves": path_words(finding),
        "Reply" if finding.is_missed else "Losing reply": reply_words(finding),
        "Best move": best_line_words(finding),
        "Answer" if finding.is_missed else "Refutation": refutation_words(finding),
        "Why": " ".join((reason_sentence(finding), cost_sentence(finding))).strip(),
        "Pattern": finding.pattern or "",
        "How often": f"{often_words(finding)}{by}",
        "Scores": observed_sentence(finding),
        "Found": joined(found_sentence(finding), usual_sentence(finding), conversion_sentence(finding)),
        "Worth": worth_words(finding),
        "Made of": shares_words(finding),
        "Familiar": familiar_sentence(finding),
        "Models": models_sentence(finding),
        "Trend": trend_sentence(finding),
        "Price": price_sentence(finding),
        "Engine": f"{plain(finding.engine)}, {finding.nodes:,} nodes",
    }
    lines = []
    for label, fact in facts.items():
        if fact:
            wrapped = textwrap.wrap(fact, max(width - LABEL_WIDTH, 12), break_on_hyphens=False)
            labels = [label] + [""] * (len(wrapped) - 1)
            lines += [f"{label:<{LABEL_WIDTH}}{part}" for label, part in zip(labels, wrapped, strict=True)]
    return lines


def findings_table(
    findings: Sequence[Finding], width: int = 80, *, ranks: Sequence[int] | None = None
) -> str:
    """The list: for each finding a line of numbers, and one of moves up to the end of the refutation.

    `Punish` and `Avoid` are what teaching it adds per 100 games on either side, `Often` is the pick rate and
    `Games` those with the reply; with a prior `Yours` are the store's own games at the position.
    Among the moves the losing reply carries a question mark, a missed chance none; where they do not fit, the
    first are left out.
    `ranks` are the findings' places in the whole list where only some are shown; else they count from 1.
    """
    indent = " " * (COLUMNS["No"] + 1)
    is_missed = any(finding.is_missed for finding in findings)
    rests_on_others = any(finding.rests_on_others for finding in findings)
    columns = [name for name in COLUMNS if name != "Yours" or rests_on_others]
    lines = _row({name: "Reply" if is_missed and name == "Losing reply" else name for name in columns}, width)
    for rank, finding in zip(ranks or range(1, len(findings) + 1), findings, strict=True):
        values = _values(finding, rank)
        lines += _row({name: values[name] for name in columns}, width)
        moves = _moves(finding, width - len(indent))
        lines += [cut(indent + moves, width)] if width >= BESIDE_FROM else wrapped(moves, width, indent)
    return "\n".join(lines)


def _values(finding: Finding, rank: int) -> dict[str, str]:
    values = {"Punish": finding.punish_value, "Avoid": finding.avoid_value}
    worth = {name: "" if value is None else points_words(value) for name, value in values.items()}
    return worth | {
        "No": str(rank),
        "Errs": finding.mover.capitalize(),
        "Yours": f"{finding.own_games_at_position:,}",
        "Often": percent(finding.pick_rate).replace("under ", "<"),
        "Games": f"{finding.games_with_reply:,}",
        "Losing reply": reply_words(finding),
        "Reason": finding.reason,
    }


def _row(values: Mapping[str, str], width: int) -> list[str]:
    """The cells of these columns side by side, in as many lines as they need; further ones are indented."""
    cells = [
        value.rjust(COLUMNS[name]) if name in TO_THE_RIGHT else value.ljust(COLUMNS[name])
        for name, value in values.items()
    ]
    lines = [""]
    for cell in cells:
        if lines[-1] and columns_of(lines[-1].rstrip()) + 1 + columns_of(cell.rstrip()) > width:
            lines.append(" " * COLUMNS["No"])
        lines[-1] += f" {cell}" if lines[-1] else cell
    return [line.rstrip() for line in lines]


def _moves(finding: Finding, width: int) -> str:
    sans = [*finding.path, finding.losing_reply + finding.sign, *finding.refutation]
    moves = numbered_sans(sans)
    for start in range(2, finding.ply + 1, 2):
        if len(moves) <= width:
            break
        moves = f"... {numbered_sans(sans[start:], start)}"
    return moves
