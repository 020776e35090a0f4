"""`miner motifs`: by what mistakes are punished, how often, and who finds it."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import chess
import pandas as pd
import typer

from miner.board.moves import after, parse_uci_line, sans_of
from miner.cli import options
from miner.cli.show import FIGURINES, board_diagram
from miner.cli.terminal import have_letters_for, printable, say
from miner.errors import UsageError
from miner.explain.motif import Theme
from miner.export.scanned import clearest, of_node, rows_of, scanned
from miner.finding.words import band_words, between, counted, numbered_sans, percent
from miner.store import Store
from miner.terms import ALL_BANDS

_OPENINGS, _LINE_PLIES = 5, 6


def motifs(
    store: options.StoreDir,
    motif: Annotated[
        str | None,
        typer.Argument(metavar="MOTIF", help="A motif, or its number in the list: with a typical position."),
    ] = None,
    band: Annotated[str, typer.Option(help="Only players of this rating band, e.g. 1000-1199.")] = ALL_BANDS,
    top: Annotated[int, typer.Option(min=1, help="How many to list.")] = 20,
    letters: Annotated[
        bool, typer.Option("--letters", help="Letters on the board instead of figurines.")
    ] = False,
) -> None:
    """Show by what opening mistakes are punished, whatever the position: how often, and who finds it.

    With a MOTIF, an example on a board, the openings in which it arises, and what kinds of moves allow it.
    """
    opened = Store.open(store)
    if band != ALL_BANDS:
        opened.bands.require([band])
    table = scanned(opened, "motifs")
    has_name = table["pattern"] != Theme.POSITION.value
    table = table[(table["band"] == band) & table["is_told"] & has_name & (table["games"] > 0)]
    if table.empty:
        games = counted(opened.require("scan").facts["games"], "game")
        say(f"No motif that five players fell for in {games} scanned; more games (--games) would tell more.")
        return
    if stale := opened.out_of_date():
        say(f"miner: out of date, since `{stale}` has not been run on what there is now", err=True)
    listed = in_tree(table, top)
    if motif is None:
        say(_heading(listed[0]))
        typer.echo("\n".join(_row(number, row) for number, row in enumerate(listed, start=1)))
        say(f"One of them on a board: miner motifs --store {printable(store)}{_asked(band)} 1")
        return
    wanted = _find(motif, listed, table)
    moments = of_node(scanned(opened, "moments"), wanted, band)
    unicode = not letters and have_letters_for(FIGURINES)
    typer.echo("\n".join(map(printable, [*_numbers(wanted, moments), ""])))
    [example] = rows_of(clearest(moments, 1))
    typer.echo(_board(example, unicode))
    say(_line_words(example))


def in_tree(table: pd.DataFrame, top: int) -> list[dict[str, Any]]:
    """The most frequent motifs of one band, each below the coarser one that it belongs to."""
    order = table.sort_values(["games", "square", "piece"], ascending=[False, True, True], kind="stable")
    rows = rows_of(order.head(top))
    games = {(row["pattern"], row["piece"], row["square"]): row["games"] for row in rows}

    def place(row: dict[str, Any]) -> tuple[Any, ...]:
        pattern, piece, square = row["pattern"], row["piece"], row["square"]
        of_piece = games.get((pattern, piece, ""), 0) if piece else 1 << 60
        of_square = row["games"] if square else 1 << 60
        return -games.get((pattern, "", ""), 0), pattern, -of_piece, piece, -of_square, square

    return sorted(rows, key=place)


def _asked(band: str) -> str:
    return "" if band == ALL_BANDS else f" --band {band}"


def _heading(row: dict[str, Any]) -> str:
    return (
        f"Of 100 games of {band_words(row['band'])} "
        f"({row['games_scanned']:,} scanned, each side's counted), those in which they fall for it:"
    )


def _row(number: int, row: dict[str, Any]) -> str:
    depth = bool(row["piece"]) + bool(row["square"])
    bounds = f"({row['per_100_low']:.1f}-{row['per_100_high']:.1f})"
    return (
        f"{number:>3} {row['per_100']:>5.1f} {bounds:<12} {'  ' * depth}{row['motif']}, {_found_words(row)}"
    )


def _found_words(row: dict[str, Any]) -> str:
    if pd.isna(row["find_rate"]):
        return f"punished {row['found']:,} of {row['chances']:,} times"
    return f"found by {percent(row['find_rate'])}"


def _find(motif: str, listed: list[dict[str, Any]], table: pd.DataFrame) -> dict[str, Any]:
    if motif.isdecimal():
        number = int(motif)
        if not 1 <= number <= len(listed):
            raise UsageError(f"there is no motif {number}", advice=f"the list has {len(listed):,}")
        return listed[number - 1]
    found = rows_of(table[table["motif"] == motif])
    if not found:
        raise UsageError(f"no motif is called {motif!r}", advice="`miner motifs` lists them")
    return found[0]


def _numbers(row: dict[str, Any], moments: pd.DataFrame) -> list[str]:
    whom = band_words(row["band"])
    lines = [
        row["motif"].capitalize(),
        f"In {row['per_100']:.1f} of 100 games ({row['per_100_low']:.1f} to {row['per_100_high']:.1f}) "
        f"{whom} fall for it: {counted(row['games'], 'game')} of {counted(row['players'], 'player')}.",
    ]
    if not pd.isna(row["find_rate"]):
        lines.append(
            f"Of {row['chances']:,} such chances that {whom} had, an answer was found in "
            f"{percent(row['find_rate'])} ({between(row['find_rate_low'], row['find_rate_high'])}), "
            f"the best one in {percent(row['best_rate'])}."
        )
    lines.append(f"It costs {row['gain']:.2f} points a time, by the engine.")
    openings = moments["opening"][moments["opening"] != ""].value_counts().head(_OPENINGS)
    for label, counts in (("Openings", openings), ("Allowed by", moments["by"].value_counts())):
        if len(counts):
            lines.append(f"{label}: {', '.join(f'{name} {count}' for name, count in counts.items())}.")
    return lines


def _board(example: dict[str, Any], unicode: bool) -> str:
    board = chess.Board(example["fen"])
    reply = board.parse_uci(example["reply_uci"])
    return board_diagram(
        board,
        orientation=not board.turn,
        marks=(reply.from_square, reply.to_square),
        color=sys.stdout.isatty(),
        unicode=unicode,
    )


def _line_words(example: dict[str, Any]) -> str:
    board = chess.Board(example["fen"])
    [reply, *line] = parse_uci_line(board, list(example["pv_reply"])[:_LINE_PLIES])
    ply = int(example["ply"])
    mistake, best = board.san(reply), board.san(board.parse_uci(example["best"]))
    now = after(board, (reply,))
    wins = f" It wins {example['wins']}." if example["wins"] and example["wins"] != "mate" else ""
    return (
        f"{numbered_sans([mistake + '?'], ply)} {numbered_sans(sans_of(now, line), ply + 1)}."
        f" Better was {numbered_sans([best], ply)}.{wins}"
    )
