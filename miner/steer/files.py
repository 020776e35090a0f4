"""Advice as files: PGN for reading, CSV and Parquet for other programs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pyarrow as pa
import pyarrow.parquet as pq

from miner.board.moves import unpack_move
from miner.export.formats import check_targets, write_file
from miner.export.pgn import games_bytes, tag_value
from miner.finding.words import band_words, numbered_sans, percent
from miner.steer.advice import COLUMNS, Advice, rows_of
from miner.steer.tree import OurPosition, Reply, TheirPosition, after_reply, engine_expected
from miner.steer.wording import headline, move_words, points, role_words
from miner.terms import BLUNDER_LOSS

_DECIMALS = 4


def csv_bytes(advice: Advice) -> bytes:
    """The choices as CSV: UTF-8, a header line, lines that end in CR LF; keys are 16 hexadecimal digits.

    Its texts are moves, so that no spreadsheet takes one for a formula.
    """
    told = advice.choices.assign(key=[f"{key:016x}" for key in advice.choices["key"].tolist()])
    text: str = told.to_csv(index=False, float_format=f"%.{_DECIMALS}f", lineterminator="\r\n")
    return text.encode()


def parquet_bytes(advice: Advice) -> bytes:
    """The choices as Parquet, each column with what it is."""
    table = pa.Table.from_pandas(advice.choices, preserve_index=False)
    schema = pa.schema([one.with_metadata({"is": COLUMNS[one.name]}) for one in table.schema])
    sink = pa.BufferOutputStream()
    pq.write_table(table.cast(schema).replace_schema_metadata(None), sink, compression="zstd")
    contents: bytes = sink.getvalue().to_pybytes()
    return contents


LINE_PLIES = 4  # of the engine's line that are shown where the tree ends
LEAST_REACH = 0.005  # share of games below which a reply is not written down unless it loses
COMPARED = 3  # other moves of ours that are told of
CURVES = {"engine": "the engine's own rule", "fitted": "what players of the band made of such positions"}


def pgn_bytes(advice: Advice) -> bytes:
    """The recommended tree as one game; UTF-8, lines below 80 characters that end in LF.

    Where a position is met on several ways, the first goes on and the others say so. Standard NAGs:
    $2 and $4 for losing replies, $1 for a move of ours that is worth clearly more than its price.
    """
    game = chess.pgn.Game()
    game.headers["Event"] = tag_value(f"{advice.side.capitalize()} against {band_words(advice.band)}")
    game.comment = f"{headline(advice)}. {_meaning(advice)}"
    node: chess.pgn.GameNode = game
    for move in advice.first_moves:
        node = node.add_variation(move)
    rows = {row.key: row for row in rows_of(advice.choices) if row.is_recommended}
    _Writer(advice, rows).write(node, advice.root, 1.0)
    return games_bytes([game])


def _meaning(advice: Advice) -> str:
    return (
        f"The range holds {advice.settings.confidence:.0%} of what it may be by these games. "
        f"Where the games end, the engine's verdict counts, turned into points by {CURVES[advice.curve]}."
    )


class _Writer:
    def __init__(self, advice: Advice, rows: Mapping[int, Any]) -> None:
        self._advice = advice
        self._rows = rows
        self._written: dict[int, str] = {}

    def write(self, node: chess.pgn.GameNode, key: int, reach: float) -> None:
        """Add what follows a position that arises in that share of the games."""
        position = self._advice.tree[key]
        self._written[key] = numbered_sans(_sans_to(node))
        if isinstance(position, OurPosition):
            self._write_ours(node, key, position, reach)
        else:
            self._write_theirs(node, key, position, reach)

    def _write_ours(self, node: chess.pgn.GameNode, key: int, position: OurPosition, reach: float) -> None:
        row = self._rows[key]
        [choice] = [one for one in position.choices if one.move == self._advice.valued.chosen[key]]
        ours = node.add_variation(unpack_move(choice.move))
        if row.value - row.price >= self._advice.settings.losing / 2:
            ours.nags.add(chess.pgn.NAG_GOOD_MOVE)
        ours.comment = self._about(key, row)
        child = self._followed(key, choice.move)
        if child is None:
            _add_line(ours, choice.line[1:])
        elif not self._is_told(ours, child):
            self.write(ours, child, reach)

    def _write_theirs(
        self, node: chess.pgn.GameNode, key: int, position: TheirPosition, reach: float
    ) -> None:
        ordered = sorted(position.replies, key=lambda one: (-one.rate, one.move))
        for reply in ordered:
            loss = engine_expected(after_reply(self._advice.tree, position, reply)) - engine_expected(
                position.cp
            )
            loses = loss >= self._advice.settings.losing
            child = self._followed(key, reply.move)
            if reach * reply.rate < LEAST_REACH and not (loses and reach * reply.rate >= LEAST_REACH / 5):
                continue
            theirs = node.add_variation(unpack_move(reply.move))
            theirs.comment = f"{percent(reply.rate)} choose it."
            if loses:
                theirs.nags.add(chess.pgn.NAG_BLUNDER if loss >= BLUNDER_LOSS else chess.pgn.NAG_MISTAKE)
                theirs.comment += f" It gives away {loss:.2f} of a point."
            self._go_on(theirs, reply, child, reach * reply.rate)

    def _go_on(self, node: chess.pgn.GameNode, reply: Reply, child: int | None, reach: float) -> None:
        if child is None:
            _add_line(node, reply.line[1:])
        elif not self._is_told(node, child):
            self.write(node, child, reach)

    def _followed(self, key: int, move: int) -> int | None:
        [child] = [child for one, child, _ in self._advice.followed(key) if one == move]
        return child

    def _is_told(self, node: chess.pgn.GameNode, key: int) -> bool:
        """Whether what follows stands elsewhere; if so the comment says where."""
        if key not in self._written:
            return False
        node.comment = f"{node.comment} The same position as after {self._written[key]}.".strip()
        return True

    def _about(self, key: int, row: Any) -> str:
        if row.games:
            games = f"{row.games:,} game{'' if row.games == 1 else 's'} of the band"
            sentences = [
                f"{points(row.value)} points per 100 games ({points(row.value_low)} to "
                f"{points(row.value_high)}), by {games}; {points(row.price)} if the opponent answers best."
            ]
        else:
            sentences = [f"{points(row.value)} points per 100 games by the engine's verdict."]
        others = self._advice.choices[
            (self._advice.choices["key"] == key) & ~self._advice.choices["is_recommended"]
        ]
        compared = [one for one in rows_of(others) if one.is_engine_choice or one.popular_with]
        sentences += [
            f"{move_words(one)} ({role_words(one)}) {points(one.value)}." for one in compared[:COMPARED]
        ]
        return " ".join(sentences)


def _add_line(node: chess.pgn.GameNode, line: tuple[str, ...]) -> None:
    for uci in line[:LINE_PLIES]:
        node = node.add_variation(chess.Move.from_uci(uci))


def _sans_to(node: chess.pgn.GameNode) -> list[str]:
    sans: list[str] = []
    while isinstance(node, chess.pgn.ChildNode):
        sans.append(node.san())
        node = node.parent
    return sans[::-1]


FORMATS: Mapping[str, Callable[[Advice], bytes]] = {
    ".pgn": pgn_bytes,
    ".csv": csv_bytes,
    ".parquet": parquet_bytes,
}
"""What makes a file's contents from advice, by the file's suffix."""


def check(targets: Sequence[Path]) -> None:
    """Raise ExportError if a target names no format or cannot be written; missing folders are made."""
    check_targets(targets, FORMATS)


def write(advice: Advice, targets: Sequence[Path]) -> None:
    """Write the advice to every target, in the format that its suffix names; each is whole or not there.

    Raises ExportError as `check` does, before the first is written.
    """
    check(targets)
    for target in targets:
        write_file(target, FORMATS[target.suffix.lower()](advice))
