"""Findings as annotated games that any PGN reader opens."""

from __future__ import annotations

import re
from collections.abc import Iterable

import chess
import chess.pgn
import pyarrow as pa

from miner.finding.finding import Finding, findings_of
from miner.finding.mistake import Mistake
from miner.finding.words import (
    arises_sentence,
    because_sentences,
    chosen_sentence,
    cost_sentence,
    joined,
    observed_sentence,
    own_eco,
    own_opening,
    plain,
    price_sentence,
    teaching_sentences,
    title,
    usual_sentence,
)
from miner.terms import Side

TAG_LENGTH = 100
"""Characters of a tag value that are kept: even with each escaped, the line stays below PGN's 255."""

IN_COMMENT = str.maketrans({"{": "(", "}": ")"})

_STANDINGS = (
    (30, chess.pgn.NAG_DRAWISH_POSITION, chess.pgn.NAG_DRAWISH_POSITION),
    (80, chess.pgn.NAG_WHITE_SLIGHT_ADVANTAGE, chess.pgn.NAG_BLACK_SLIGHT_ADVANTAGE),
    (200, chess.pgn.NAG_WHITE_MODERATE_ADVANTAGE, chess.pgn.NAG_BLACK_MODERATE_ADVANTAGE),
)
"""Centipawns below which a standing is even, slightly or moderately better; above, it is decided.

Source: common practice, no source.
"""


NAGS = {"?!": chess.pgn.NAG_DUBIOUS_MOVE, "?": chess.pgn.NAG_MISTAKE, "??": chess.pgn.NAG_BLUNDER}
"""The NAG of the sign behind a mistake."""


def pgn_bytes(findings: pa.Table) -> bytes:
    """One game per finding, in the order of the list; UTF-8, lines below 80 characters that end in LF.

    A comment before the first move says how often the position arises. The main line is the way to it, the
    losing reply ($2, or $4 where it loses much) with how often it is chosen and what it costs, and its
    refutation, which ends with the reason and a NAG for the standing. Where players mostly defend themselves
    otherwise, that is the main line, and the best defence a variation. The best move is a variation that
    ends likewise.

    Source: Portable Game Notation Specification (1994), sections 8 and 10, from memory. Tag values may hold
    characters beyond its ISO 8859-1, as is common practice.
    """
    return games_bytes(_game(finding, rank) for rank, finding in enumerate(findings_of(findings), start=1))


def games_bytes(games: Iterable[chess.pgn.Game]) -> bytes:
    """Games as one file: UTF-8, lines below 80 characters that end in LF, comments safe to read."""
    return "".join(game.accept(_Exporter(columns=80)) + "\n\n" for game in games).encode()


def _game(finding: Finding, rank: int) -> chess.pgn.Game:
    game = chess.pgn.Game()
    game.headers["Event"] = tag_value(title(finding))
    game.headers["Round"] = str(rank)
    add_opening_tags(game, finding)
    game.comment = arises_sentence(finding)
    position = add_line(game, finding.path)
    add_refutation(position, finding)
    add_best(position, finding)
    return game


def add_opening_tags(game: chess.pgn.Game, finding: Mistake) -> None:
    """Add the tags ECO and Opening where the position has them."""
    for tag, value in (("ECO", own_eco(finding, TAG_LENGTH)), ("Opening", own_opening(finding, TAG_LENGTH))):
        if value:
            game.headers[tag] = tag_value(value)


def add_refutation(position: chess.pgn.GameNode, finding: Finding) -> None:
    """Add the losing reply and what punishes it, behind the variations that are there."""
    reply = position.add_variation(position.board().parse_san(finding.losing_reply))
    reply.nags.add(NAGS[finding.sign])
    reply.comment = joined(chosen_sentence(finding), cost_sentence(finding), observed_sentence(finding))
    lesson = joined(because_sentences(finding), teaching_sentences(finding))
    add_punishment(reply, finding, lesson)


def add_punishment(reply: chess.pgn.GameNode, finding: Mistake, lesson: str) -> None:
    """Add what punishes the losing reply after it, with what is to be learned from it.

    First what players choose after the taught answer, where that is not the best defence.
    """
    line, usual = finding.refutation, finding.usual_line
    said = usual_sentence(finding)
    if usual and usual[:1] == line[:1] and usual[1:2] != line[1:2]:
        answer = add_line(reply, line[:1])
        add_line(answer, usual[1:]).comment = said
        end_line(add_line(answer, line[1:]), finding, finding.cp_reply, lesson)
    else:
        end_line(add_line(reply, line), finding, finding.cp_reply, joined(lesson, said))


def add_best(position: chess.pgn.GameNode, finding: Mistake) -> None:
    """Add the best move and what follows it, behind the variations that are there."""
    last = add_line(position, finding.better)
    end_line(last, finding, finding.cp_best, price_sentence(finding) or "This is best.")


def end_line(last: chess.pgn.GameNode, finding: Mistake, cp: int, comment: str) -> None:
    """Say how a line ends: a NAG for the standing, unless it is on the board, and a comment.

    `cp` is from the point of view of the side that errs.
    """
    if not last.board().is_game_over():
        last.nags.add(standing_nag(cp if finding.side is Side.BLACK else -cp))
    last.comment = joined(str(last.comment), comment)


def standing_nag(cp: int) -> int:
    """The NAG for centipawns from White's point of view, mates included.

    >>> standing_nag(0), standing_nag(-120), standing_nag(9_998)
    (10, 17, 18)
    """
    for below, white, black in _STANDINGS:
        if abs(cp) < below:
            return white if cp > 0 else black
    return chess.pgn.NAG_WHITE_DECISIVE_ADVANTAGE if cp > 0 else chess.pgn.NAG_BLACK_DECISIVE_ADVANTAGE


def add_line(node: chess.pgn.GameNode, sans: Iterable[str]) -> chess.pgn.GameNode:
    """Add moves after a node, behind the variations that are there; the node after the last one."""
    board = node.board()
    for san in sans:
        node = node.add_variation(board.push_san(san))
    return node


def tag_value(value: str) -> str:
    """Text from outside as a tag's value, its quotation marks and backslashes escaped."""
    return plain(value, TAG_LENGTH).replace("\\", "\\\\").replace('"', '\\"')


class _Exporter(chess.pgn.StringExporter):
    """python-chess's writer, but comments are wrapped like moves."""

    def visit_comment(self, comment: str | list[str]) -> None:
        text = comment if isinstance(comment, str) else " ".join(comment)
        # A comment cannot hold its own closing brace, and `[%` would begin a command for the reader.
        clean = plain(text).translate(IN_COMMENT).replace("[%", "[ %")
        # A line must not begin with a per cent sign: readers skip such lines.
        words = re.findall(r"\S+(?: %\S*)*", clean)
        words[:1] = ["{ " + "".join(words[:1])]
        for word in (*words, "}"):
            self.write_token(word + " ")
        self.force_movenumber = True
