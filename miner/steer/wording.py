"""Advice in plain sentences that a coach can read out, and as a table for the terminal."""

from __future__ import annotations

import shutil
import textwrap
from typing import Any

import chess
import pandas as pd

from miner.board.moves import line_san, parse_uci_line, unpack_move
from miner.finding.words import band_words, numbered_sans, percent
from miner.steer.advice import Advice, TakenAway, rows_of

WIDEST, NARROWEST = 100, 72
_HEADINGS = ("Arises", "Score", "Least", "Price", "Engine", "Games", "Move")
_WIDTHS = (6, 5, 5, 5, 6, 6, 12)
_TO_THE_RIGHT = _HEADINGS[:-1]
OTHERS_TOLD = 4


def pawns(cp: int) -> str:
    """Centipawns as a coach says them, for the side that is taught.

    >>> pawns(35), pawns(-120), pawns(9998), pawns(-9999)
    ('+0.35', '-1.20', 'mate', 'is mated')
    """
    if abs(cp) > 9_000:
        return "mate" if cp > 0 else "is mated"
    return f"{cp / 100:+.2f}"


def points(share: float) -> str:
    """Expected score (0 to 1) as points per 100 games.

    >>> points(0.5467)
    '54.7'
    """
    return f"{100.0 * share:.1f}"


def headline(advice: Advice) -> str:
    """Who plays against whom, from where, and what it is worth."""
    value, low, high = advice.value
    start = numbered_sans(line_san(chess.Board(), advice.first_moves).split()) or "the start position"
    return (
        f"{advice.side.capitalize()} against {band_words(advice.band)}, from {start}: "
        f"{points(value)} points per 100 games ({points(low)} to {points(high)})"
    )


def move_words(row: Any) -> str:
    """The move of a row of `choices` with its number, e.g. 2.Nf3."""
    return numbered_sans([row.move], row.ply)


def way_words(row: Any) -> str:
    """The way to the position of a row, numbered."""
    return numbered_sans(row.path.split()) or "the start position"


def role_words(row: Any) -> str:
    """What else is to be said of a move: whose choice it is, and whether it costs more than is allowed.

    >>> from types import SimpleNamespace
    >>> role_words(SimpleNamespace(is_engine_choice=True, popular_with="band, strong", is_sound=True))
    "the engine's choice, most played, also by strong players"
    """
    roles = ["the engine's choice"] if row.is_engine_choice else []
    popular = {
        "band": "most played",
        "strong": "most played by strong players",
        "band, strong": "most played, also by strong players",
    }
    roles += [popular[row.popular_with]] if row.popular_with else []
    return ", ".join(roles if row.is_sound else [*roles, "costs more than allowed"])


def advice_table(advice: Advice, *, top: int, width: int | None = None) -> str:
    """The positions that arise most often, each with the recommended move, what carries it, and the others.

    `Score` is points per 100 games against the band, `Least` its lower bound, `Price` what is left if the
    opponent answers best, `Engine` the engine's own view in pawns, `Games` those of the band that answered
    the move.
    """
    width = width or max(NARROWEST, min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns))
    lines = [_row(_HEADINGS)]
    for _, rows in list(advice.choices.groupby("key", sort=False))[:top]:
        lines += _position_lines(rows, width)
    return "\n".join(lines)


def _position_lines(rows: pd.DataFrame, width: int) -> list[str]:
    best, *others = rows_of(rows)
    values = (
        percent(best.reach).replace("under ", "<"),
        points(best.value),
        points(best.value_low),
        points(best.price),
        pawns(best.cp),
        f"{best.games:,}",
        move_words(best),
    )
    role = role_words(best)
    told = [f"after {way_words(best)}{f': {role}' if role else ''}"]
    if best.traps:
        told.append("wins by " + "; ".join(_numbered(part, best.ply) for part in best.traps.split("; ")))
    # What plays a part in the comparison comes first, then the next best.
    compared = sorted(others, key=lambda row: (not (row.is_engine_choice or row.popular_with), -row.value))
    if compared:
        told.append("instead " + "; ".join(_other(row) for row in compared[:OTHERS_TOLD]))
    indent = " " * 7
    text = [
        line
        for one in told
        for line in textwrap.wrap(
            one, width, initial_indent=indent, subsequent_indent=indent + "  ", break_on_hyphens=False
        )
    ]
    return [_row(values), *text]


def _other(row: Any) -> str:
    role = role_words(row)
    return f"{move_words(row)} {points(row.value)}{f' ({role})' if role else ''}"


def _numbered(trap: str, ply: int) -> str:
    """A line of SAN with its share behind, numbered."""
    line, _, share = trap.rpartition(" (")
    return f"{numbered_sans(line.split(), ply)} ({share}"


def _row(values: tuple[str, ...]) -> str:
    cells = [
        value.rjust(size) if heading in _TO_THE_RIGHT else value
        for value, size, heading in zip(values, _WIDTHS, _HEADINGS, strict=True)
    ]
    return " ".join(cells)


def taken_sentence(advice: Advice, taken: TakenAway) -> str:
    """What a recommended move takes away, as a sentence."""
    way = (*advice.first_moves, *advice.ways[taken.key])
    ply = len(way)
    path = line_san(chess.Board(), way).split()
    reply_here = line_san(chess.Board(), (*way, unpack_move(taken.move), unpack_move(taken.reply))).split()[
        -2:
    ]
    reply_there = line_san(
        chess.Board(), (*way, unpack_move(taken.sister), unpack_move(taken.reply))
    ).split()[-2:]
    return (
        f"After {numbered_sans([*path, reply_here[0]])} the reply {numbered_sans([reply_here[1]], ply + 1)} "
        f"costs {taken.loss_here:.2f} of a point; after {numbered_sans(reply_there, ply)} it is sound, "
        f"and {percent(taken.rate_there)} choose it."
    )


def not_covered_lines(open_ends: pd.DataFrame, top: int) -> str:
    """What the opponents play that a repertoire has no answer to, the most frequent first.

    `open_ends`: as `miner.graph.within.not_covered` gives them.
    """
    if not len(open_ends):
        return "The repertoire has an answer to everything that was played."
    lines = ["Not covered by the repertoire"]
    for row in rows_of(open_ends.head(top)):
        board = chess.Board()
        sans = line_san(board, parse_uci_line(board, row.path.split())).split()
        lines.append(f"{percent(row.reach).replace('under ', '<'):>6}  {numbered_sans(sans)}")
    rest = open_ends["reach"].iloc[top:].sum()
    return "\n".join(
        lines if rest <= 0 else [*lines, f"{percent(rest).replace('under ', '<'):>6}  all others"]
    )
