"""Findings as annotated games that any PGN reader opens."""

from __future__ import annotations

import re

import chess
import chess.pgn
import pyarrow as pa

from miner.export.words import Finding, is_severe, plain, summary, title

TAG_LENGTH = 100
"""Characters of a tag value that are kept: even with each escaped, the line stays below PGN's 255."""

IN_COMMENT = str.maketrans({"{": "(", "}": ")"})


def pgn_bytes(findings: pa.Table) -> bytes:
    """One game per finding, in the order of the list; UTF-8, lines below 80 characters that end in LF.

    The main line is the way to the position, the losing reply ($2, or $4 where it loses much) with the
    numbers in words, and its refutation; the best move is a variation.

    Source: Portable Game Notation Specification (1994), sections 8 and 10, from memory. Tag values may hold
    characters beyond its ISO 8859-1, as is common practice.
    """
    games = [_game(finding, rank) for rank, finding in enumerate(findings.to_pylist(), start=1)]
    return "".join(game.accept(Exporter(columns=80)) + "\n\n" for game in games).encode()


def _game(finding: Finding, rank: int) -> chess.pgn.Game:
    game = chess.pgn.Game()
    game.headers["Event"] = tag(title(finding))
    game.headers["Round"] = str(rank)
    for name, column in (("ECO", "eco"), ("Opening", "opening")):
        if value := tag(finding[column]):
            game.headers[name] = value
    position = _add_line(game, finding["path"])
    reply = position.add_main_variation(position.board().parse_san(finding["losing_reply"]))
    reply.nags.add(chess.pgn.NAG_BLUNDER if is_severe(finding) else chess.pgn.NAG_MISTAKE)
    reply.comment = summary(finding)
    _add_line(reply, finding["refutation"])
    _add_line(position, finding["best_line"] or finding["best_move"])
    return game


def _add_line(node: chess.pgn.GameNode, sans: str) -> chess.pgn.GameNode:
    """Add moves after a node, behind the variations that are there; the node after the last one."""
    board = node.board()
    for san in sans.split():
        node = node.add_variation(board.push_san(san))
    return node


def tag(value: str) -> str:
    """Text as a tag's value, cut to what a line can hold."""
    return plain(value, TAG_LENGTH).replace("\\", "\\\\").replace('"', '\\"')


class Exporter(chess.pgn.StringExporter):
    """python-chess's writer, but comments are wrapped like moves."""

    def visit_comment(self, comment: str | list[str]) -> None:
        """Write a comment, in lines no longer than those of the moves."""
        text = comment if isinstance(comment, str) else " ".join(comment)
        # A comment cannot hold its own closing brace, and `[%` would begin a command for the reader.
        clean = plain(text).translate(IN_COMMENT).replace("[%", "[ %")
        # A line must not begin with a per cent sign: readers skip such lines.
        words = re.findall(r"\S+(?: %\S*)*", clean)
        words[:1] = ["{ " + "".join(words[:1])]
        for word in (*words, "}"):
            self.write_token(word + " ")
        self.force_movenumber = True
