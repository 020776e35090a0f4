"""`miner motifs`: by what mistakes are punished, how often, and who finds it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Annotated

import chess
import typer

from miner.bars import printable
from miner.cli import options
from miner.cli.boards import (
    BOARD_WIDTH,
    FIGURINES,
    board_diagram,
    boards_in_row,
    side_by_side,
    width_of_terminal,
    wrapped,
)
from miner.cli.terminal import have_letters_for, is_coloured, print_json, say
from miner.errors import UsageError
from miner.export.lists import as_plain
from miner.finding.mistake import Mistake
from miner.finding.moment import Moment, moment_of
from miner.finding.motif_words import (
    costs_sentence,
    falls_sentence,
    finders_sentence,
    found_words,
    moment_line,
    motif_title,
    played_sentence,
    share_words,
    sign_sentence,
    with_found_words,
)
from miner.finding.motifs import MotifCount, Motifs, read_motifs, rows_of, shares
from miner.finding.words import band_words, counted
from miner.store import Store
from miner.terms import ALL_BANDS

EXAMPLES = 3
IN_SHORT = 3
"""Motifs that stand before a list of positions."""
_LISTED = 20
_OPENINGS = 5
_INDENT = "          "
_BAR, _SHORTEST_BAR, _NUMBERS = 30, 8, 70
"""Columns of the longest bar of a curve, where there is room and where not, and of what stands beside it."""


def motifs(
    store: options.StoreDir,
    motif: Annotated[
        str | None,
        typer.Argument(metavar="MOTIF", help="A motif, or its number in the list: all that is known of it."),
    ] = None,
    band: Annotated[str, typer.Option(help="Only players of this rating band, e.g. 1000-1199.")] = ALL_BANDS,
    top: Annotated[
        int | None, typer.Option(min=1, help=f"How many to list (default: {_LISTED}, as JSON all).")
    ] = None,
    letters: Annotated[
        bool, typer.Option("--letters", help="Letters on the board instead of figurines.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Show by what opening mistakes are punished, whatever the position: how often, and who finds it.

    With a MOTIF: its curve over the bands, examples on boards, by what it can be seen coming, the openings in
    which it arises, and what kinds of moves allow it. As JSON: its numbers by band, and every mistake of a
    single game that it punishes.
    """
    opened = Store.open(store)
    if band != ALL_BANDS:
        opened.bands.require([band])
    known = Motifs.of(opened)
    table = known.of_band(band)
    if stale := opened.out_of_date():
        say(f"miner: out of date, since `{stale}` has not been run on what there is now", err=True)
    if as_json and motif is None:
        print_json([asdict(count) for count in in_tree(table, top or len(table))])
        return
    if not table and not as_json:
        games = counted(known.games, "game")
        say(f"No motif that five players fell for in {games} scanned; more games (--games) would tell more.")
        return
    listed = in_tree(table, top or _LISTED)
    if motif is None:
        rows = [row for number, one in enumerate(listed, 1) for row in _row(number, one, "  " * one.depth)]
        typer.echo("\n".join([*wrapped(printable(heading(listed[0])), width_of_terminal()), *rows]))
        say(f"One of them on boards: miner motifs --store {printable(store)}{_asked(band)} 1")
        return
    wanted = _find(motif, listed, table)
    if as_json:
        by_band, moments = _by_band(known, wanted, opened.bands.names), rows_of(known.mistakes_of(wanted))
        print_json(
            asdict(wanted)
            | {
                "by_band": list(map(asdict, by_band)),
                "moments": [as_plain(moment_of(row)) for row in moments],
            }
        )
        return
    lines = [*_told(known, wanted), "", *curve_lines(known, wanted, opened.bands.names), ""]
    boards = motif_boards(known.examples(wanted, EXAMPLES), letters=letters)
    typer.echo("\n".join([*(printable(line) for line in lines), *boards]))


def in_tree(table: Sequence[MotifCount], top: int) -> list[MotifCount]:
    """The most frequent motifs of one band, each below the coarser one that it belongs to."""
    rows = sorted(table, key=lambda count: (-count.games, count.square, count.piece))[:top]
    games = {(row.pattern, row.piece, row.square): row.games for row in rows}

    def place(row: MotifCount) -> tuple[object, ...]:
        of_piece = games.get((row.pattern, row.piece, ""), 0) if row.piece else 1 << 60
        of_square = row.games if row.square else 1 << 60
        coarse = games.get((row.pattern, "", ""), 0)
        return -coarse, row.pattern, -of_piece, row.piece, -of_square, row.square

    return sorted(rows, key=place)


def heading(count: MotifCount) -> str:
    """What the numbers of a list of motifs are."""
    return (
        f"Of 100 games of {band_words(count.band)} "
        f"({count.games_scanned:,} scanned, each side's counted), those in which they fall for it:"
    )


def in_short(store: Store, band: str) -> list[str]:
    """What a band falls for most expensively; empty: nothing is known."""
    known = read_motifs(store)
    told = known.topics(band)[:IN_SHORT] if known else []
    if not told:
        return []
    return [
        *wrapped(printable(heading(told[0])), width_of_terminal()),
        *(line for number, count in enumerate(told, 1) for line in _row(number, count)),
    ]


def _row(number: int, count: MotifCount, indent: str = "") -> list[str]:
    words = printable(row_words(number, count, indent))
    first, *others = wrapped(words, width_of_terminal() - len(_INDENT))
    return [first, *(_INDENT + line for line in others)]


def row_words(number: int, count: MotifCount, indent: str = "") -> str:
    """A motif in one line of such a list."""
    bounds = f"({count.per_100_low:.1f}-{count.per_100_high:.1f})"
    return f"{number:>3} {count.per_100:>5.1f} {bounds:<12} {indent}{with_found_words(count)}"


def motif_boards(examples: Sequence[Moment], *, letters: bool) -> list[str]:
    """The positions of moments beside each other, what happened in each below it."""
    texts = [((), one, (moment_line(one), played_sentence(one))) for one in examples]
    return position_boards(texts, letters=letters)


def position_boards(
    positions: Iterable[tuple[Sequence[str], Mistake, Sequence[str]]], *, letters: bool
) -> list[str]:
    """The positions before mistakes beside each other, each with what stands over its board and below it.

    The side that is taught sits at the bottom; the mistake's squares are marked.
    """
    unicode = not letters and have_letters_for(FIGURINES)
    given = [(_lines(over), _board(mistake, unicode), _lines(below)) for over, mistake, below in positions]
    in_row = boards_in_row(width_of_terminal())
    blocks: list[list[str]] = []
    for place, (over, board, below) in enumerate(given):
        start = place - place % in_row
        tallest = max(len(beside) for beside, _, _ in given[start : start + in_row])
        blocks.append([*[""] * (tallest - len(over)), *over, *board, *below])
    return side_by_side(blocks, width_of_terminal())


def _lines(texts: Sequence[str]) -> list[str]:
    return [line for said in texts for line in wrapped(printable(said), BOARD_WIDTH)]


def _board(mistake: Mistake, unicode: bool) -> list[str]:
    reply = chess.Move.from_uci(mistake.losing_reply_uci)
    return board_diagram(
        mistake.board,
        orientation=mistake.taught.color,
        marks=(reply.from_square, reply.to_square),
        color=is_coloured(),
        unicode=unicode,
    ).splitlines()


def _asked(band: str) -> str:
    return "" if band == ALL_BANDS else f" --band {band}"


def _find(motif: str, listed: Sequence[MotifCount], table: Sequence[MotifCount]) -> MotifCount:
    if motif.isdecimal():
        number = int(motif)
        if not 1 <= number <= len(listed):
            raise UsageError(f"there is no motif {number}", advice=f"the list has {len(listed):,}")
        return listed[number - 1]
    found = next((count for count in table if count.motif == motif), None)
    if found is None:
        raise UsageError(f"no motif is called {motif!r}", advice="`miner motifs` lists them")
    return found


def _told(known: Motifs, count: MotifCount) -> list[str]:
    rows = known.mistakes_of(count)
    facts = [
        falls_sentence(count),
        finders_sentence(count),
        costs_sentence(count),
        sign_sentence(count, known.signs(count)),
        *(
            f"{label}: {said}."
            for label, column in (("Openings", "opening"), ("Allowed by", "by"))
            if (said := share_words(shares(rows, column)[:_OPENINGS]))
        ),
    ]
    return [motif_title(count), *(line for fact in facts for line in wrapped(fact, width_of_terminal()))]


def _by_band(known: Motifs, count: MotifCount, bands: Sequence[str]) -> list[MotifCount]:
    rows = known.named(count.motif)
    return [rows[band] for band in bands if band in rows and rows[band].is_told]


def curve_lines(known: Motifs, count: MotifCount, bands: Sequence[str]) -> list[str]:
    """How often each band falls for it, as bars; nothing of bands in which too few players did."""
    told = _by_band(known, count, bands)
    if len(told) < 2:
        return ["By band: not enough players fell for it in two bands."]
    most = max(row.per_100 for row in told)
    wide = max(len(row.band) for row in told)
    bar = max(_SHORTEST_BAR, min(_BAR, width_of_terminal() - _NUMBERS))
    lines = [
        f"  {row.band:<{wide}} {row.per_100:>5.1f} ({row.per_100_low:.1f}-{row.per_100_high:.1f}) "
        f"{'#' * max(1, round(bar * row.per_100 / most)):<{bar}} "
        + ", ".join(filter(None, (f"{row.games:,} of {row.games_scanned:,}", found_words(row))))
        for row in told
    ]
    return ["By band, of 100 games:", *lines]
