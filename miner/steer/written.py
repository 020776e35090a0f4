"""Advice written out: sentences that a coach can read, a table for the terminal, PGN, CSV and Parquet."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import chess
import chess.pgn
import pandas as pd
import pyarrow as pa

from miner.board.moves import line_san, parse_uci_line, sans_of, unpack_move
from miner.export.lists import csv_of, parquet_of
from miner.export.pgn import games_bytes, tag_value
from miner.finding.words import band_words, counted, numbered_sans, percent
from miner.steer.advice import ADVICE_COLUMNS, Advice, TakenAway
from miner.steer.expectimax import BandReply, Choice, OurPosition, TheirPosition, after_reply
from miner.terms import BLUNDER_LOSS, expected_score

_WIDEST, _NARROWEST = 100, 72
_COLUMNS = {"Arises": 6, "Score": 5, "Least": 5, "Price": 5, "Engine": 6, "Games": 6, "Move": 12}
"""The headings of the table and the widths of its columns."""
_LINE_PLIES = 4  # of the engine's line that are shown where the tree ends
_LEAST_REACH = 0.005  # share of games below which a reply is not written down unless it loses
_OTHERS_LISTED, _OTHERS_IN_PGN = 4, 3  # other moves of ours that are named
_CURVES = {"engine": "the engine's own rule", "fitted": "what players of the band made of such positions"}


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
    """Who plays against whom, from where, and the points per 100 games that it is worth."""
    value, low, high = (points(share) for share in advice.value)
    start = _way_words(line_san(chess.Board(), advice.first_moves))
    return (
        f"{advice.side.capitalize()} against {band_words(advice.band)}, from {start}: "
        f"{value} points per 100 games ({low} to {high})"
    )


def _rows(table: pd.DataFrame) -> list[Any]:
    return list(table.itertuples(index=False))


def _move_words(row: Any) -> str:
    return numbered_sans([row.move], row.ply)


def _way_words(path: str) -> str:
    return numbered_sans(path.split()) or "the start position"


def _percent_cell(share: float) -> str:
    return percent(share).replace("under ", "<")


def role_words(row: Any) -> str:
    """Whose choice a move is, and whether it costs more than is allowed; may be empty.

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
    width = width or max(_NARROWEST, min(_WIDEST, shutil.get_terminal_size((_WIDEST, 24)).columns))
    lines = [_table_line(_COLUMNS)]
    for _, rows in list(advice.choices.groupby("key", sort=False))[:top]:
        lines += _position_lines(rows, width)
    return "\n".join(lines)


def _table_line(cells: Iterable[str]) -> str:
    *numbers, move = zip(cells, _COLUMNS.values(), strict=True)
    return " ".join([*(cell.rjust(width) for cell, width in numbers), move[0]])


def _position_lines(rows: pd.DataFrame, width: int) -> list[str]:
    best, *others = _rows(rows)
    values = (
        _percent_cell(best.reach),
        points(best.value),
        points(best.value_low),
        points(best.price),
        pawns(best.cp),
        f"{best.games:,}",
        _move_words(best),
    )
    notes = [f"after {_way_words(best.path)}" + _if_any(": {}", role_words(best))]
    if reason := _reason_words(best, others):
        notes.append(reason)
    if best.traps:
        notes.append("wins by " + "; ".join(_numbered(trap, best.ply) for trap in best.traps.split("; ")))
    if best.motifs:
        notes.append(best.motifs[:1].lower() + best.motifs[1:].removesuffix("."))
    # Moves that play a part in the comparison come first, then the next best.
    compared = sorted(others, key=lambda row: (not (row.is_engine_choice or row.popular_with), -row.value))
    if compared:
        notes.append(
            "instead "
            + "; ".join(
                f"{_move_words(row)} {points(row.value)}" + _if_any(" ({})", role_words(row))
                for row in compared[:_OTHERS_LISTED]
            )
        )
    wrapper = textwrap.TextWrapper(
        width, initial_indent=" " * 7, subsequent_indent=" " * 9, break_on_hyphens=False
    )
    return [_table_line(values), *(line for note in notes for line in wrapper.wrap(note))]


def _reason_words(best: Any, others: Sequence[Any]) -> str:
    """Why not the move whose lower bound is higher; empty if the recommended one has the highest."""
    surest = next((row for row in others if row.move == best.instead_of), None)
    if surest is None:
        return ""
    games = counted(surest.games, "game")
    return (
        f"by its value: the least of {_move_words(surest)} ({points(surest.value_low)}) is higher, but "
        f"rests on {games}, this on {best.games:,}"
    )


def _if_any(form: str, words: str) -> str:
    return form.format(words) if words else ""


def _numbered(trap: str, ply: int) -> str:
    line, _, share = trap.rpartition(" (")
    return f"{numbered_sans(line.split(), ply)} ({share}"


def taken_sentence(advice: Advice, taken: TakenAway) -> str:
    """A reply that a recommended move takes away, as a sentence."""
    way = (*advice.first_moves, *advice.ways[taken.key])
    here, there = (
        line_san(chess.Board(), (*way, unpack_move(move), unpack_move(taken.reply))).split()
        for move in (taken.move, taken.sister)
    )
    return (
        f"After {numbered_sans(here[:-1])} the reply {numbered_sans(here[-1:], len(way) + 1)} "
        f"costs {taken.loss_here:.2f} of a point; after {numbered_sans(there[-2:], len(way))} it is sound, "
        f"and {percent(taken.rate_there)} choose it."
    )


def not_covered_lines(open_ends: pd.DataFrame, top: int) -> str:
    """The opponents' moves to which a repertoire has no answer, the most frequent first.

    `open_ends`: as `miner.graph.repertoire.not_covered` gives them.
    """
    if not len(open_ends):
        return "The repertoire has an answer to everything that was played."
    lines = ["Not covered by the repertoire"]
    for row in _rows(open_ends.head(top)):
        board = chess.Board()
        sans = line_san(board, parse_uci_line(board, row.path.split())).split()
        lines.append(f"{_percent_cell(row.reach):>6}  {numbered_sans(sans)}")
    rest = open_ends["reach"].iloc[top:].sum()
    return "\n".join(lines if rest <= 0 else [*lines, f"{_percent_cell(rest):>6}  all others"])


def pgn_bytes(advice: Advice) -> bytes:
    """The recommended tree as one game; UTF-8, lines below 80 characters that end in LF.

    Where a position is met on several ways, the first goes on and the others say so. Standard NAGs:
    $2 and $4 for losing replies, $1 for a move of ours that is worth clearly more than its price.
    """
    game = chess.pgn.Game()
    first = game.add_line(advice.first_moves)
    game.headers["Event"] = tag_value(f"{advice.side.capitalize()} against {band_words(advice.band)}")
    game.comment = (
        f"{headline(advice)}. The range holds {advice.settings.confidence:.0%} of what it may be by these "
        "games. Where the games end, the engine's verdict counts, turned into points by "
        f"{_CURVES[advice.curve]}."
    )
    _TreeWriter(advice).write(first, advice.root, 1.0)
    return games_bytes([game])


class _TreeWriter:
    """Adds the positions of the recommended tree to a game, each of them once."""

    def __init__(self, advice: Advice) -> None:
        self._advice = advice
        self._rows: dict[int, list[Any]] = {}  # of each position, the recommended move first
        for row in _rows(advice.choices):
            self._rows.setdefault(row.key, []).append(row)
        self._written: dict[int, str] = {}  # the way to each position that was added

    def write(self, node: chess.pgn.GameNode, key: int, reach: float) -> None:
        """Add what follows a position that arises in that share of the games."""
        position = self._advice.tree[key]
        self._written[key] = numbered_sans(sans_of(chess.Board(), node.board().move_stack))
        if isinstance(position, OurPosition):
            self._write_ours(node, key, position, reach)
        else:
            self._write_theirs(node, key, position, reach)

    def _write_ours(self, node: chess.pgn.GameNode, key: int, position: OurPosition, reach: float) -> None:
        row, *others = self._rows[key]
        chosen = self._advice.valued.chosen[key]
        [choice] = [choice for choice in position.choices if choice.move == chosen]
        ours = node.add_variation(unpack_move(choice.move))
        if row.value - row.price >= self._advice.settings.losing / 2:
            ours.nags.add(chess.pgn.NAG_GOOD_MOVE)
        ours.comment = _comment_on(row, others)
        self._go_on(ours, key, choice, reach)

    def _write_theirs(
        self, node: chess.pgn.GameNode, key: int, position: TheirPosition, reach: float
    ) -> None:
        for reply in sorted(position.replies, key=lambda reply: (-reply.rate, reply.move)):
            after = after_reply(self._advice.tree, position, reply)
            loss = expected_score(after) - expected_score(position.cp)
            loses = loss >= self._advice.settings.losing
            if reach * reply.rate < (_LEAST_REACH / 5 if loses else _LEAST_REACH):
                continue
            theirs = node.add_variation(unpack_move(reply.move))
            theirs.comment = (
                f"{percent(reply.rate)} choose it."
                if reply.games
                else f"Nobody of the band has played it here yet; some {percent(reply.rate)} may."
            )
            if loses:
                theirs.nags.add(chess.pgn.NAG_BLUNDER if loss >= BLUNDER_LOSS else chess.pgn.NAG_MISTAKE)
                theirs.comment += f" It gives away {loss:.2f} of a point."
            self._go_on(theirs, key, reply, reach * reply.rate)

    def _go_on(self, node: chess.pgn.GameNode, key: int, step: Choice | BandReply, reach: float) -> None:
        """Add what follows a move: the tree, a word on where it stands already, or the engine's line."""
        child = self._advice.valued.child(key, step)
        if child is None:
            for uci in step.line[1 : _LINE_PLIES + 1]:
                node = node.add_variation(chess.Move.from_uci(uci))
        elif child in self._written:
            node.comment = f"{node.comment} The same position as after {self._written[child]}.".strip()
        else:
            self.write(node, child, reach)


def _comment_on(row: Any, others: Sequence[Any]) -> str:
    """The comment on a recommended move: its worth, and the moves to compare it with."""
    if row.games:
        games = f"{counted(row.games, 'game')} of the band"
        sentences = [
            f"{points(row.value)} points per 100 games ({points(row.value_low)} to "
            f"{points(row.value_high)}), by {games}; {points(row.price)} if the opponent answers best."
        ]
    else:
        sentences = [f"{points(row.value)} points per 100 games by the engine's verdict."]
    if reason := _reason_words(row, others):
        sentences.append(f"Chosen {reason}.")
    compared = [other for other in others if other.is_engine_choice or other.popular_with]
    sentences += [
        f"{_move_words(other)} ({role_words(other)}) {points(other.value)}."
        for other in compared[:_OTHERS_IN_PGN]
    ]
    return " ".join(sentences)


def _choices_table(advice: Advice) -> pa.Table:
    table = pa.Table.from_pandas(advice.choices, preserve_index=False)
    schema = pa.schema([column.with_metadata({"is": ADVICE_COLUMNS[column.name]}) for column in table.schema])
    return table.cast(schema).replace_schema_metadata(None)


def csv_bytes(advice: Advice) -> bytes:
    """The choices as CSV; see `csv_of`."""
    return csv_of(_choices_table(advice))


def parquet_bytes(advice: Advice) -> bytes:
    """The choices as Parquet, each column with what it is."""
    return parquet_of(_choices_table(advice))


TREE_FORMATS: Mapping[str, Callable[[Advice], bytes]] = {
    ".pgn": pgn_bytes,
    ".csv": csv_bytes,
    ".parquet": parquet_bytes,
}
"""The functions that make a file's contents from advice, by the file's suffix."""
