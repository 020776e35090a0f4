"""`miner show`: the ranked list on the terminal, or one finding as a card with its board."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Annotated

import chess
import typer

from miner.bars import printable
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
from miner.cli.findings import open_findings
from miner.cli.motifs import in_short, position_boards
from miner.cli.terminal import have_letters_for, is_coloured, print_json
from miner.errors import UsageError
from miner.export.lists import as_plain
from miner.export.scanned import read_through
from miner.finding import aftermath
from miner.finding.few import few_words
from miner.finding.finding import Finding, findings_of
from miner.finding.motifs import group_of, read_motifs
from miner.finding.things import first_things, things_heading
from miner.finding.words import (
    band_line,
    band_words,
    best_line_words,
    capital,
    conversion_sentence,
    cost_sentence,
    counted,
    familiar_sentence,
    found_sentence,
    joined,
    lasting_sentence,
    leak_sentence,
    models_sentence,
    numbered_sans,
    observed_sentence,
    often_words,
    opening_words,
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
from miner.settings import Taught
from miner.store import Store
from miner.terms import Kind

LABEL_WIDTH = 13
BESIDE_FROM = 72
"""The narrowest terminal on which the text of a card stands beside its board; else it stands below."""
_ENOUGH_GAMES, _LEAKS_TOLD = 5, 3
_LISTED = 20

_WORTH = "points in 100 games to punish and to avoid"
COLUMNS = {
    "Punish": 6,
    "Avoid": 6,
    "Errs": 5,
    "Yours": 5,
    "Often": 5,
    "Games": 6,
    "Losing reply": 12,
    "Reason": 8,
}
"""The list's headings behind the openings, with the widths of the columns."""
TO_THE_RIGHT = ("Punish", "Avoid", "Yours", "Often", "Games")
_INDENT = " " * 4  # behind the numbers of the list
_MOVE_LINES = 2


def show(
    store: options.StoreDir,
    number: Annotated[
        int | None, typer.Argument(metavar="NUMBER", help="Show this finding of the list with its diagram.")
    ] = None,
    top: Annotated[
        int | None, typer.Option(min=1, help=f"How many to list (default: {_LISTED}, as JSON all).")
    ] = None,
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
    as_json: options.AsJson = False,
) -> None:
    """Show three things to teach first, by what mistakes are punished, and the top of the list of positions.

    With a NUMBER, that finding on a board and how it is punished.
    """
    opened = Store.open(store)
    table = open_findings(opened, side=side, bands=bands or (), missed=missed)
    findings = list(enumerate(findings_of(table, missed=missed), start=1))
    if number is not None:
        if not 1 <= number <= len(findings):
            raise UsageError(f"there is no finding {number}", advice=f"the list has {len(findings):,}")
        finding = findings[number - 1][1]
        if as_json:
            print_json({"number": number} | as_plain(finding))
            return
        typer.echo("\n".join([_card(finding, number, letters), *_afterwards(opened, finding)]))
        for game in finding.model_games[:1]:
            command = f"miner game {game} --store {printable(store)}"
            typer.echo(_with_command("\nA model game, move by move:", command))
        return
    shown = _by_worth(findings, kind)
    if as_json:
        print_json([{"number": place} | as_plain(finding) for place, finding in shown[:top]])
        return
    shown = shown[: top or _LISTED]
    if kind is None and not missed:
        ranked = opened.require("rank").settings
        band = group_of(bands or ranked["bands"])
        taught = [finding for _, finding in findings]
        for part in (
            _first(opened, taught, band, side or ranked.get("side", "both"), letters),
            in_short(opened, band),
        ):
            if part:
                typer.echo("\n".join([*part, ""]))
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
    typer.echo(_with_command(f"\n{words}", command))


def _with_command(words: str, command: str) -> str:
    """Words and a command that is to be copied whole: on a narrow terminal it stands alone."""
    return f"{words}{' ' if width_of_terminal() >= BESIDE_FROM else chr(10)}{command}"


def _first(store: Store, findings: list[Finding], band: str, side: Taught, letters: bool) -> list[str]:
    """The things to teach first, each on a board; empty: nothing is worth it."""
    things = first_things(findings, read_motifs(store), band, side)
    if not things:
        return []
    texts = [
        ([f"{number}. {thing.name}"], thing.mistake, [thing.opening, thing.line, thing.why])
        for number, thing in enumerate(things, start=1)
    ]
    return [things_heading(things), "", *position_boards(texts, letters=letters)]


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
        heading = (
            f"Missed chances of {whom}: they give as much away, but leave nobody clearly worse; {_WORTH}"
        )
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
    return finding_card(finding, rank=number, width=width_of_terminal(), color=is_coloured(), unicode=unicode)


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
        "Found": joined(
            found_sentence(finding),
            usual_sentence(finding),
            conversion_sentence(finding),
            lasting_sentence(finding),
        ),
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
    """The list: for each finding its opening, a line of numbers, and the moves with those that punish it.

    `Punish` and `Avoid` are what teaching it adds per 100 games on either side, `Often` is the pick rate and
    `Games` those with the reply; with a prior `Yours` are the store's own games at the position. The opening
    stands before the numbers where all names go in, else above them. Among the moves the losing reply carries
    a question mark, a missed chance none.
    `ranks` are the findings' places in the whole list where only some are shown; else they count from 1.
    """
    openings = [capital(opening_words(finding)) for finding in findings]
    names = max(map(columns_of, ("Opening", *openings)))
    rests_on_others = any(finding.rests_on_others for finding in findings)
    columns = [name for name in COLUMNS if name != "Yours" or rests_on_others]
    numbers = sum(COLUMNS[name] + 1 for name in columns) - 1
    beside = names if len(_INDENT) + names + 2 + numbers <= width else 0
    is_missed = any(finding.is_missed for finding in findings)
    headings = {name: name.replace("Losing reply", "Reply") if is_missed else name for name in columns}
    lines = _entry(" No", "Opening", _cells(headings, columns), beside, width)
    for rank, finding, opening in zip(ranks or range(1, len(findings) + 1), findings, openings, strict=True):
        lines += _entry(f"{rank:>3}", opening, _cells(_values(finding), columns), beside, width)
        lines += _moves(finding, width)
    return "\n".join(lines)


def _entry(number: str, opening: str, cells: Sequence[str], names: int, width: int) -> list[str]:
    """The number and the opening, in `names` columns before the other cells; 0: above them."""
    if names:
        opening += " " * (names - columns_of(opening))
        return [f"{number} {opening}  {' '.join(cells)}".rstrip()]
    first, *others = wrapped(opening, width - len(_INDENT))
    below = [*others, *_rows(cells, width - len(_INDENT))]
    return [f"{number} {first}", *(_INDENT + line for line in below)]


def _values(finding: Finding) -> dict[str, str]:
    values = {"Punish": finding.punish_value, "Avoid": finding.avoid_value}
    worth = {name: "" if value is None else points_words(value) for name, value in values.items()}
    return worth | {
        "Errs": finding.mover.capitalize(),
        "Yours": f"{finding.own_games_at_position:,}",
        "Often": percent(finding.pick_rate).replace("under ", "<"),
        "Games": f"{finding.games_with_reply:,}",
        "Losing reply": reply_words(finding),
        "Reason": finding.reason,
    }


def _cells(values: Mapping[str, str], columns: Sequence[str]) -> list[str]:
    return [
        values[name].rjust(COLUMNS[name]) if name in TO_THE_RIGHT else values[name].ljust(COLUMNS[name])
        for name in columns
    ]


def _rows(cells: Sequence[str], width: int) -> list[str]:
    """The cells side by side, in as many lines as they need."""
    lines = [cells[0]]
    for cell in cells[1:]:
        if columns_of(lines[-1].rstrip()) + 1 + columns_of(cell.rstrip()) > width:
            lines.append(cell)
        else:
            lines[-1] += f" {cell}"
    return [line.rstrip() for line in lines]


def _moves(finding: Finding, width: int) -> list[str]:
    """All moves to the losing reply, and as many of what punishes it as go into two lines."""
    sans = [*finding.path, finding.losing_reply + finding.sign]
    for shown in range(len(finding.refutation), -1, -1):
        more = " ..." if shown < len(finding.refutation) else ""
        lines = wrapped(numbered_sans([*sans, *finding.refutation[:shown]]) + more, width, _INDENT)
        if len(lines) <= _MOVE_LINES:
            break
    return lines
